"""The pages with the real measurer: good photos are measured, every kind of bad one is kept and says what to do."""

import io
from html import unescape

import numpy as np
import pillow_heif
import pytest
from PIL import Image
from starlette.testclient import TestClient

from app.main import create_app
from app.photos.store import ORIGINAL
from app.photos.vision_measurer import VisionMeasurer
from tests.app.practice import begin_practice
from tests.samples import PICTURES, KnowingFinder, sample, true_deg
from vision.findings import TEXTS
from vision.mediapipe_finder import MediapipeFinder


@pytest.fixture
def knowing(settings):
    """A practice in which the sample pictures are measured from their true landmarks, others find nobody."""
    app = create_app(settings, VisionMeasurer(finders=(KnowingFinder(),)))
    yield begin_practice(app.state.services)
    app.state.services.database.close()


@pytest.fixture(scope="module")
def finder():
    return MediapipeFinder()


@pytest.fixture
def looking(settings, finder):
    """A practice with the pose model, as it is run."""
    app = create_app(settings, VisionMeasurer(finders=(finder,)))
    yield begin_practice(app.state.services)
    app.state.services.database.close()


def jpeg(size=(1200, 900), colour=(120, 120, 120), form="JPEG"):
    out = io.BytesIO()
    Image.new("RGB", size, colour).save(out, form)
    return out.getvalue()


def page(practice, path):
    app = create_app(practice.services.settings, practice.services.measurer)
    with TestClient(app) as browser:
        practice.sign_in(browser)
        return browser.get(path).text


def person(name, side):
    return sample(name, side).read_bytes()


def test_angles_of_a_round_are_the_true_ones_within_their_bands(knowing):
    round_id = knowing.round()
    for side in ("start", "left", "right"):
        knowing.send(round_id, side, person("person03", side))
    knowing.measure()
    for trial in knowing.load(round_id).trials:
        low, high = trial.current.rotation.band_right_deg
        assert low <= true_deg("person03", trial.side) <= high


def test_photos_given_for_the_wrong_sides_are_told_and_exchanged_by_one_button(knowing):
    round_id = knowing.round()
    knowing.send(round_id, "left", person("person03", "right"))
    knowing.send(round_id, "right", person("person03", "left"))
    knowing.measure()
    text = page(knowing, f"/rounds/{round_id}")
    assert TEXTS["sides-exchanged"].message in text
    app = create_app(knowing.services.settings, knowing.services.measurer)
    with TestClient(app, follow_redirects=False) as browser:
        knowing.sign_in(browser)
        assert browser.post(f"/rounds/{round_id}/exchange").status_code == 303
    knowing.measure()
    assert all(t.current.rotation.magnitude_deg > 0 for t in knowing.load(round_id).trials)
    assert TEXTS["sides-exchanged"].message not in page(knowing, f"/rounds/{round_id}")


def test_the_same_picture_stored_anew_is_noticed(knowing):
    round_id = knowing.round()
    knowing.send(round_id, "left", person("person03", "left"))
    again = io.BytesIO()
    Image.open(sample("person03", "left")).save(again, "JPEG", quality=93)
    knowing.send(round_id, "left", again.getvalue())
    knowing.send(round_id, "right", person("person03", "right"))
    knowing.measure()
    codes = [[f.code for f in t.photos[0].measurement.landmarks.findings] for t in knowing.load(round_id).trials]
    assert [("photo-twice" in c) for c in codes] == [False, True, False]


def bomb():
    # 12,000 x 9,000 pixels of one colour: a small file, 108 megapixels
    return jpeg((12_000, 9_000), form="PNG")


BAD = {
    "zero bytes": (lambda: b"", "photo-empty"),
    "not a picture": (lambda: b"Dear doctor, " * 50, "photo-not-a-picture"),
    "a PDF": (lambda: b"%PDF-1.7 " * 50, "photo-type-unsupported"),
    "cut short": (lambda: person("person01", "left")[:20_000], "photo-damaged"),
    "too many pixels": (bomb, "photo-too-many-pixels"),
}


@pytest.mark.parametrize("kind", BAD)
def test_a_bad_file_is_kept_says_its_remedy_and_spoils_no_other(kind, knowing):
    data, code = BAD[kind][0](), BAD[kind][1]
    round_id = knowing.round()
    knowing.send(round_id, "left", person("person03", "left"))
    bad = knowing.send(round_id, "right", data)
    knowing.send(round_id, "right", person("person03", "right"))
    knowing.measure()
    left, kept, right = knowing.load(round_id).trials
    assert left.current.rotation
    assert right.current.rotation
    assert kept.photos[0].state == "not-measurable"
    assert [f.code for f in kept.current.rotation.findings] == [code]
    assert knowing.services.store.get(bad.id, ORIGINAL) == data
    text = page(knowing, f"/rounds/{round_id}/photos")
    assert TEXTS[code].advice.split("{")[0][:40] in unescape(text)
    assert "Measure it by hand" in text


@pytest.mark.parametrize("name", ["standing.jpg", "legs.jpg", "black frame"])
def test_a_photo_without_anybody_kneeling_is_shown_with_the_reason(name, looking):
    data = jpeg(colour=(0, 0, 0)) if name == "black frame" else (PICTURES / name).read_bytes()
    round_id = looking.round("left", data=data)
    (trial,) = looking.load(round_id).trials
    assert trial.photos[0].state == "not-measurable"
    assert trial.photos[0].shown
    assert trial.current.rotation.findings
    assert all(f.advice for f in trial.current.rotation.findings if f.withholds)
    text = page(looking, f"/photos/{trial.photos[0].id}/correct")
    assert "place all four points" in text


def test_a_12_megapixel_heic_is_measured_like_any_photo(looking):
    pixels = np.asarray(Image.open(sample("person05", "left")).resize((4000, 3000)))
    out = io.BytesIO()
    pillow_heif.from_pillow(Image.fromarray(pixels)).save(out, quality=50, enc_params={"preset": "ultrafast"})
    round_id = looking.round("left", data=out.getvalue())
    (trial,) = looking.load(round_id).trials
    assert trial.photos[0].state == "measured"
    assert (trial.photos[0].width, trial.photos[0].media_type) == (4000, "image/heic")
