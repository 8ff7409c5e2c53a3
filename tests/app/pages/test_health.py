"""The answer to whatever keeps the program running."""

from starlette.testclient import TestClient


def test_a_running_program_says_so_without_signing_in(app):
    with TestClient(app) as stranger:
        answer = stranger.get("/health")
    assert (answer.status_code, answer.text) == (200, "ok\n")


def test_a_program_without_its_database_says_that_it_cannot_serve(app, tmp_path):
    with TestClient(app) as stranger:
        app.state.services.database.close()
        for part in tmp_path.glob("kneelturn.sqlite3*"):
            part.unlink()
        (tmp_path / "kneelturn.sqlite3").mkdir()
        answer = stranger.get("/health")
    assert answer.status_code == 503
