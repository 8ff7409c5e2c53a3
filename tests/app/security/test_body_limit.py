"""No request brings more bytes than it can need, and nobody unknown brings photos."""

import asyncio
from concurrent.futures import ThreadPoolExecutor

import pytest

from app.security.body_limit import FORM_BYTES, most_bytes_by_path

MOST_IN_A_FORM = 12 * 40_000_000 + FORM_BYTES


@pytest.mark.parametrize(
    ("path", "most"),
    [
        ("/sign-in", FORM_BYTES),
        ("/api/v1/sessions", FORM_BYTES),
        ("/rounds/new", FORM_BYTES),
        ("/rounds/0123/photos", MOST_IN_A_FORM),
        ("/self-screen/secret/photos", 40_000_000 + FORM_BYTES),
    ],
)
def test_only_where_photos_are_sent_much_is_taken(path, most):
    assert most_bytes_by_path(40_000_000, 12)(path) == most


@pytest.mark.parametrize("path", ["/sign-in", "/rounds/0123/photos"])
def test_an_oversized_request_is_refused_before_it_is_read(client, path):
    answer = client.post(path, headers={"content-length": str(MOST_IN_A_FORM + 1)}, content=b"x")
    assert answer.status_code == 413
    assert "smaller groups" in answer.text


def test_a_request_that_does_not_say_its_size_is_counted(client):
    def pieces():
        for _ in range(5):
            yield b"x" * 1_000_000

    answer = client.post("/sign-in", content=pieces(), headers={"content-type": "application/x-www-form-urlencoded"})
    assert answer.status_code == 413


def test_photos_of_nobody_are_not_read(app):
    read, answers = [], []

    async def receive():
        read.append("something was read")
        return {"type": "http.disconnect"}

    async def send(message):
        answers.append(message)

    scope = {
        "type": "http",
        "method": "POST",
        "path": "/rounds/0123/photos",
        "query_string": b"",
        "headers": [(b"host", b"kneelturn.test"), (b"content-type", b"multipart/form-data; boundary=edge")],
        "client": ("192.0.2.7", 40000),
        "server": ("kneelturn.test", 80),
        "scheme": "http",
        "root_path": "",
    }
    with ThreadPoolExecutor(1) as apart:  # a test with a browser before this one leaves a loop running in this thread
        apart.submit(lambda: asyncio.run(app(scope, receive, send))).result()
    assert answers[0]["status"] == 401
    assert read == []
