"""Every page of the main job: no serious accessibility finding, light, and no sideways scrolling on a phone."""

import pytest

from tests.browser.conftest import DESK, serious_findings

LIGHT_BYTES = 150_000


def paths(practice):
    round_id = practice.round("start", "left", "left", "right")
    practice.send(round_id, "right", b"not a photo")
    practice.measure()
    photo_id = practice.load(round_id).trials[1].photos[0].id
    return [
        "/",
        "/rounds/new",
        f"/rounds/{round_id}",
        f"/rounds/{round_id}/photos",
        f"/photos/{photo_id}/correct",
        "/no/such/page",
    ]


@pytest.mark.parametrize("kind", [{}, {**DESK, "is_mobile": False}], ids=["phone", "desk"])
def test_pages_have_no_serious_accessibility_finding_and_do_not_scroll_sideways(open_page, site, kind):
    page = open_page(**kind)
    found = {}
    for path in paths(site.practice):
        with_errors = page.goto(path)
        assert with_errors.status in (200, 404)
        found[path] = serious_findings(page)
        width = page.evaluate("[document.documentElement.scrollWidth, window.innerWidth]")
        assert width[0] <= width[1], path
        page.evaluate("document.querySelectorAll('details').forEach((d) => (d.open = true))")
        found[f"{path}, opened"] = serious_findings(page)
    assert {path: f for path, f in found.items() if f} == {}


SMALL_TARGETS = """() => [...document.querySelectorAll(
    "main input:not([type=hidden]), main button, .button, summary, nav a, .trail a, .bottom a")]
  .filter((e) => e.checkVisibility())
  .map((e) => [e.outerHTML.slice(0, 80), e.getBoundingClientRect()])
  .filter(([, r]) => r.width > 1 && Math.min(r.width, r.height) < 24)
  .map(([html]) => html)"""  # 1 px: moved out of sight, a label stands for it


def test_what_can_be_tapped_is_no_smaller_than_wcag_asks(open_page, site):
    # WCAG 2.2, success criterion 2.5.8: 24 by 24 CSS pixels; links inside a sentence are excepted
    page = open_page()
    small = {}
    athlete = f"/athletes/{site.practice.athlete_id}"
    for path in [*paths(site.practice), athlete, f"{athlete}/self-screens", f"{athlete}/plan", "/members"]:
        page.goto(path)
        page.evaluate("document.querySelectorAll('details').forEach((d) => (d.open = true))")
        small[path] = page.evaluate(SMALL_TARGETS)
    assert {path: s for path, s in small.items() if s} == {}


def test_pages_are_light_without_their_photos(open_page, site):
    page = open_page()
    weights = {}
    for path in paths(site.practice)[:5]:
        sizes = []
        page.on("response", lambda r, sizes=sizes: sizes.append(r))
        page.goto(path)
        page.wait_for_load_state("networkidle")
        weights[path] = sum(len(r.body()) for r in sizes if "image/jpeg" not in r.headers.get("content-type", ""))
    assert {path: size for path, size in weights.items() if size > LIGHT_BYTES} == {}
    assert min(weights.values()) > 1000


def test_the_accessibility_check_sees_a_problem(open_page):
    page = open_page("/")
    page.evaluate("document.querySelector('main').append(document.createElement('input'))")
    assert [name for name, _help, _where in serious_findings(page)] == ["label"]
