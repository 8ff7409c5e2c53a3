"""A practice for tests, and ways to do in it what people do."""

import time
from dataclasses import dataclass

from app.photos.intake import Upload, take_in
from app.records import people, rounds, sign_ins
from app.records.columns import new_id
from app.security.members import cookie_name
from app.services import Services
from tests.app.drawn_person import picture
from vision.sides import Side

PATIENCE_S = 30.0


def begin_practice(services: Services) -> "Practice":
    """Make a practice with one owner and one athlete."""
    with services.database.begin() as session:
        practice = people.add_practice(session, "Hillside Movement Practice")
        member = people.add_member(session, practice.id, "Ada Quill", "owner")
        athlete = people.athlete_by_code(session, practice.id, "A-17")
    return Practice(services, practice.id, member.id, athlete.id)


@dataclass
class Practice:
    """A practice with one owner and one athlete, and ways to do what people do."""

    services: Services
    practice_id: str
    member_id: str
    athlete_id: str

    def round(self, *sides, data=picture, measure=True):
        """Make a round with one photo a side of ``sides`` and return its id."""
        with self.services.database.begin() as session:
            visit_id = rounds.add_visit(session, self.practice_id, self.athlete_id)
            round_id = rounds.add_round(session, self.practice_id, visit_id)
        for i, side in enumerate(sides):
            self.send(round_id, side, data(colour=(90 + i, 120, 90)) if callable(data) else data)
        if measure:
            self.measure()
        return round_id

    def send(self, round_id, side, data, key=None, trial_id=None):
        key = key or new_id()
        return take_in(
            self.services.database,
            self.services.store,
            self.services.queue,
            self.practice_id,
            round_id,
            Upload(data, "photo.jpg", key, Side(side), trial_id),
        )

    def measure(self):
        """Do every waiting job now, and wait for those that a thread of the program has already taken."""
        count = self.services.queue.run_open_jobs()
        given_up = time.monotonic() + PATIENCE_S
        while waiting := self.services.queue.open_count():
            assert time.monotonic() < given_up, f"{waiting} photos were not measured within {PATIENCE_S} s"
            time.sleep(0.02)
        return count

    def sign_in(self, browser, member_id=None):
        """Give a test browser the cookie of a member, the owner unless another is named."""
        browser.cookies.set(*self.session_cookie(member_id))

    def session_cookie(self, member_id=None):
        """Name and value of the cookie of a new session."""
        with self.services.database.begin() as session:
            secret = sign_ins.begin(session, member_id or self.member_id, "test browser")
        return cookie_name(self.services.settings), secret

    def load(self, round_id):
        with self.services.database.begin() as session:
            return rounds.load_round(session, self.practice_id, round_id)
