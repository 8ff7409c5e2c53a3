"""Every page around the measurement: no serious accessibility finding, light, and no sideways scrolling on a phone."""

import re
from datetime import timedelta

import pytest
from playwright.sync_api import expect

from app.care.drills import DRILLS
from app.care.safety import KEYS, Answer
from app.records import consents, plans, visits
from app.records.columns import now
from app.security import first_run
from tests.browser.conftest import DESK, serious_findings
from tests.browser.test_every_page import LIGHT_BYTES

FAR_AWAY = now() + timedelta(days=30)
DATA_PICTURES = re.compile(rb"data:image/jpeg;base64,[^\"]+")  # photos inside the report


def paths(practice):
    practice.round("start", "left", "right")
    round_id = practice.round("start", "left", "left", "right")
    practice.measure()
    visit_id = practice.load(round_id).visit_id
    photo_id = practice.load(round_id).trials[1].photos[0].id
    athlete_id = practice.athlete_id
    at = practice.practice_id
    with practice.services.database.begin() as session:
        consents.set_consents(session, at, athlete_id, ["measuring", "records", "sharing"], practice.member_id)
        flagged = {key: Answer.YES if key in ("cancer", "osteoporosis") else Answer.NO for key in KEYS}
        visits.add_screen(session, at, visit_id, flagged, practice.member_id)
        told = {"words": "stiff", "pain_now": 3, "pain_worst": 6, "sites": ["back-upper-left"]}
        visits.add_complaint(session, at, visit_id, written_by=practice.member_id, **told)
        doses = [(d.key, d.dose) for d in DRILLS]
        plan_id = plans.add_plan(session, at, athlete_id, doses, "Gently", practice.member_id).id
        secret = plans.make_link(session, at, plan_id, FAR_AWAY)
    return [
        "/athletes",
        f"/athletes/{athlete_id}",
        f"/athletes/{athlete_id}/trend",
        f"/athletes/{athlete_id}/plan",
        f"/athletes/{athlete_id}/report?for=doctor&pictures=clear",
        f"/athletes/{athlete_id}/report?for=coach",
        f"/athletes/{athlete_id}/data",
        "/api/docs",
        f"/visits/{visit_id}",
        f"/visits/{visit_id}/safety",
        f"/visits/{visit_id}/complaint",
        f"/visits/{visit_id}/set-up",
        f"/rounds/{round_id}/decision",
        f"/rounds/{round_id}/notes",
        f"/rounds/{round_id}/clearer",
        f"/photos/{photo_id}/blind",
        f"/photos/{photo_id}/blind/result",
        f"/plans/{plan_id}",
        f"/p/{secret}",
        "/members",
        "/practice/own-error",
        "/account",
        "/audit-log",
        "/first-run",
    ]


@pytest.mark.parametrize("kind", [{}, {**DESK, "is_mobile": False}], ids=["phone", "desk"])
def test_pages_have_no_serious_accessibility_finding_and_do_not_scroll_sideways(open_page, site, kind):
    page = open_page(**kind)
    found = {}
    for path in paths(site.practice):
        assert page.goto(path).status == 200, path
        assert page.url.endswith(path), f"{path} was not seen: it leads to {page.url}"
        width = page.evaluate("[document.documentElement.scrollWidth, window.innerWidth]")
        assert width[0] <= width[1], path
        page.evaluate("document.querySelectorAll('details').forEach((d) => (d.open = true))")
        found[path] = serious_findings(page)
    assert {path: f for path, f in found.items() if f} == {}


@pytest.mark.parametrize("kind", [{}, {**DESK, "is_mobile": False}], ids=["phone", "desk"])
def test_the_sign_in_form_after_set_up_has_no_serious_accessibility_finding(open_page, site, kind):
    page = open_page("/", **kind)
    page.context.clear_cookies()
    page.goto("/sign-in")
    page.get_by_label("Set-up code").fill(first_run.code(site.practice.services.settings.data_folder))
    page.get_by_label("Name of the practice").fill("Riverbank Movement Practice")
    page.get_by_label("Your name").fill("Bo Lantern")
    page.get_by_label("Your e-mail").fill("bo@example.org")
    page.get_by_label("Password").fill("four words in a row")
    page.get_by_role("button", name="Set up").click()
    page.goto("/account")
    page.get_by_role("button", name="Sign out of this browser").click()
    expect(page.get_by_role("heading", name="Sign in")).to_be_visible()
    assert page.get_by_label("E-mail").count() == page.get_by_label("Password").count() == 1
    assert serious_findings(page) == []

    page.get_by_label("E-mail").fill("bo@example.org")
    page.get_by_label("Password").fill("not these words at all")
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("alert")).to_contain_text("E-mail or password is wrong.")
    assert serious_findings(page) == []
    width = page.evaluate("[document.documentElement.scrollWidth, window.innerWidth]")
    assert width[0] <= width[1]


def test_pages_are_light_without_their_photos(open_page, site):
    page = open_page()
    weights = {}
    for path in paths(site.practice):
        sizes = []
        page.on("response", lambda r, sizes=sizes: sizes.append(r))
        page.goto(path)
        page.wait_for_load_state("networkidle")
        weights[path] = sum(
            len(r.body()) - sum(map(len, DATA_PICTURES.findall(r.body())))
            for r in sizes
            if r.ok and "image/jpeg" not in r.headers.get("content-type", "")
        )
    assert {path: size for path, size in weights.items() if size > LIGHT_BYTES} == {}
    assert min(weights.values()) > 1000
