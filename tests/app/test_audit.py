"""Nothing of an athlete is read or changed without an entry that names the athlete."""

import pytest
from sqlalchemy import select

from app.records import models


def entries(practice):
    with practice.services.database.begin() as session:
        rows = session.scalars(select(models.AuditEntry).order_by(models.AuditEntry.at))
        return [(r.action, r.subject_kind, r.athlete_id, r.member_id) for r in rows]


@pytest.fixture
def seen(client, practice):
    """Paths of every page about one athlete that answers to GET."""
    record = practice.load(practice.round("start", "left", "right"))
    photo = record.trials[1].photos[0].id
    return [
        *(f"/athletes/{practice.athlete_id}{p}" for p in ("", "/trend", "/plan", "/report", "/report.pdf", "/data")),
        *(f"/visits/{record.visit_id}{p}" for p in ("", "/safety", "/complaint", "/set-up")),
        *(f"/rounds/{record.id}{p}" for p in ("", "/photos", "/decision", "/notes", "/clearer")),
        *(f"/photos/{photo}{p}" for p in ("/picture", "/correct", "/blind", "/blind/result")),
        *(f"/api/v1/athletes/{practice.athlete_id}{p}" for p in ("", "/fhir", "/trials.csv", "/archive.zip")),
    ]


def test_every_page_about_an_athlete_leaves_an_entry_that_names_them(client, practice, seen):
    silent = []
    for path in seen:
        before = len(entries(practice))
        assert client.get(path).status_code == 200, path
        added = entries(practice)[before:]
        if not any(athlete == practice.athlete_id and member == practice.member_id for _, _, athlete, member in added):
            silent.append(path)
    assert silent == []


def test_every_change_of_a_trial_leaves_an_entry_that_names_the_athlete(client, practice):
    record = practice.load(practice.round("left", "right"))
    left, right = record.trials
    photo = left.photos[0].id
    changes = [
        (f"/photos/{photo}/angle", {"angle": "44", "half_band": "5", "reason": "inclinometer"}),
        (f"/rounds/{record.id}/notes", {f"pain-{left.id}": "2"}),
        (f"/rounds/{record.id}/exchange", {}),
        (f"/trials/{right.id}/remove", {}),
    ]
    for path, data in changes:
        before = len(entries(practice))
        assert client.post(path, data=data).status_code == 303, path
        assert practice.athlete_id in {athlete for _, _, athlete, _ in entries(practice)[before:]}, path


def test_the_log_holds_no_health_data(client, practice, seen):
    for path in seen:
        client.get(path)
    columns = set(models.AuditEntry.__table__.columns.keys())
    assert columns == {"id", "practice_id", "member_id", "athlete_id", "at", "action", "subject_kind", "subject_id"}
