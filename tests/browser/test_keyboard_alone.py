"""A whole first visit on a narrow screen with the keyboard alone; the focus is seen at every step and never lost."""

import re

import pytest
from playwright.sync_api import expect

from tests.browser.test_upload_and_correct import measured, photo

# Where the focus is drawn: on the element, on what stands beside a see-through radio button, or on the label that
# stands for a file field. Seen means an outline of 2 px or more round something opaque, in the window, with no bar
# over all of it (WCAG 2.2, 2.4.7 and 2.4.11).
FOCUS = """(wanted) => {
  const at = document.activeElement;
  if (at === document.body) return { there: false, lost: true, seen: false, what: 'nothing' };
  const opaque = (e) => { for (let n = e; n instanceof Element; n = n.parentElement)
    if (Number(getComputedStyle(n).opacity) < 0.5) return false; return true; };
  const outlined = (e) => { const s = getComputedStyle(e);
    return s.outlineStyle !== 'none' && parseFloat(s.outlineWidth) >= 2; };
  const uncovered = (e) => { const b = e.getBoundingClientRect();
    if (b.width < 8 || b.height < 8) return false;
    return [[.5, .5], [.1, .2], [.9, .2], [.1, .8], [.9, .8]].some(([x, y]) => {
      const top = document.elementFromPoint(b.left + x * b.width, b.top + y * b.height);
      return top && (e.contains(top) || at.contains(top)); }); };
  const beside = [at, at.nextElementSibling, ...(at.labels || [])].filter(Boolean);
  return {
    there: at === wanted,
    lost: false,
    seen: beside.some((e) => outlined(e) && opaque(e) && uncovered(e)),
    what: at.outerHTML.slice(0, 160),
  };
}"""


def tab_to(target, key="Tab"):
    """Press the tabulator until ``target`` has the focus; on the way every stop is seen and none is nowhere."""
    page = target.page
    wanted = target.element_handle()
    for _ in range(120):
        page.keyboard.press(key)
        focus = page.evaluate(FOCUS, wanted)
        assert not focus["lost"], f"the focus left the page before {target}"
        assert focus["seen"], f"the focus is not to be seen: {focus['what']}"
        if focus["there"]:
            return
    raise AssertionError(f"not reached with the keyboard: {target}")


def press(target, then, key="Enter", way="Tab"):
    """Tab to a button or link, press it, and wait for the page that follows."""
    page = target.page
    tab_to(target, way)
    page.keyboard.press(key)
    page.wait_for_url(re.compile(then))


def choose(target, times=0):
    """Tab into a group of radio buttons at ``target``, its first, and go on with the arrow."""
    tab_to(target)
    target.page.keyboard.press("Space")
    for _ in range(times):
        target.page.keyboard.press("ArrowRight")
        assert target.page.evaluate(FOCUS, None)["seen"]


def choose_photos(page, side, *files):
    """Tab to the field of a side and put files in it: the system's own window for choosing is not the page's."""
    field = page.locator(f"#choose-{side}")
    tab_to(field)
    field.set_input_files(list(files))
    assert page.evaluate(FOCUS, field.element_handle())["there"]


def test_a_whole_first_visit_with_the_keyboard_alone(open_page, site):
    page = open_page("/athletes")
    tab_to(page.get_by_label("Code or name"))
    page.keyboard.type("K-22")
    for purpose in ("Photos are taken and measured", "My answers and results are kept", "Reports may be shared"):
        tab_to(page.get_by_label(purpose))
        page.keyboard.press("Space")
    press(page.get_by_role("button", name="Add athlete"), r"/athletes/\w{32}$")
    press(page.get_by_role("button", name="Start a visit"), "/safety$")

    # safety: past the header with the skip link, one precaution told, then back up one question and down again
    tab_to(page.get_by_role("link", name="Skip to the content"))
    page.keyboard.press("Enter")
    shoulder = page.get_by_role("group", name=re.compile("A shoulder that has been out of joint"))
    choose(shoulder.get_by_role("radio", name="No", exact=True), 1)
    expect(shoulder.get_by_role("radio", name="Yes")).to_be_checked()
    page.keyboard.press("Shift+Tab")
    assert page.evaluate(FOCUS, None)["seen"]
    tab_to(page.get_by_role("button", name="All others were asked: no"))
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="Test with the position adapted.")).to_be_visible()
    press(page.get_by_role("link", name="Go on: complaint and pain"), "/complaint$")

    # complaint: words, pain, and a place on the sketch through its list
    tab_to(page.get_by_label("In the athlete's words"))
    page.keyboard.type("stiff between the shoulder blades")
    for group, pain in (("Pain now", 3), ("Worst pain", 6)):
        numbers = page.get_by_role("group", name=re.compile(group))
        choose(numbers.get_by_role("radio", name="0", exact=True), pain)
        expect(numbers.get_by_role("radio", name=str(pain), exact=True)).to_be_checked()
    tab_to(page.locator("summary", has_text="Places as a list"))
    page.keyboard.press("Enter")
    tab_to(page.locator("input[value=back-upper-left]"))
    page.keyboard.press("Space")
    expect(page.locator("[data-site=back-upper-left]")).to_have_attribute("fill", "url(#hatch)")
    press(page.get_by_role("button", name="Save and go on"), "/set-up$")

    # set-up: the hand is changed from what was suggested, the rest stays
    tab_to(page.locator("input[name=hand]:checked"))
    before = page.locator("input[name=hand]:checked").input_value()
    page.keyboard.press("ArrowDown")
    assert page.locator("input[name=hand]:checked").input_value() != before
    press(page.get_by_role("button", name="Go on to the photos"), "/photos$")

    choose_photos(page, "start", photo(colour=(80, 80, 80)))
    choose_photos(page, "left", *(photo(f"l{i}.jpg", (90, 90, 100 + i)) for i in range(2)))
    choose_photos(page, "right", *(photo(f"r{i}.jpg", (90, 100 + i, 90)) for i in range(2)))
    measured(page, "left", 2)
    measured(page, "right", 2)
    press(page.get_by_role("link", name="See the result"), r"/rounds/\w{32}$")
    press(page.get_by_role("link", name="Pain, end feel, faults"), "/notes$")

    # notes on the first trial, then the decision
    first = page.get_by_role("region", name="Left rotation, trial 1")
    choose(first.get_by_role("radio", name="0", exact=True), 4)
    choose(first.get_by_role("group", name="End feel").get_by_role("radio").first, 1)
    tab_to(first.get_by_role("checkbox", name="Hips lifted off the heels"))
    page.keyboard.press("Space")
    press(page.get_by_role("button", name="Save and see the decision"), "/decision")
    expect(page.get_by_text("No difference shown")).to_be_visible()
    expect(page.get_by_text("Strongest pain told at this visit: 4 of 10.")).to_be_visible()

    # drills for a plan, its dose changed, and a link for the athlete
    press(page.get_by_role("link", name="Drills", exact=True), "/plan$")
    drill = page.get_by_role("region", name="Kneeling rotation pulled")
    tab_to(drill.get_by_role("checkbox"))
    page.keyboard.press("Space")
    tab_to(drill.get_by_label("Sets"))
    page.keyboard.type("4")  # what the tabulator reaches is marked, so typing replaces it
    press(page.get_by_role("button", name="Give this plan"), r"/plans/\w{32}")
    expect(page.get_by_text(re.compile(r"\b4 sets"))).to_be_visible()
    press(page.get_by_role("button", name="Make a link"), "/plans/")
    expect(page.locator("a.breakable")).to_be_visible()

    # the report, for the doctor
    press(page.get_by_role("link", name="K-22"), r"/athletes/\w{32}$")
    press(page.get_by_role("link", name="Report", exact=True), "/report")
    reader = page.get_by_label("For", exact=True)
    tab_to(reader)
    expect(reader).to_have_value("athlete")
    page.keyboard.press("ArrowUp")
    expect(reader).to_have_value("doctor")
    press(page.get_by_role("button", name="Show"), "for=doctor")
    expect(page.get_by_role("heading", name="Report for the doctor")).to_be_visible()
    with page.expect_download() as download:
        tab_to(page.get_by_role("link", name="Save as PDF"))
        page.keyboard.press("Enter")
    assert download.value.suggested_filename.startswith("report-doctor-")


def test_trying_a_lost_photo_again_does_not_lose_the_focus(open_page, site):
    page = open_page(f"/rounds/{site.practice.round()}/photos")
    page.context.set_offline(True)
    choose_photos(page, "left", photo("one.jpg"), photo("two.jpg", (20, 90, 120)))
    expect(page.get_by_role("button", name="Leave it")).to_have_count(2)
    tab_to(page.get_by_role("button", name="Leave it").first)
    page.keyboard.press("Enter")
    expect(page.locator("#choose-left")).to_be_focused()
    page.context.set_offline(False)
    tab_to(page.get_by_role("button", name="Try again"))
    page.keyboard.press("Enter")
    expect(page.locator("#choose-left")).to_be_focused()
    measured(page, "left", 1)


@pytest.mark.parametrize(
    "style",
    [
        "*:focus-visible { outline: none !important }",
        "input { opacity: 0 }",
        "body::before { content: ''; position: fixed; inset: 0; z-index: 99 }",
    ],
    ids=["no outline", "see-through", "covered"],
)
def test_the_focus_check_sees_a_focus_that_is_hidden(open_page, style):
    page = open_page("/athletes", bypass_csp=True)
    page.add_style_tag(content=style)
    page.keyboard.press("Tab")
    with pytest.raises(AssertionError, match="not to be seen"):
        tab_to(page.get_by_label("Photos are taken and measured"))
