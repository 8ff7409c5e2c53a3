"""What a visit stores works on PostgreSQL as it does on SQLite, and erasing reaches everything there too."""

from datetime import timedelta

import pytest
from sqlalchemy import column, func, inspect, select, table

from app.care.drills import DRILLS
from app.care.safety import KEYS, Answer
from app.records import consents, erasing, members, people, plans, rounds, sign_ins, visits
from app.records.columns import now
from app.records.database import Database
from vision.sides import Side

HASHED = "not a hash: nobody signs in here"
KEPT = {"practice", "member", "sign_in", "audit_entry", "tombstone", "alembic_version"}


@pytest.mark.postgres
def test_a_visit_is_held_and_its_athlete_erased_on_postgresql(postgres_address):
    database = Database(postgres_address)
    database.migrate()
    with database.begin() as session:
        practice = people.add_practice(session, "Riverside")
        owner = members.add_member(
            session, practice.id, name="Bo", email="bo@riverside.example", role="owner", password_hash=HASHED
        )
        secret = sign_ins.begin(session, owner.id, "phone")
        at = (session, practice.id)
        athlete = people.athlete_by_code(*at, "R-1")
        consents.set_consents(*at, athlete.id, ["measuring", "records"], owner.id)
        visit_id = rounds.add_visit(*at, athlete.id)
        visits.add_screen(*at, visit_id, {**dict.fromkeys(KEYS, Answer.NO), "cancer": Answer.YES}, owner.id)
        visits.clear(*at, visit_id, owner.id, "seen by her doctor")
        told = {"words": "stiff", "pain_now": 2, "pain_worst": None, "sites": ["back-neck"]}
        visits.add_complaint(*at, visit_id, written_by=owner.id, **told)
        rounds.add_trial(*at, rounds.add_round(*at, visit_id, {"hand": "neck"}), Side.LEFT)
        plan = plans.add_plan(*at, athlete.id, [(d.key, d.dose) for d in DRILLS], "", owner.id)
        plans.note_done(session, plan, "active-return", now().date(), 1)
        link = plans.make_link(*at, plan.id, now() + timedelta(days=365))
    with database.begin() as session:
        assert sign_ins.member_of(session, secret, now()).id == owner.id
        held = visits.visit(session, practice.id, visit_id)
        assert held.screen.test_allowed
        assert held.complaint.sites == ("back-neck",)
        assert visits.last_setup(session, practice.id, athlete.id) == {"hand": "neck"}
        assert plans.plan_of_link(session, link, now()).done[0].pain == 1
    with database.begin() as session:
        erasing.erase_athlete(session, practice.id, athlete.id, owner.id)
    with database.begin() as session:
        tables = set(inspect(database.engine).get_table_names()) - KEPT
        left = {}
        for name in tables - {"job"}:
            rows = table(name, column("practice_id"))
            mine = select(func.count()).select_from(rows).where(rows.c.practice_id == practice.id)
            left[name] = session.scalar(mine)
        assert {name: count for name, count in left.items() if count} == {}
        assert [t.visits for t in erasing.tombstones(session, practice.id)] == [1]
    database.close()
