"""A self-screen on a phone: Chromium's fake camera, a lost connection, a restarted server, links that do not work."""

import io
import math
import re
import shutil
import socket
import threading
import time
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

import cv2
import numpy as np
import pytest
import uvicorn
from PIL import Image
from playwright.sync_api import expect

from app.main import create_app
from app.records import models, self_screens
from app.records.columns import now
from app.settings import Settings
from tests.app.drawn_person import DrawnPersonMeasurer, picture
from tests.app.practice import Practice, begin_practice
from tests.browser.conftest import CHROMIUM, DESK, FLAGS, PATIENT_MS, PHONE, serious_findings
from tests.browser.fake_camera import film
from vision.camera import world_to_camera

SAMPLES = Path(__file__).parents[2] / "sample_images"
STEPS = ["start", "left-1", "left-2", "left-3", "right-1", "right-2", "right-3"]
NO_NETWORK = re.compile("Failed to load|ERR_INTERNET_DISCONNECTED|ERR_CONNECTION_REFUSED|404|422")
# the film repeats itself, a person never does: blocks in the corner count the frames, so that none is a copy
NO_FRAME_TWICE = """
  const draw = CanvasRenderingContext2D.prototype.drawImage;
  let frames = 0;
  CanvasRenderingContext2D.prototype.drawImage = function (picture, ...rest) {
    draw.call(this, picture, ...rest);
    if (!(picture instanceof HTMLVideoElement)) return;
    frames += 1;
    for (const digit of [0, 1, 2]) {
      const grey = 36 * ((frames >> (3 * digit)) & 7);
      this.fillStyle = `rgb(${grey}, ${grey}, ${grey})`;
      this.fillRect(60 * digit, 0, 60, 60);
    }
  };
"""
# the countdown is seen for a second only: written down while it is shown, asked for afterwards
REMEMBER_SECONDS = """() => {
  const seconds = document.querySelector("[data-part=seconds]");
  window.secondsShown = [];
  new MutationObserver(() => {
    if (seconds.checkVisibility() && seconds.textContent !== window.secondsShown.at(-1))
      window.secondsShown.push(seconds.textContent);
  }).observe(seconds, { attributes: true, childList: true });
}"""


@dataclass
class Restartable:
    """A server that can be stopped and started again at the same address, over the same data."""

    folder: Path
    measurer: object
    practice: Practice | None = None

    def __post_init__(self):
        # bound and not listening: keeps the port from others while the server is away, and refuses who asks meanwhile
        self.kept = socket.socket()
        self.kept.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self.kept.bind(("127.0.0.1", 0))
        self.port = self.kept.getsockname()[1]

    def start(self):
        app = create_app(Settings(data_folder=self.folder, measuring_threads=1), self.measurer)
        self.server = uvicorn.Server(uvicorn.Config(app, port=self.port, log_level="error"))
        self.thread = threading.Thread(target=self.server.run)
        self.thread.start()
        while not self.server.started:
            time.sleep(0.02)
            assert self.thread.is_alive()
        if self.practice is None:
            self.practice = begin_practice(app.state.services)
        else:
            self.practice.services = app.state.services
        return self

    def stop(self):
        self.server.should_exit = True
        self.thread.join()

    @property
    def address(self):
        return f"http://127.0.0.1:{self.port}"


@pytest.fixture(scope="session")
def camera_chromium(chromium, tmp_path_factory):
    """Chromium whose camera shows a sample picture; whoever did not get the permission is refused."""
    path = film(tmp_path_factory.mktemp("film") / "camera.mjpeg", SAMPLES / "person03_left.jpg")
    fake = ["--use-fake-device-for-media-stream", f"--use-file-for-fake-video-capture={path}"]
    browser = chromium.browser_type.launch(
        executable_path=str(CHROMIUM), args=[*FLAGS, *fake, "--deny-permission-prompts"]
    )
    yield browser
    browser.close()


@pytest.fixture
def host(tmp_path, migrated):
    shutil.copy(migrated, tmp_path / migrated.name)
    server = Restartable(tmp_path, DrawnPersonMeasurer()).start()
    yield server
    server.stop()
    server.kept.close()


@pytest.fixture
def link(host):
    """Path of a fresh link."""
    practice = host.practice
    with practice.services.database.begin() as session:
        _id, secret = self_screens.invite(
            session,
            practice.practice_id,
            practice.athlete_id,
            practice.member_id,
            purpose="first",
            days=7,
            submissions=1,
        )
    return f"/self-screen/{secret}"


@pytest.fixture
def phones(camera_chromium, host):
    """Open phones; any error of a page's own fails the test."""
    contexts, problems = [], []

    def open_(*, camera=True, **kind):
        kind = {**PHONE, **kind, "permissions": ["accelerometer", "gyroscope", *(["camera"] if camera else [])]}
        context = camera_chromium.new_context(**kind, base_url=host.address, reduced_motion="reduce")
        context.set_default_timeout(PATIENT_MS)
        context.add_init_script(NO_FRAME_TWICE)
        context.on("page", lambda page: page.on("pageerror", lambda error: problems.append(str(error))))
        context.on(
            "console",
            lambda m: problems.append(m.text) if m.type == "error" and not NO_NETWORK.search(m.text) else None,
        )
        contexts.append(context)
        return context

    yield open_
    for context in contexts:
        context.close()
    assert problems == []


def to_questions(page, link):
    """From the opened link over consent to the questions."""
    page.goto(link)
    for box in page.get_by_role("checkbox").all():
        box.check()
    page.get_by_role("button", name="Go on to the questions").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Questions about your health")


def to_photos(page, link):
    """From the opened link over consent and questions to the photos."""
    to_questions(page, link)
    expect(page.get_by_role("button", name="None of these 7")).to_be_visible()  # the script is there
    for none in page.get_by_role("button", name=re.compile("None of these")).all():
        none.tap()
    page.locator('input[name="inflammatory"][value="no"]').check(force=True)
    page.locator('input[name="pain_now"][value="1"]').check(force=True)
    page.locator('input[name="pain_worst"][value="3"]').check(force=True)
    page.get_by_role("button", name="Go on", exact=True).tap()
    expect(page.get_by_role("heading", level=1)).to_have_text("Start position")
    hurry(page)


def hurry(page):
    """Count down from 1: the tests wait for the countdown, but not for long."""
    expect(page.locator("body.sends-by-itself")).to_be_visible()  # the script is there
    page.evaluate(
        "() => { const i = document.querySelector('input[name=wait]'); i.value = '1'; i.checked = true;"
        " i.dispatchEvent(new Event('change', {bubbles: true})); }"
    )


def step(page, key):
    return page.locator(f'[data-step="{key}"]')


def choose(page, colour, name="photo.jpg"):
    page.locator("#photo").set_input_files({"name": name, "mimeType": "image/jpeg", "buffer": picture(colour)})


def use_camera(page):
    page.get_by_role("button", name="Use the camera").tap()
    expect(page.get_by_role("button", name=re.compile("Take the photo in 1"))).to_be_visible()


def shoot(page):
    page.get_by_role("button", name=re.compile("Take the photo in")).tap()


def submission(host):
    with host.practice.services.database.begin() as session:
        (found,) = self_screens.undecided(session, host.practice.practice_id)
        return found


def stored_photos(host):
    return [p for t in host.practice.load(submission(host).round_id).trials for p in t.photos]


def test_from_the_link_to_the_review_with_the_phones_camera(phones, host, link):
    page = phones().new_page()
    to_photos(page, link)
    use_camera(page)
    page.evaluate(REMEMBER_SECONDS)
    shoot(page)
    expect(step(page, "start")).to_have_class("done")
    assert page.evaluate("window.secondsShown") == ["1"]
    # a new side begins by hand, then the photos of a side follow each other without a touch
    expect(page.get_by_role("heading", level=1)).to_have_text("Left rotation, photo 1 of 3")
    shoot(page)
    expect(step(page, "left-3")).to_have_class("done", timeout=2 * PATIENT_MS)
    expect(page.get_by_role("heading", level=1)).to_have_text("Right rotation, photo 1 of 3")
    expect(page.locator("[data-part=place]")).to_contain_text("right side")
    shoot(page)
    expect(step(page, "right-3")).to_have_class("done", timeout=2 * PATIENT_MS)
    page.locator('input[name="pain_left"][value="0"]').check(force=True)
    page.locator('input[name="pain_right"][value="5"]').check(force=True)
    page.get_by_role("button", name="Send to my practitioner").tap()
    expect(page.get_by_role("heading", level=1)).to_have_text("Sent. Thank you.")

    photos = stored_photos(host)
    assert len(photos) == 7
    assert {(p.width, p.height) for p in photos} == {(960, 720)}  # the camera's own pixels, nothing scaled
    assert page.goto(link).status == 404

    desk = phones(**DESK, is_mobile=False)
    name, value = host.practice.session_cookie()
    desk.add_cookies([{"name": name, "value": value, "url": host.address}])
    review = desk.new_page()
    review.goto("/review-queue")
    expect(review.get_by_text("Pain while turning to the right: 5 of 10.")).to_be_visible()
    review.get_by_role("link", name=re.compile("Review.*A-17")).click()
    review.get_by_role("link", name=re.compile("Correct on the picture.*Left rotation, photo 1")).click()
    expect(review.get_by_role("slider", name="left shoulder tip")).to_be_visible()
    review.go_back()
    review.get_by_role("button", name="Accept: it enters the trend").click()
    expect(review.get_by_text("Nothing waits for you.")).to_be_visible()


def test_what_the_camera_saw_is_judged_by_the_measuring_that_every_photo_gets(phones, host, link):
    from app.photos.vision_measurer import VisionMeasurer

    host.stop()
    host.measurer = VisionMeasurer()
    host.start()
    page = phones().new_page()
    to_photos(page, link)
    dark = io.BytesIO()
    Image.open(SAMPLES / "person01_start.jpg").point(lambda value: value // 20).save(dark, "JPEG")
    page.locator("#photo").set_input_files({"name": "a.jpg", "mimeType": "image/jpeg", "buffer": dark.getvalue()})
    expect(page.locator("[data-part=remedy-words]:visible")).to_have_text(
        "Too dark. Switch on the lights.", timeout=2 * PATIENT_MS
    )
    (photo,) = stored_photos(host)
    assert "photo-dark" in {f.code for f in photo.measurement.landmarks.findings}
    use_camera(page)
    shoot(page)
    expect(step(page, "start")).to_have_class("done", timeout=2 * PATIENT_MS)
    newest = stored_photos(host)[-1]
    assert newest.measurement.landmarks.in_position > 0.5
    assert not [f for f in newest.measurement.landmarks.findings if f.withholds]


def test_a_refused_camera_leads_to_choosing_a_photo(phones, host, link):
    page = phones(camera=False).new_page()
    to_photos(page, link)
    page.get_by_role("button", name="Use the camera").tap()
    expect(page.locator("[data-part=say]")).to_contain_text("Choose a photo instead")
    expect(page.get_by_role("button", name="Use the camera")).to_be_hidden()
    choose(page, (90, 120, 90))
    expect(step(page, "start")).to_have_class("done")
    assert [c.source for c in submission(host).captures] == ["file"]


def test_a_fault_is_said_in_one_remedy_and_after_two_tries_the_photo_is_kept(phones, link):
    page = phones().new_page()
    to_photos(page, link)
    choose(page, (0, 0, 0))
    expect(page.locator("[data-part=remedy-words]:visible")).to_be_visible()
    expect(step(page, "start")).to_have_class("again")
    choose(page, (1, 1, 1))
    expect(step(page, "start")).to_contain_text("kept, your practitioner will look at it")
    expect(page.get_by_role("heading", level=1)).to_have_text("Left rotation, photo 1 of 3")


NEVER_STORED = """
const open = IDBDatabase.prototype.transaction;
IDBDatabase.prototype.transaction = function (...asked) {
  const opened = open.apply(this, asked);
  if (asked[1] === "readwrite") Object.defineProperty(opened, "oncomplete", { set() {} });
  return opened;
};
"""


def test_a_storage_that_never_answers_does_not_hold_a_photo_back(phones, host, link):
    page = phones().new_page()
    page.add_init_script(NEVER_STORED)
    to_photos(page, link)
    choose(page, (90, 120, 90))
    expect(step(page, "start")).to_have_class("done")
    assert len(submission(host).captures) == 1


def test_a_photo_that_the_phone_could_not_keep_is_not_said_to_be_kept(phones, link):
    context = phones()
    page = context.new_page()
    page.add_init_script(NEVER_STORED)
    to_photos(page, link)
    context.set_offline(True)
    choose(page, (90, 120, 90))
    expect(page.locator("[data-part=queue-words]:visible")).to_have_text("1 photo is not sent yet.")
    expect(page.locator("[data-part=queue-why]:visible")).to_contain_text("leave the page open until it is sent")
    context.set_offline(False)
    expect(step(page, "start")).to_have_class("done")


OPENS_WHEN_TOLD = """
const open = IDBFactory.prototype.open;
IDBFactory.prototype.open = function (...asked) {
  const request = open.apply(this, asked);
  const told = new Promise((go) => { window.openStorage = go; });
  Object.defineProperty(request, "onsuccess", {
    set(wanted) { request.addEventListener("success", () => told.then(wanted)); },
  });
  return request;
};
"""


def test_a_photo_taken_while_the_storage_still_opens_is_kept(phones, host, link):
    context = phones()
    page = context.new_page()
    page.add_init_script(OPENS_WHEN_TOLD)
    to_photos(page, link)
    context.set_offline(True)
    choose(page, (90, 120, 90))
    expect(page.locator("[data-part=still]")).to_be_visible()
    page.evaluate("window.openStorage()")
    expect(page.locator("[data-part=queue-words]:visible")).to_have_text(
        "1 photo is not sent yet. It is kept on this phone."
    )
    page.close()
    context.set_offline(False)
    again = context.new_page()
    again.goto(link)
    expect(step(again, "start")).to_have_class("done")
    assert [c.step for c in submission(host).captures] == ["start"]


def test_a_cut_connection_and_a_closed_tab_lose_no_photo(phones, host, link):
    context = phones()
    page = context.new_page()
    to_photos(page, link)
    context.set_offline(True)
    choose(page, (90, 120, 90))
    expect(page.locator("[data-part=queue-words]:visible")).to_have_text(
        "1 photo is not sent yet. It is kept on this phone."
    )
    choose(page, (90, 120, 200))  # nobody is held up: the next photo can be taken meanwhile
    expect(page.locator("[data-part=queue-words]:visible")).to_have_text(
        "2 photos are not sent yet. They are kept on this phone."
    )
    expect(step(page, "left-1")).to_have_text(re.compile("on this phone, not sent yet"))
    page.close()
    assert submission(host).captures == ()

    context.set_offline(False)
    again = context.new_page()
    again.goto(link)
    expect(step(again, "left-1")).to_have_class("done")
    expect(again.locator("[data-part=queue]")).to_be_hidden()
    assert sorted(c.step for c in submission(host).captures) == ["left-1", "start"]


def test_a_connection_that_comes_back_sends_by_itself_and_stores_nothing_twice(phones, host, link):
    context = phones()
    page = context.new_page()
    to_photos(page, link)
    answers = []

    def lose_the_answer(route):
        answers.append(route.fetch().status)  # the photo arrives, the phone never hears of it
        route.abort("connectionreset")

    page.route(f"**{link}/photos", lose_the_answer, times=2)
    choose(page, (90, 120, 90))
    expect(step(page, "start")).to_have_class("done", timeout=2 * PATIENT_MS)
    expect(page.locator("[data-part=queue]")).to_be_hidden()
    assert answers == [201, 201]
    assert len(stored_photos(host)) == 1


def test_a_server_restart_loses_no_photo(phones, host, link):
    page = phones().new_page()
    to_photos(page, link)
    choose(page, (90, 120, 90))
    expect(step(page, "start")).to_have_class("done")
    host.stop()
    use_camera(page)
    shoot(page)
    expect(page.locator("[data-part=queue-words]:visible")).to_contain_text("1 photo is not sent yet")
    host.start()
    expect(page.locator("[data-part=queue]")).to_be_hidden(timeout=2 * PATIENT_MS)
    expect(step(page, "left-1")).to_have_class("done")
    assert len(stored_photos(host)) == 2


def test_a_page_closed_where_there_is_no_network_opens_again_and_goes_on(phones, host, link):
    context = phones()
    page = context.new_page()
    to_photos(page, link)
    expect(page.locator("body.opens-offline")).to_be_visible()
    choose(page, (90, 120, 90))
    expect(step(page, "start")).to_have_class("done")
    host.stop()
    choose(page, (90, 120, 200))
    expect(page.locator("[data-part=queue-words]:visible")).to_have_text(
        "1 photo is not sent yet. It is kept on this phone."
    )
    page.close()

    again = context.new_page()
    again.goto(link)
    expect(step(again, "start")).to_have_class("done")  # the kept page is older: this is the server's last word
    expect(step(again, "left-1")).to_have_text(re.compile("on this phone, not sent yet"))
    expect(again.get_by_role("heading", level=1)).to_have_text("Left rotation, photo 2 of 3")
    use_camera(again)  # the kept page may still use it
    choose(again, (90, 200, 90))
    expect(again.locator("[data-part=queue-words]:visible")).to_have_text(
        "2 photos are not sent yet. They are kept on this phone."
    )
    host.start()
    expect(again.locator("[data-part=queue]")).to_be_hidden(timeout=2 * PATIENT_MS)
    expect(step(again, "left-2")).to_have_class("done")
    assert sorted(c.step for c in submission(host).captures) == ["left-1", "left-2", "start"]


def test_of_a_link_that_has_ended_nothing_is_kept_and_the_server_is_believed(phones, host, link):
    page = phones().new_page()
    to_photos(page, link)
    expect(page.locator("body.opens-offline")).to_be_visible()
    with host.practice.services.database.begin() as session:
        session.query(models.Invitation).one().revoked_at = now()
    choose(page, (90, 120, 90))
    expect(page.locator("[data-part=queue-why]:visible")).to_contain_text("The photos stay on this phone")
    deadline = time.monotonic() + PATIENT_MS / 1000
    while page.evaluate("caches.has('kneelturn-self-screen')"):
        assert time.monotonic() < deadline, "the page is still kept"
        page.wait_for_timeout(100)
    assert page.goto(link).status == 404


def test_two_tabs_and_two_taps_send_one_self_screen(phones, host, link):
    context = phones()
    page = context.new_page()
    to_photos(page, link)
    choose(page, (90, 120, 90))
    expect(step(page, "start")).to_have_class("done")
    other = context.new_page()
    other.goto(link)
    for tab in (page, other):
        tab.get_by_text("I cannot take all photos").tap()
        tab.get_by_role("button", name="Send what is there").tap()
        expect(tab.get_by_role("heading", level=1)).to_have_text("Sent. Thank you.")
    assert len(submission(host).captures) == 1
    assert submission(host).sent_at is not None


def test_links_that_open_nothing_look_the_same(phones, host, link):
    page = phones().new_page()

    def seen(path):
        status = page.goto(path).status
        return status, page.title(), page.locator("main").inner_text()

    def change(**values):
        with host.practice.services.database.begin() as session:
            row = session.query(models.Invitation).one()
            for name, value in values.items():
                setattr(row, name, value)

    guessed = seen("/self-screen/" + "q" * 43)
    change(expires_at=now() - timedelta(days=3))
    expired = seen(link)
    change(expires_at=now() + timedelta(days=3), revoked_at=now())
    revoked = seen(link)
    assert guessed == expired == revoked
    assert guessed[0] == 404
    assert "Ask your practitioner for a new link" in guessed[2] or "ask your practitioner for a new link" in guessed[2]


def test_a_link_revoked_meanwhile_keeps_the_photos_on_the_phone_and_says_so(phones, host, link):
    page = phones().new_page()
    to_photos(page, link)
    with host.practice.services.database.begin() as session:
        session.query(models.Invitation).one().revoked_at = now()
    choose(page, (90, 120, 90))
    expect(page.locator("[data-part=queue-why]:visible")).to_contain_text("The photos stay on this phone")


def test_a_warning_sign_stops_it(phones, link):
    page = phones().new_page()
    to_questions(page, link)
    expect(page.get_by_role("button", name="None of these 7")).to_be_visible()
    page.locator('input[name="saddle"][value="yes"]').check(force=True)
    for none in page.get_by_role("button", name=re.compile("None of these")).all():
        none.tap()
    page.get_by_role("button", name="Go on", exact=True).tap()
    # what was left open is shown, and nothing was sent
    expect(page.locator("fieldset.unanswered").first).to_be_visible()
    assert page.locator('input[name="saddle"][value="yes"]').is_checked()
    page.locator('input[name="inflammatory"][value="no"]').check(force=True)
    for pain in ("pain_now", "pain_worst"):
        page.locator(f'input[name="{pain}"][value="2"]').check(force=True)
    page.get_by_role("button", name="Go on", exact=True).tap()
    expect(page.get_by_role("heading", level=1)).to_have_text("Stop here: no photos now")
    expect(page.get_by_text("Emergency department or the local emergency number: now.")).to_be_visible()


def test_the_tilt_of_the_phone_is_shown_and_sent_with_the_photo(phones, host, link):
    page = phones().new_page()
    to_photos(page, link)
    use_camera(page)
    page.evaluate(
        """() => setInterval(() => window.dispatchEvent(new DeviceMotionEvent("devicemotion", {
          accelerationIncludingGravity: { x: 9.81 * Math.sin(0.1), y: 9.81 * Math.cos(0.1), z: 0 } })), 50)"""
    )
    expect(page.locator("[data-part=level-words]")).to_have_text("tilted by 6°")
    shoot(page)
    expect(step(page, "start")).to_have_class("done")
    # the camera of the screen's side looks the other way, hence the sign
    assert stored_photos(host)[0].roll_deg == pytest.approx(math.degrees(0.1), abs=0.3)


def test_a_face_is_covered_on_the_phone_before_anything_is_sent(phones, host, link):
    page = phones().new_page()
    to_photos(page, link)
    page.get_by_text("Camera, countdown and face").tap()
    page.get_by_text("Blur it on this phone, before sending").tap()
    checks = Image.fromarray(((np.indices((600, 800)).sum(0) // 8 % 2) * 255).astype(np.uint8)).convert("RGB")
    file = io.BytesIO()
    checks.save(file, "JPEG", quality=95)
    page.locator("#photo").set_input_files({"name": "a.jpg", "mimeType": "image/jpeg", "buffer": file.getvalue()})
    canvas = page.locator("[data-part=blur-canvas]")
    expect(canvas).to_be_focused()
    assert submission(host).captures == ()
    for _ in range(10):
        page.keyboard.press("Shift+ArrowRight")  # by keys, from the usual place to the middle and beyond
    page.get_by_role("button", name="Larger patch").tap()
    page.get_by_role("button", name="Use this photo").tap()
    expect(step(page, "start")).to_have_class("done")
    (capture,) = submission(host).captures
    assert capture.face == "blurred-on-phone"
    data = host.practice.services.store.get(capture.photo_id, "original")
    grey = np.asarray(Image.open(io.BytesIO(data)).convert("L"), dtype=float)
    x, y = int(0.68 * 800), int(0.45 * 800)
    assert grey[y - 40 : y + 40, x - 40 : x + 40].std() < 12  # a chequerboard before
    assert grey[y - 40 : y + 40, 20:100].std() > 80


def test_one_more_photo_is_asked_for_and_the_link_leads_there(phones, host, link):
    page = phones().new_page()
    to_photos(page, link)
    choose(page, (90, 120, 90))
    expect(step(page, "start")).to_have_class("done")
    page.get_by_text("I cannot take all photos").tap()
    page.get_by_role("button", name="Send what is there").tap()
    expect(page.get_by_role("heading", level=1)).to_have_text("Sent. Thank you.")
    with host.practice.services.database.begin() as session:
        record = self_screens.undecided(session, host.practice.practice_id)[0]
        self_screens.ask_for_photo(
            session,
            host.practice.practice_id,
            record.id,
            host.practice.member_id,
            step="left-2",
            reason="Part of the body is outside the picture.",
        )
    page.goto(link)
    expect(page.get_by_role("heading", level=1)).to_have_text("Left rotation, photo 2 of 3")
    expect(page.locator("[data-part=reason]")).to_contain_text("outside the picture")
    expect(page.locator("body.sends-by-itself")).to_be_visible()
    choose(page, (20, 160, 90))
    expect(step(page, "left-2")).to_have_class("done")
    page.get_by_role("button", name="Send to my practitioner").tap()
    expect(page.get_by_role("heading", level=1)).to_have_text("Sent. Thank you.")
    assert submission(host).open_requests == ()


def test_without_scripts_the_photos_are_sent_by_the_form(phones, host, link):
    page = phones(java_script_enabled=False).new_page()
    to_questions(page, link)
    for no in page.locator('input[value="no"]').all():
        no.check(force=True)
    for pain in ("pain_now", "pain_worst"):
        page.locator(f'input[name="{pain}"][value="0"]').check(force=True)
    page.get_by_role("button", name="Go on", exact=True).tap()
    choose(page, (90, 120, 90))
    page.get_by_label("Blur my face when the photo arrives").check()
    page.get_by_role("button", name="Send this photo").tap()
    expect(page.get_by_role("heading", level=1)).to_have_text("Left rotation, photo 1 of 3")
    for _ in range(10 * PATIENT_MS // 1000):
        (capture,) = submission(host).captures
        if capture.face != "to-be-blurred":
            break
        time.sleep(0.1)
    assert capture.face == "head-not-found"  # the drawn person has none, and that is said


@pytest.mark.parametrize("kind", [{}, {**DESK, "is_mobile": False}], ids=["phone", "desk"])
def test_pages_have_no_serious_accessibility_finding_and_do_not_scroll_sideways(phones, host, link, kind):
    context = phones(**kind)
    name, value = host.practice.session_cookie()
    page = context.new_page()
    found = {}

    def check(what):
        page.evaluate("() => document.querySelectorAll('details').forEach((d) => (d.open = true))")
        found[what] = serious_findings(page)
        width = page.evaluate("() => [document.documentElement.scrollWidth, window.innerWidth]")
        assert width[0] <= width[1], what

    page.goto(link)
    check("consent")
    to_questions(page, link)
    check("questions")
    page.goto("/self-screen/nothing")
    check("closed")
    to_photos_again(page, link)
    expect(page.locator("body.sends-by-itself")).to_be_visible()  # the script is there
    check("photos")
    page.get_by_role("button", name="Use the camera").click()
    expect(page.get_by_role("button", name=re.compile("Take the photo in"))).to_be_visible()
    check("camera")
    choose(page, (90, 120, 90))
    expect(step(page, "start")).to_have_class("done")
    page.get_by_role("button", name="Send what is there").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Sent. Thank you.")
    check("sent")
    context.add_cookies([{"name": name, "value": value, "url": host.address}])
    for path in (
        "/review-queue",
        f"/review-queue/{submission(host).id}",
        f"/athletes/{host.practice.athlete_id}/self-screens",
    ):
        page.goto(path)
        check(path)
    page.get_by_role("button", name="Make a link").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Link for A-17")
    check("link")
    assert {what: f for what, f in found.items() if f} == {}


def to_photos_again(page, link):
    page.goto(link)
    for no in page.locator('input[value="no"]').all():
        no.check(force=True)
    for pain in ("pain_now", "pain_worst"):
        page.locator(f'input[name="{pain}"][value="0"]').check(force=True)
    page.get_by_role("button", name="Go on", exact=True).click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Start position")


# ---- small parts of the page's scripts, against independent references


def module(page, name):
    """Address of a script module of the open page."""
    src = page.locator('script[type="module"]').get_attribute("src")
    return src.rsplit("/", 1)[0] + f"/{name}"


def test_sharpness_is_the_variance_of_opencvs_laplacian(phones, link):
    page = phones().new_page()
    to_questions(page, link)
    rgb = np.random.default_rng(3).integers(0, 256, (40, 60, 3), dtype=np.uint8)
    rgba = np.dstack([rgb, np.full((40, 60), 255, np.uint8)])
    got = page.evaluate(
        "async ([src, pixels, w, h]) => (await import(src)).varianceOfLaplacian(new Uint8Array(pixels), w, h)",
        [module(page, "sharpness.js"), rgba.ravel().tolist(), 60, 40],
    )
    grey = rgb.astype(np.float64) @ [0.299, 0.587, 0.114]
    inner = cv2.Laplacian(grey, cv2.CV_64F, ksize=1)[1:-1, 1:-1]
    assert got == pytest.approx(inner.var(), rel=1e-5)


@pytest.mark.parametrize("roll_deg", [-20.0, -3.0, 0.0, 7.5, 30.0])
@pytest.mark.parametrize(
    ("angle", "facing", "sign"), [(0, "environment", 1), (90, "environment", -1), (270, "user", 1)]
)
def test_the_roll_of_the_phone_is_the_roll_of_the_camera_model(phones, link, roll_deg, angle, facing, sign):
    page = phones().new_page()
    to_questions(page, link)
    # where "up" lies for the camera of the model with this roll, a little inclined too
    right, down, forward = world_to_camera(np.array([1.2]), np.array([0.15]), np.radians([roll_deg]))[0] @ np.array(
        [0.0, 0.0, 1.0]
    )
    # the same direction in the phone's axes: x right and y up on the screen, z out of it
    x, y, z = (right, -down, -forward) if facing == "environment" else (-right, -down, forward)
    a = math.radians(angle)  # the screen is turned against the phone
    device = (x * math.cos(a) + y * math.sin(a), -x * math.sin(a) + y * math.cos(a), z)
    got = page.evaluate(
        "async ([src, g, angle, facing]) => (await import(src)).rollDegrees(...g, angle, facing)",
        [module(page, "level.js"), [sign * 9.81 * float(v) for v in device], angle, facing],
    )
    assert got == pytest.approx(roll_deg, abs=1e-6)


def test_a_phone_lying_flat_has_no_roll(phones, link):
    page = phones().new_page()
    to_questions(page, link)
    got = page.evaluate(
        "async (src) => (await import(src)).rollDegrees(0.3, 0.4, 9.8, 0, 'user')", module(page, "level.js")
    )
    assert got is None
