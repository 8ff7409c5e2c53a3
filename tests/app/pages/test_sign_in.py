"""Signing in and out, the first owner, members and their roles."""

from datetime import timedelta

import pytest
from starlette.testclient import TestClient

from app.main import create_app
from app.records import members, models, people, sign_ins
from app.records.columns import now
from app.security import first_run
from app.security.passwords import hash_password
from app.settings import Settings
from tests.app.drawn_person import DrawnPersonMeasurer

PASSWORD = "three calm herons walk"  # noqa: S105 - invented for this test
WRONG = "three calm herons run"
HASHED = hash_password(PASSWORD)


@pytest.fixture
def visitor(app):
    """A browser in which nobody is signed in."""
    with TestClient(app, follow_redirects=False) as browser:
        yield browser


@pytest.fixture
def owner(practice):
    """The owner of the practice, able to sign in."""
    with practice.services.database.begin() as session:
        row = session.get_one(models.Member, practice.member_id)
        row.email, row.password_hash = "ada@hillside.example", HASHED
    return practice


def sign_in(browser, email="ada@hillside.example", password=PASSWORD, **more):
    return browser.post("/sign-in", data={"email": email, "password": password, **more})


def test_a_page_without_sign_in_leads_to_the_form_and_back(visitor, owner):
    sent_away = visitor.get("/athletes")
    assert sent_away.headers["location"] == "/sign-in?next=/athletes"
    assert 'value="/athletes"' in visitor.get("/sign-in?next=/athletes").text
    assert sign_in(visitor, next="/athletes").headers["location"] == "/athletes"
    assert visitor.get("/athletes").status_code == 200


def test_a_change_without_sign_in_is_refused(visitor, owner):
    assert visitor.post("/athletes", data={"code": "X"}).status_code == 401


def test_another_site_can_never_be_the_target_after_signing_in(visitor, owner):
    for after in ("https://evil.example", "//evil.example", "/\\evil.example"):
        assert sign_in(visitor, next=after).headers["location"] == "/"


def test_a_wrong_password_and_an_unknown_e_mail_look_the_same(visitor, owner):
    wrong = sign_in(visitor, password=WRONG)
    unknown = sign_in(visitor, email="nobody@hillside.example")
    assert wrong.status_code == unknown.status_code == 403
    assert "E-mail or password is wrong." in wrong.text
    assert wrong.text.replace("ada@", "nobody@") == unknown.text
    assert "set-cookie" not in wrong.headers


def test_the_e_mail_is_not_case_sensitive(visitor, owner):
    assert sign_in(visitor, email=" Ada@Hillside.Example ").status_code == 303


def test_the_cookie_cannot_be_read_by_scripts_or_sent_by_other_sites(visitor, owner):
    cookie = sign_in(visitor).headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=lax" in cookie


def test_over_https_the_cookie_is_bound_to_the_host(tmp_path):
    settings = Settings(data_folder=tmp_path, measuring_threads=0, public_url="https://turn.example")
    app = create_app(settings, DrawnPersonMeasurer())
    with app.state.services.database.begin() as session:
        practice = people.add_practice(session, "Far away")
        members.add_member(session, practice.id, name="Bo", email="bo@far.example", role="owner", password_hash=HASHED)
    with TestClient(app, base_url="https://turn.example", follow_redirects=False) as browser:
        cookie = sign_in(browser, email="bo@far.example").headers["set-cookie"]
        assert cookie.startswith("__Host-kneelturn=")
        assert "Secure" in cookie
        assert "Path=/" in cookie
        assert browser.get("/athletes").status_code == 200


def test_the_database_never_holds_the_cookies_secret(visitor, owner):
    sign_in(visitor)
    secret = visitor.cookies["kneelturn"]
    with owner.services.database.begin() as session:
        (row,) = session.query(models.SignIn).all()
        assert secret not in (row.token_digest, row.id)


def test_signing_out_ends_it_on_the_server_too(visitor, owner):
    sign_in(visitor)
    secret = visitor.cookies["kneelturn"]
    visitor.post("/sign-out")
    visitor.cookies.set("kneelturn", secret)
    assert visitor.get("/athletes").status_code == 303


def test_a_stolen_phone_is_signed_out_from_another_browser(app, visitor, owner):
    with TestClient(app, follow_redirects=False) as phone:
        sign_in(phone)
        sign_in(visitor)
        with owner.services.database.begin() as session:
            _newest, oldest = sign_ins.sign_ins_of(session, owner.member_id, now())
        visitor.post(f"/account/browsers/{oldest.id}")
        assert phone.get("/athletes").status_code == 303
        assert visitor.get("/athletes").status_code == 200


@pytest.mark.parametrize(("idle", "signed_in"), [(timedelta(hours=11), True), (timedelta(hours=13), False)])
def test_a_forgotten_browser_is_signed_out_after_a_working_day(owner, idle, signed_in):
    with owner.services.database.begin() as session:
        secret = sign_ins.begin(session, owner.member_id, "phone")
        assert (sign_ins.member_of(session, secret, now() + idle) is not None) is signed_in


def test_tries_run_out_for_an_account(visitor, owner):
    owner.services.sign_in_limit.spend("account ada@hillside.example")
    for _ in range(19):
        owner.services.sign_in_limit.spend("account ada@hillside.example")
    answer = sign_in(visitor)
    assert answer.status_code == 429
    assert "Wait" in answer.text


def test_a_password_change_needs_the_old_one_and_signs_others_out(app, visitor, owner):
    with TestClient(app, follow_redirects=False) as other:
        sign_in(other)
        sign_in(visitor)
        new = "four loud otters swim"
        assert visitor.post("/account/password", data={"old": "wrong", "password": new}).status_code == 422
        assert visitor.post("/account/password", data={"old": PASSWORD, "password": new}).status_code == 303
        assert other.get("/account").status_code == 303
        assert visitor.get("/account").status_code == 200


def test_the_first_owner_is_made_on_the_page_with_the_code_of_the_server(app, settings):
    filled = {"practice": "New place", "name": "Cy", "email": "cy@new.example", "password": PASSWORD}
    with TestClient(app, follow_redirects=False) as browser:
        assert browser.get("/sign-in").headers["location"] == "/first-run"
        assert "Set-up code" in browser.get("/first-run").text
        assert browser.post("/first-run", data={"code": "guess", **filled}).status_code == 422
        made = browser.post("/first-run", data={"code": first_run.code(settings.data_folder), **filled})
        assert made.status_code == 303
        assert "New place" in browser.get("/athletes").text
        assert browser.get("/first-run").headers["location"] == "/sign-in"
        assert browser.post("/first-run", data={"code": "x", **filled}).status_code == 403
    assert not (settings.data_folder / first_run.FILE_NAME).exists()


def test_the_code_file_is_readable_by_its_owner_alone(tmp_path):
    first_run.code(tmp_path)
    assert (tmp_path / first_run.FILE_NAME).stat().st_mode & 0o077 == 0


def test_an_owner_adds_a_coach_who_can_sign_in_but_not_manage(app, client, owner):
    added = {"name": "Bo", "email": "bo@hillside.example", "role": "coach", "password": PASSWORD}
    assert client.post("/members", data=added).status_code == 303
    assert client.post("/members", data=added).status_code == 422  # the address is taken
    with TestClient(app, follow_redirects=False) as coach:
        sign_in(coach, email="bo@hillside.example")
        assert coach.get("/athletes").status_code == 200
        for path in ("/members", "/audit-log"):
            assert coach.get(path).status_code == 403
        assert coach.post("/members", data=added).status_code == 403
        assert coach.post("/practice", data={"keep_photos_days": "1"}).status_code == 403


def test_a_member_shut_out_is_out_at_once(app, client, owner):
    with owner.services.database.begin() as session:
        bo = members.add_member(
            session, owner.practice_id, name="Bo", email="bo@hillside.example", role="clinician", password_hash=HASHED
        )
    with TestClient(app, follow_redirects=False) as browser:
        sign_in(browser, email="bo@hillside.example")
        client.post(f"/members/{bo.id}", data={"what": "shut-out"})
        assert browser.get("/athletes").status_code == 303
        assert sign_in(browser, email="bo@hillside.example").status_code == 403


def test_the_last_owner_stays_owner(client, owner):
    assert client.post(f"/members/{owner.member_id}", data={"what": "role", "role": "coach"}).status_code == 422
    assert client.post(f"/members/{owner.member_id}", data={"what": "shut-out"}).status_code == 422


def test_members_of_another_practice_cannot_be_changed(client, owner):
    with owner.services.database.begin() as session:
        other = people.add_practice(session, "Other side")
        stranger = people.add_member(session, other.id, "Stranger", "coach")
    for what in ("role", "shut-out", "password"):
        sent = {"what": what, "role": "owner", "password": PASSWORD}
        assert client.post(f"/members/{stranger.id}", data=sent).status_code == 404
    assert "Stranger" not in client.get("/members").text


def test_the_audit_log_names_who_and_whom(client, owner):
    client.get(f"/athletes/{owner.athlete_id}")
    page = client.get(f"/audit-log?athlete={owner.athlete_id}").text
    assert "Ada Quill" in page
    assert "A-17" in page
    assert "read" in page


def test_a_demo_signs_its_visitors_in(tmp_path):
    app = create_app(Settings(data_folder=tmp_path, measuring_threads=0, demo=True), DrawnPersonMeasurer())
    with app.state.services.database.begin() as session:
        people.add_member(session, people.add_practice(session, "Demo", demo=True).id, "Guest", "owner")
    with TestClient(app, follow_redirects=False) as browser:
        assert browser.get("/athletes").status_code == 200


def test_the_demo_setting_opens_no_real_practice(settings, practice):
    app = create_app(settings.model_copy(update={"demo": True}), DrawnPersonMeasurer())
    with TestClient(app, follow_redirects=False) as visitor:
        assert visitor.get("/athletes").status_code == 303
        assert visitor.get(f"/athletes/{practice.athlete_id}").headers["location"].startswith("/sign-in")
