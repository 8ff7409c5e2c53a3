"""A whole first visit and its retest on a phone, and a second person who measures blind."""

import re

from playwright.sync_api import expect

from tests.browser.conftest import DESK
from tests.browser.test_upload_and_correct import measured, photo, send


def test_first_visit_and_retest_on_a_phone(open_page, site):
    page = open_page("/athletes")
    page.get_by_label("Code or name").fill("K-21")
    page.get_by_label("Photos are taken and measured").check()
    page.get_by_label("My answers and results are kept").check()
    page.get_by_label("Reports may be shared").check()
    page.get_by_role("button", name="Add athlete").tap()
    page.get_by_role("button", name="Start a visit").tap()

    # safety: one thing to adapt to is reported, the rest was asked
    shoulder = page.get_by_role("group", name=re.compile("A shoulder that has been out of joint"))
    shoulder.get_by_role("radio", name="Yes").tap()
    page.get_by_role("button", name="All others were asked: no").tap()
    expect(page.get_by_role("heading", name="Test with the position adapted.")).to_be_visible()
    page.get_by_role("link", name="Go on: complaint and pain").tap()

    # complaint: words, pain, and a tap on the sketch that ticks the list
    page.get_by_label("In the athlete's words").fill("stiff between the shoulder blades")
    page.get_by_role("group", name="Pain now").get_by_role("radio", name="3", exact=True).tap()
    page.get_by_role("group", name=re.compile("Worst pain")).get_by_role("radio", name="6", exact=True).tap()
    shape = page.locator("[data-site=back-upper-left]")
    shape.scroll_into_view_if_needed()
    shape.tap()
    expect(shape).to_have_attribute("fill", "url(#hatch)")
    expect(page.locator("input[value=back-upper-left]")).to_be_checked()
    page.get_by_role("button", name="Save and go on").tap()

    # set-up and photos
    page.get_by_label("Hand behind the neck").tap()
    page.get_by_role("button", name="Go on to the photos").tap()
    send(page, "start", photo(colour=(80, 80, 80)))
    send(page, "left", *(photo(f"l{i}.jpg", (90, 90, 100 + i)) for i in range(3)))
    send(page, "right", *(photo(f"r{i}.jpg", (90, 100 + i, 90)) for i in range(3)))
    measured(page, "left", 3)
    measured(page, "right", 3)
    page.get_by_role("link", name="See the result").tap()

    # notes on a trial, then the decision
    page.get_by_role("link", name="Pain, end feel, faults").tap()
    first = page.get_by_role("region", name="Left rotation, trial 1")
    first.get_by_role("group", name="Pain at the end range").get_by_role("radio", name="4", exact=True).tap()
    first.get_by_role("checkbox", name="Hips lifted off the heels").tap()
    page.get_by_role("button", name="Save and see the decision").tap()
    expect(page.get_by_text("No difference shown")).to_be_visible()
    expect(page.get_by_text("Strongest pain told at this visit: 4 of 10.")).to_be_visible()
    decision = page.url

    # drills, given as a link that another phone opens without sign-in
    page.get_by_role("link", name="Drills").tap()
    page.get_by_label("Give this drill: Kneeling rotation").check()
    page.get_by_role("button", name="Give this plan").tap()
    page.get_by_role("button", name="Make a link").tap()
    link = page.locator("a.breakable").inner_text()
    athlete = open_page(link)
    athlete.context.clear_cookies()
    athlete.reload()
    athlete.get_by_role("checkbox", name="Kneeling rotation").check()
    athlete.get_by_role("button", name="Note it").tap()
    expect(athlete.get_by_text("Noted. Thank you.")).to_be_visible()

    # retest in the same visit, set up as before without another tap
    page.goto(decision)
    page.get_by_role("link", name="Retest now").tap()
    expect(page.get_by_label("Hand behind the neck")).to_be_checked()
    page.get_by_role("button", name="Go on to the photos").tap()
    send(page, "left", photo("l9.jpg", (95, 90, 120)))
    send(page, "right", photo("r9.jpg", (95, 120, 90)))
    measured(page, "left", 1)
    measured(page, "right", 1)
    page.get_by_role("link", name="See the result").tap()
    page.get_by_role("link", name="Decision and next steps").tap()
    expect(page.get_by_text("Since: First round of this visit")).to_be_visible()
    expect(page.get_by_text("Left rotation: no change shown.")).to_be_visible()

    # report for the doctor, as a file
    page.get_by_role("link", name="Report").tap()
    page.get_by_label("For", exact=True).select_option("doctor")
    page.get_by_role("button", name="Show").tap()
    expect(page.get_by_role("heading", name="Report for the doctor")).to_be_visible()
    with page.expect_download() as download:
        page.get_by_role("link", name="Save as PDF").tap()
    assert download.value.suggested_filename.startswith("report-doctor-")

    # and the trend has both rounds
    page.get_by_role("link", name="K-21").first.tap()
    page.get_by_role("link", name="Trend").tap()
    expect(page.get_by_role("img", name=re.compile("over 2 rounds"))).to_be_visible()


def test_a_second_person_measures_blind_with_the_keyboard(open_page, site):
    practice = site.practice
    round_id = practice.round("left")
    photo_id = practice.load(round_id).trials[0].photos[0].id
    page = open_page(f"/photos/{photo_id}/blind", **{**DESK, "is_mobile": False, "has_touch": False})
    for name in ("left shoulder tip", "right shoulder tip", "left hip joint", "right hip joint"):
        point = page.get_by_role("slider", name=name)
        point.focus()
        page.keyboard.press("Shift+ArrowUp")
    assert page.locator("#try-angle").count() == 0
    page.get_by_role("button", name="Save and compare").click()
    expect(page.get_by_text("Ada Quill, blind")).to_be_visible()
