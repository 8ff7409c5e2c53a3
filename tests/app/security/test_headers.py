"""Every answer carries the headers that keep browsers from doing more than our pages need."""

from app.security.headers import CONTENT_SECURITY_POLICY


def test_pages_are_locked_down_and_not_kept(client):
    headers = client.get("/").headers
    assert headers["content-security-policy"] == CONTENT_SECURITY_POLICY
    assert "unsafe" not in CONTENT_SECURITY_POLICY
    assert headers["referrer-policy"] == "no-referrer"
    assert headers["cache-control"] == "private, no-store"
    assert headers["x-content-type-options"] == "nosniff"


def test_error_pages_are_locked_down_too(client):
    answer = client.get("/no/such/page")
    assert answer.status_code == 404
    assert "content-security-policy" in answer.headers
    assert "does not exist" in answer.text


def test_an_error_is_json_for_those_who_ask_for_json(client):
    answer = client.get("/no/such/page", headers={"accept": "application/json"})
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json()["status"] == 404
