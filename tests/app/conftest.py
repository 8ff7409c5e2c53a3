"""A running application with an empty practice, its database and photos in a temporary folder."""

import shutil

import pytest
from starlette.testclient import TestClient

from app.main import create_app
from app.settings import Settings
from tests.app.drawn_person import DrawnPersonMeasurer
from tests.app.practice import begin_practice


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
    return begin_practice(app.state.services)


@pytest.fixture
def client(app, practice):
    """A browser in which the owner of ``practice`` is signed in; follows no redirects by itself."""
    with TestClient(app, follow_redirects=False) as browser:
        practice.sign_in(browser)
        yield browser
