"""The list of rounds tells what they are."""

from app.records import rounds


def test_a_self_screen_that_nobody_accepted_is_told_from_a_round_of_a_visit(client, practice):
    practice.round("left")
    assert "Self-screen" not in client.get("/").text
    with practice.services.database.begin() as session:
        visit_id = rounds.add_visit(session, practice.practice_id, practice.athlete_id, "self-screen")
        rounds.add_round(session, practice.practice_id, visit_id)
    assert client.get("/").text.count("Self-screen, not accepted: it is in no trend") == 1
