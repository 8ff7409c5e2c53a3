"""The main job on a phone: photos in, result out, corrected by finger, keyboard, or plain numbers."""

import re
import time

import pytest
from playwright.sync_api import expect

from tests.app.drawn_person import picture
from tests.browser.conftest import PATIENT_MS


def photo(name="photo.jpg", colour=(90, 120, 90)):
    return {"name": name, "mimeType": "image/jpeg", "buffer": picture(colour)}


def send(page, side, *files):
    page.locator(f"#choose-{side}").set_input_files(list(files))


def measured(page, side, count):
    # every row speaks of bands in its hints: a measured one shows the numbers of its own
    rows = page.locator(f"#rows-{side} li.photo-row", has_text=re.compile(r"band\s+−?\d"))
    expect(rows).to_have_count(count)


def number(text):
    return float(re.search(r"−?\d+", text)[0].replace("−", "-"))


def touch_drag(page, start, end):
    """Drag with one finger, as a phone reports it."""
    cdp = page.context.new_cdp_session(page)

    def send_touch(kind, *points):
        touches = [{"x": x, "y": y, "id": 1} for x, y in points]
        cdp.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": touches})

    send_touch("touchStart", start)
    for step in range(1, 6):
        share = step / 5
        send_touch("touchMove", tuple(a + (b - a) * share for a, b in zip(start, end, strict=True)))
    return lambda: send_touch("touchEnd")


def centre(locator):
    box = locator.bounding_box()
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def test_a_second_photo_of_a_turn_is_added_in_sight_and_the_focus_stays(phone, site):
    round_id = site.practice.round("left")
    phone.goto(f"/rounds/{round_id}/photos")
    field = phone.get_by_label("Second photo of Trial 1")
    field.focus()
    field.set_input_files([photo("feet.jpg", (90, 90, 120))])
    expect(phone.get_by_text("Trial 1, viewpoint 2", exact=True)).to_be_visible()
    expect(phone.get_by_text("Every photo was looked at.")).to_be_visible()
    expect(field).to_be_focused()
    (trial,) = site.practice.load(round_id).trials
    assert [p.viewpoint for p in trial.photos] == [1, 2]


def test_from_a_new_round_over_photos_and_result_to_a_correction_by_finger(phone, site):
    phone.goto("/rounds/new")
    phone.get_by_label("Athlete").fill("B-4")
    phone.get_by_role("button", name="Go on to the photos").tap()

    send(phone, "start", photo(colour=(80, 80, 80)))
    send(phone, "left", photo("one.jpg"), photo("two.jpg", (90, 90, 120)))
    send(phone, "right", photo("three.jpg", (120, 90, 90)))
    measured(phone, "left", 2)
    measured(phone, "right", 1)
    phone.get_by_role("link", name="See the result").tap()

    expect(phone.get_by_text("No difference shown")).to_be_visible()
    before = number(phone.locator(".trial .big").first.inner_text())
    phone.get_by_role("link", name="Correct Left rotation, trial 1").tap()

    point = phone.get_by_role("slider", name="left shoulder tip")
    point.scroll_into_view_if_needed()
    x, y = centre(point.locator(".joint"))
    lift = touch_drag(phone, (x, y), (x, y - 60))
    expect(phone.locator(".loupe")).to_be_visible()
    lift()
    expect(phone.locator(".loupe")).to_be_hidden()
    expect(phone.locator("#try-angle:visible")).to_have_text(re.compile(r"\d+°"))
    tried = number(phone.locator("#try-angle").inner_text())
    assert tried > before
    phone.get_by_role("button", name="Save these points").tap()

    expect(phone.locator("#values")).to_contain_text("points moved by Ada Quill")
    values = phone.locator("#values .big").all_inner_texts()
    assert number(values[0]) == before
    assert number(values[1]) == tried
    phone.get_by_role("link", name="Back to the result").tap()
    expect(phone.get_by_text("points moved by Ada Quill")).to_be_visible()
    expect(phone.get_by_text(f"Automatic: {before:.0f}°")).to_be_visible()


def test_a_correction_with_the_keyboard_alone(open_page, site):
    round_id = site.practice.round("left", measure=False)
    page = open_page(f"/rounds/{round_id}")
    expect(page.get_by_text("measured automatically")).to_be_visible()
    photo_id = site.practice.load(round_id).trials[0].photos[0].id
    page.goto(f"/photos/{photo_id}/correct")

    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.dataset.name") == "acromion_left":
            break
    point = page.locator("[data-name=acromion_left]")
    expect(point).to_be_focused()
    y = page.locator("input[name=y-acromion_left]")
    start = float(y.input_value())

    def press(keys, up_px):
        page.keyboard.press(keys)
        expect(y).to_have_value(f"{start - up_px:.1f}")

    page.clock.set_fixed_time("2026-03-04T09:30:00Z")  # keys pressed in one go are undone in one go
    press("ArrowUp", 1)
    press("Shift+ArrowUp", 11)
    page.clock.set_fixed_time("2026-03-04T09:30:05Z")  # after a pause they are another change
    press("ArrowUp", 12)
    press("Control+z", 11)
    press("Control+z", 0)
    press("Control+Shift+z", 11)
    expect(page.locator("#said")).to_have_text(re.compile(r"\d+°, band"))

    page.keyboard.press("Tab")
    for _ in range(40):
        if page.evaluate("document.activeElement.textContent").strip() == "Save these points":
            break
        page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(page.locator("#values")).to_contain_text("points moved by Ada Quill")


def test_escape_during_a_drag_puts_the_point_back(open_page, site):
    round_id = site.practice.round("left")
    photo_id = site.practice.load(round_id).trials[0].photos[0].id
    page = open_page(
        f"/photos/{photo_id}/correct", viewport={"width": 1280, "height": 900}, is_mobile=False, has_touch=False
    )
    point = page.get_by_role("slider", name="left shoulder tip")
    point.scroll_into_view_if_needed()
    x, y = centre(point.locator(".joint"))
    field = page.locator("input[name=y-acromion_left]")
    start = field.input_value()
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x, y - 40, steps=4)
    expect(field).not_to_have_value(start)
    page.keyboard.press("Escape")
    expect(field).to_have_value(start)
    page.mouse.up()
    expect(page.get_by_role("button", name="Undo")).to_be_disabled()


def test_coming_closer_keeps_marks_the_same_size_and_points_in_place(open_page, site):
    round_id = site.practice.round("left")
    photo_id = site.practice.load(round_id).trials[0].photos[0].id
    page = open_page(f"/photos/{photo_id}/correct")
    joint = page.locator("[data-name=acromion_left] .joint")
    field = page.locator("input[name=x-acromion_left]")
    size, place = joint.bounding_box()["width"], field.input_value()
    page.get_by_role("button", name="Closer").tap()
    photo = page.locator("#editor .stage svg").first
    expect(photo).to_have_class("zoomed")
    assert joint.bounding_box()["width"] == pytest.approx(size, abs=1)
    assert field.input_value() == place
    page.get_by_role("button", name="Whole photo").tap()
    expect(photo).to_have_attribute("viewBox", "0 0 800 600")


def test_a_lost_connection_loses_no_photo_and_stores_none_twice(open_page, site):
    round_id = site.practice.round()
    page = open_page(f"/rounds/{round_id}/photos")
    lost = []

    def lose_first(route):
        if route.request.method == "POST" and not lost:
            lost.append(1)
            route.abort("internetdisconnected")
        else:
            route.continue_()

    page.route("**/photos", lose_first)
    send(page, "left", photo())
    expect(page.get_by_text("Not sent yet: no connection. The photo is still here.")).to_be_visible()
    page.get_by_role("button", name="Try again").tap()
    measured(page, "left", 1)
    assert len(site.practice.load(round_id).trials) == 1


def test_an_answer_lost_on_the_way_back_stores_the_photo_once(open_page, site):
    round_id = site.practice.round()
    page = open_page(f"/rounds/{round_id}/photos")
    lost = []

    def lose_answer(route):
        if route.request.method == "POST" and not lost:
            lost.append(route.fetch().status)  # the server has it, the phone does not know
            route.abort("connectionreset")
        else:
            route.continue_()

    page.route("**/photos", lose_answer)
    send(page, "left", photo())
    with page.expect_response("**/photos") as second:
        page.get_by_role("button", name="Try again").tap()
    assert second.value.status == 201
    expect(page.locator("#rows-left > li:not([id])")).to_have_count(0)  # the row of the phone's own is gone
    measured(page, "left", 1)
    assert lost == [201]
    assert len(site.practice.load(round_id).trials) == 1


def test_everything_works_without_scripts(open_page, site):
    round_id = site.practice.round()
    page = open_page(f"/rounds/{round_id}/photos", java_script_enabled=False)
    send(page, "left", photo("one.jpg"), photo("two.jpg", (20, 90, 120)))
    page.locator("#left").get_by_role("button", name="Send", exact=True).tap()
    expect(page.locator("#rows-left > li")).to_have_count(2)
    deadline = time.monotonic() + PATIENT_MS / 1000
    while any(t.waiting for t in site.practice.load(round_id).trials):
        assert time.monotonic() < deadline, "the photos were not measured"
        page.wait_for_timeout(100)
    page.get_by_role("link", name="Look again").tap()
    measured(page, "left", 2)
    page.get_by_role("link", name="See the result").tap()
    page.get_by_role("link", name="Correct Left rotation, trial 1").tap()
    page.get_by_text("The points as numbers").tap()
    page.get_by_label("left shoulder tip, pixels from the top").fill("60")
    page.get_by_role("button", name="Save these points").tap()
    expect(page.locator("#values")).to_contain_text("points moved by Ada Quill")
    page.get_by_role("button", name="Take back").tap()
    expect(page.locator("#values")).to_contain_text("measured automatically")


def test_photos_chosen_while_the_script_is_still_on_its_way_are_sent_too(phone):
    on_its_way = []
    phone.route("**/js/upload.js*", lambda route: on_its_way.append(route))
    phone.goto("/rounds/new")
    phone.get_by_label("Athlete").fill("B-4")
    phone.get_by_role("button", name="Go on to the photos").tap()
    send(phone, "left", photo("one.jpg"), photo("two.jpg", (90, 90, 120)))
    assert len(on_its_way) == 1
    assert phone.locator("#choose-left").evaluate("input => input.files.length") == 2
    on_its_way[0].continue_()
    measured(phone, "left", 2)


def test_a_file_that_is_no_photo_says_why_and_can_get_a_typed_angle(open_page, site):
    round_id = site.practice.round()
    page = open_page(f"/rounds/{round_id}/photos")
    send(page, "right", {"name": "letter.pdf", "mimeType": "image/jpeg", "buffer": b"%PDF-1.7"}, photo())
    measured(page, "right", 1)
    expect(page.get_by_text("This file is not a photo.")).to_be_visible()
    page.get_by_role("link", name="Measure it by hand").tap()
    page.get_by_label("Angle, degrees").fill("41")
    page.get_by_label("How it was found").fill("inclinometer, mean of three")
    page.get_by_role("button", name="Save this angle").tap()
    expect(page.locator("#values")).to_contain_text("41°")
