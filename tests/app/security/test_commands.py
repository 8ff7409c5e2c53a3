"""The first owner and a forgotten password, from the command line."""

import pytest
from typer.testing import CliRunner

from app.cli import main
from app.records import members, sign_ins
from app.records.columns import now
from app.records.database import Database
from app.security.passwords import password_fits
from app.settings import Settings

PASSWORD = "three calm herons walk"  # noqa: S105 - invented for this test
SET_UP = ["members", "set-up", "--practice", "New place", "--name", "Cy", "--email", "Cy@New.example"]


@pytest.fixture
def run(monkeypatch, tmp_path):
    monkeypatch.setenv("KNEELTURN_DATA_FOLDER", str(tmp_path))
    return lambda *arguments, typed=None: CliRunner().invoke(main, arguments, input=typed)


def credentials():
    database = Database(Settings().database_address)
    with database.begin() as session:
        found = members.credentials(session, "cy@new.example")
    database.close()
    return found


def test_the_first_owner_can_sign_in_afterwards(run):
    told = run(*SET_UP, typed=f"{PASSWORD}\n{PASSWORD}\n")
    assert told.exit_code == 0, told.output
    assert PASSWORD not in told.output
    assert password_fits(credentials().password_hash, PASSWORD)
    assert credentials().member.role == "owner"


def test_a_weak_password_or_a_taken_address_is_told_in_words(run):
    weak = run(*SET_UP, "--password", "short")
    assert weak.exit_code == 2
    assert "too few" in weak.output
    assert run(*SET_UP, "--password", PASSWORD).exit_code == 0
    taken = run(*SET_UP, "--password", PASSWORD)
    assert taken.exit_code == 2
    assert "signs in with this e-mail already" in taken.output


def test_a_forgotten_password_is_replaced_and_everything_signed_out(run):
    run(*SET_UP, "--password", PASSWORD)
    database = Database(Settings().database_address)
    with database.begin() as session:
        secret = sign_ins.begin(session, credentials().member.id, "phone")
    told = run("members", "password", "--email", "cy@new.example", "--password", "four loud otters swim")
    assert told.exit_code == 0, told.output
    with database.begin() as session:
        assert sign_ins.member_of(session, secret, now()) is None
    database.close()
    assert password_fits(credentials().password_hash, "four loud otters swim")


def test_an_unknown_address_is_told(run):
    told = run("members", "password", "--email", "x@y.example", "--password", PASSWORD)
    assert told.exit_code == 2
    assert "Nobody signs in with" in told.output
