"""A running application with an empty practice, its database and photos in a temporary folder."""

import shutil
from dataclasses import dataclass

import pytest
from starlette.testclient import TestClient

from app.main import create_app
from app.photos.intake import Upload, take_in
from app.records import people, rounds, sign_ins
from app.records.columns import new_id
from app.records.database import Database
from app.security.members import cookie_name
from app.services import Services
from app.settings import Settings
from tests.app.drawn_person import DrawnPersonMeasurer, picture
from vision.sides import Side


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
            max_bytes=self.services.settings.max_photo_bytes,
        )

    def measure(self):
        """Do every waiting job now."""
        return self.services.queue.run_open_jobs()

    def sign_in(self, browser, member_id=None):
        """Give a test browser the cookie of a member, the owner unless another is named."""
        with self.services.database.begin() as session:
            secret = sign_ins.begin(session, member_id or self.member_id, "test browser")
        browser.cookies.set(cookie_name(self.services.settings), secret)

    def load(self, round_id):
        with self.services.database.begin() as session:
            return rounds.load_round(session, self.practice_id, round_id)


@pytest.fixture(scope="session")
def migrated(tmp_path_factory):
    """A database file with empty tables; copying it is much faster than migrating anew."""
    path = tmp_path_factory.mktemp("migrated") / "kneelturn.sqlite3"
    database = Database(f"sqlite:///{path}")
    database.migrate()
    database.close()
    return path


@pytest.fixture
def settings(tmp_path, migrated):
    shutil.copy(migrated, tmp_path / migrated.name)
    # measuring is done when a test says so, not by a thread
    return Settings(data_folder=tmp_path, measuring_threads=0)


@pytest.fixture
def app(settings):
    application = create_app(settings, DrawnPersonMeasurer())
    yield application
    application.state.services.database.close()


@pytest.fixture
def practice(app):
    services = app.state.services
    with services.database.begin() as session:
        practice = people.add_practice(session, "Hillside Movement Practice")
        member = people.add_member(session, practice.id, "Ada Quill", "owner")
        athlete = people.athlete_by_code(session, practice.id, "A-17")
    return Practice(services, practice.id, member.id, athlete.id)


@pytest.fixture
def client(app, practice):
    """A browser in which the owner of ``practice`` is signed in; follows no redirects by itself."""
    with TestClient(app, follow_redirects=False) as browser:
        practice.sign_in(browser)
        yield browser
