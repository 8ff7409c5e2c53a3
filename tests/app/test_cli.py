"""The command line as scripts see it: exit codes, clean JSON, one bad photo among good ones, overlays."""

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest
from PIL import Image

from app import cli
from tests.samples import PEOPLE, PICTURES, KnowingFinder, sample, true_deg
from tests.vision.test_photo import bomb
from vision import two_eyes
from vision.report_json import schema

ROOT = Path(__file__).parents[2]


@pytest.fixture
def kneelturn(monkeypatch, capsys):
    """Run a command in this process with landmarks that are known; return exit code, standard output and error."""
    monkeypatch.setattr(two_eyes, "default_finders", lambda _which: (KnowingFinder(),))

    def run(*arguments):
        with pytest.raises(SystemExit) as ended:
            cli.run([str(a) for a in arguments])
        out = capsys.readouterr()
        return ended.value.code or 0, out.out, out.err

    return run


def measured(kneelturn, *arguments) -> dict:
    code, out, _ = kneelturn("measure", *arguments, "--json", "-")
    report = json.loads(out)
    jsonschema.validate(report, schema(), cls=jsonschema.Draft202012Validator)
    report["exit"] = code
    return report


def photos(person="person01"):
    return [x for side in ("start", "left", "right") for x in (f"--{side}", sample(person, side))]


# ---- the contract of the JSON


def test_the_schema_itself_is_valid(kneelturn):
    jsonschema.Draft202012Validator.check_schema(schema())
    code, out, _ = kneelturn("schema")
    assert code == 0
    assert json.loads(out) == schema()


def test_a_round_gives_one_entry_a_photo_and_left_against_right(kneelturn):
    report = measured(kneelturn, *photos())
    assert report["exit"] == 0
    assert (report["schema"], report["schema_version"]) == ("kneelturn-measurement", 1)
    assert [(p["side"], p["file"]) for p in report["photos"]] == [
        (side, str(sample("person01", side))) for side in ("start", "left", "right")
    ]
    _, left, right = report["photos"]
    assert left["rotation_deg"] == -left["rotation_right_deg"] > 0
    assert right["rotation_deg"] == right["rotation_right_deg"] > 0
    for photo in (left, right):
        low, high = photo["band_deg"]
        assert low < photo["rotation_deg"] < high
    x, y, sd_px, seen = left["landmarks"]["acromion_left"]
    assert (x, y) == tuple(PEOPLE["person01"]["left"]["landmarks_px"]["acromion_left"])
    assert (sd_px, seen) == (KnowingFinder.sd_px, True)
    sides, difference = report["sides"], report["difference"]
    assert difference["left_minus_right_deg"] == pytest.approx(
        sides["left"]["mean_deg"] - sides["right"]["mean_deg"], abs=0.011
    )
    assert difference["decision"] == "no-difference-shown"
    assert difference["band_deg"][0] < difference["left_minus_right_deg"] < difference["band_deg"][1]


def test_bands_hold_the_truth(kneelturn):
    report = measured(kneelturn, *photos())
    for photo in report["photos"]:
        true = true_deg("person01", photo["side"]) * {"left": -1}.get(photo["side"], 1)
        assert photo["band_deg"][0] <= true <= photo["band_deg"][1]


def test_repeated_options_are_trials_and_commas_join_viewpoints_of_one_trial(kneelturn):
    a, b, c = (sample(p, "left") for p in ("person01", "person02", "person03"))
    report = measured(kneelturn, "--left", a, "--left", f"{b},{c}")
    assert [(p["file"], p["trial"], p["views_in_trial"]) for p in report["photos"]] == [
        (str(a), 1, 1),
        (str(b), 2, 2),
        (str(c), 2, 2),
    ]
    assert len(report["sides"]["left"]["trials_deg"]) == 2
    assert report["photos"][1]["rotation_deg"] == report["photos"][2]["rotation_deg"]


def test_a_comma_in_a_file_name_does_not_split_it(kneelturn, tmp_path):
    odd = tmp_path / "left, second try.jpg"
    shutil.copy(sample("person01", "left"), odd)
    assert [p["file"] for p in measured(kneelturn, "--left", odd)["photos"]] == [str(odd)]


def test_one_side_alone_is_measured_without_a_difference(kneelturn):
    report = measured(kneelturn, "--left", sample("person01", "left"))
    assert report["exit"] == 0
    assert report["sides"]["right"] == {"mean_deg": None, "band_deg": None, "trials_deg": []}
    assert report["difference"]["left_minus_right_deg"] is None
    assert report["difference"]["decision"] == "cannot-compare"


def test_a_tape_measure_narrows_the_band(kneelturn):
    without = measured(kneelturn, *photos())
    taped = measured(kneelturn, *photos(), "--breadth-mm", 380)
    assert taped["exit"] == 0
    assert taped["photos"][1]["band_deg"] != without["photos"][1]["band_deg"]


def test_the_same_photos_give_the_same_json(kneelturn):
    assert measured(kneelturn, *photos()) == measured(kneelturn, *photos())


def test_json_to_a_file_leaves_the_table_on_standard_output(kneelturn, tmp_path):
    target = tmp_path / "result.json"
    code, out, _ = kneelturn("measure", *photos(), "--json", target)
    assert code == 0
    jsonschema.validate(json.loads(target.read_text("utf-8")), schema())
    assert "left minus right" in out


# ---- for people


def test_the_table_names_angle_band_difference_and_decision(kneelturn):
    code, out, err = kneelturn("measure", *photos())
    assert code == 0
    assert re.search(r"left\s+1\s+\d+\.\d°\s+\d+\.\d° to \d+\.\d°", out)
    assert "no difference shown" in out
    assert "a licensed practitioner decides" in " ".join(out.split())
    assert "measuring 3 of 3" in err, "progress goes to the standard error stream"


def test_findings_are_printed_with_the_photo_they_are_about(kneelturn):
    code, out, _ = kneelturn("measure", "--left", sample("person01", "right"), "--right", sample("person01", "left"))
    text = " ".join(out.split())
    assert code == 0
    assert "given as left rotation, but the chest opens to the person's right" in text
    assert "left and right look exchanged" in text


def test_overlays_are_written_for_every_photo_that_can_be_opened(kneelturn, tmp_path):
    folder = tmp_path / "new" / "overlays"
    broken = tmp_path / "broken.jpg"
    broken.write_bytes(b"nothing")
    code, *_ = kneelturn("measure", *photos(), "--left", broken, "--overlay", folder)
    assert code == 0
    names = ["left-1-person01_left.jpg", "right-1-person01_right.jpg", "start-1-person01_start.jpg"]
    assert sorted(p.name for p in folder.iterdir()) == names
    for name in names:
        with Image.open(folder / name) as picture:
            assert picture.size == (1200, 900)


def test_overlays_of_viewpoints_with_the_same_name_do_not_overwrite_each_other(kneelturn, tmp_path):
    again = tmp_path / "again"
    again.mkdir()
    shutil.copy(sample("person01", "left"), again)
    views = f"{sample('person01', 'left')},{again / 'person01_left.jpg'}"
    kneelturn("measure", "--left", views, "--overlay", tmp_path / "drawn")
    assert len(list((tmp_path / "drawn").iterdir())) == 2


def test_a_file_name_that_is_no_text_does_not_end_in_a_stack_trace(tmp_path):
    odd = os.fsencode(tmp_path) + b"/\xff\xfe.jpg"
    with open(odd, "wb") as file:  # noqa: PTH123 - bytes
        file.write(b"nothing")
    for extra in ([], ["--json", "-"]):
        ran = subprocess.run(
            [sys.executable, "-m", "app.cli", "measure", "--left", odd, *extra],
            cwd=ROOT,
            env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "ascii"},
            capture_output=True,
            timeout=300,
        )
        assert ran.returncode == 3, ran.stderr
        assert b"Traceback" not in ran.stderr
        if extra:
            assert json.loads(ran.stdout)["photos"][0]["findings"][0]["code"] == "photo-not-a-picture"


# ---- exit codes


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"", "photo-empty"),
        (b"a letter", "photo-not-a-picture"),
        (sample("person01", "left").read_bytes()[:5000], "photo-damaged"),
        (bomb(10_000, 10_000), "photo-too-many-pixels"),
        ((PICTURES / "standing.jpg").read_bytes(), "person-not-found"),
    ],
)
def test_one_bad_photo_is_told_and_the_others_are_measured(kneelturn, tmp_path, content, code):
    bad = tmp_path / "bad.jpg"
    bad.write_bytes(content)
    report = measured(kneelturn, "--left", bad, *photos())
    assert report["exit"] == 0
    spoiled = next(p for p in report["photos"] if p["file"] == str(bad))
    assert spoiled["rotation_deg"] is None
    assert spoiled["findings"][0]["code"] == code
    assert spoiled["findings"][0]["advice"]
    assert report["difference"]["left_minus_right_deg"] is not None
    if code != "person-not-found":
        assert spoiled["width"] is None


def test_nothing_measurable_ends_with_3_and_still_gives_json(kneelturn, tmp_path):
    bad = tmp_path / "empty.jpg"
    bad.touch()
    report = measured(kneelturn, "--left", bad, "--right", bad)
    assert report["exit"] == 3
    assert [p["rotation_deg"] for p in report["photos"]] == [None, None]
    assert kneelturn("measure", "--left", bad)[0] == 3


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["measure"], "at least one photo"),
        (["measure", "--left", "nowhere.jpg"], "no file nowhere.jpg"),
        (["measure", "--left", "."], "not a file"),
        (["measure", "--left", "{photo},"], "file name is missing"),
        (["measure", "--left", "{photo}", "--breadth-mm", "12"], "breadth-mm"),
        (["measure", "--left", "{photo}", "--breadth-mm", "wide"], "breadth-mm"),
        (["measure", "--left", "{photo}", "--json", "nowhere/result.json"], "nowhere/result.json"),
        (["measure", "--left", "{photo}", "--overlay", "{photo}"], "--overlay"),
        (["measure", "--middle", "{photo}"], "--middle"),
        (["turn"], "turn"),
    ],
)
def test_bad_usage_ends_with_2_and_says_what_is_wrong(kneelturn, arguments, says):
    photo = str(sample("person01", "left"))
    code, out, err = kneelturn(*(a.replace("{photo}", photo) for a in arguments))
    assert code == 2
    assert out == ""
    assert says in " ".join(err.split())


def test_help_tells_the_exit_codes(kneelturn):
    code, out, _ = kneelturn("measure", "--help")
    assert code == 0
    assert "3: no angle could be measured" in " ".join(out.split())


# ---- as a program of its own, with the finders that users get


def test_json_on_standard_output_is_clean_with_the_real_finders(tmp_path):
    bad = tmp_path / "bad.jpg"
    bad.write_bytes(b"no picture")
    ran = subprocess.run(
        [sys.executable, "-m", "app.cli", "measure", "--left", str(bad), *map(str, photos("person02")), "--json", "-"],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        timeout=300,
    )
    report = json.loads(ran.stdout)
    jsonschema.validate(report, schema())
    assert ran.returncode in (0, 3)
    assert (ran.returncode == 0) == any(p["rotation_deg"] is not None for p in report["photos"] if p["side"] != "start")
    assert all(line.startswith("measuring ") for line in ran.stderr.splitlines()), ran.stderr
    left = next(p for p in report["photos"] if p["side"] == "left" and p["trial"] == 2)
    assert left["in_position"] > 0.9
    assert "shoulder_joint_left" in left["landmarks"]


@pytest.mark.parametrize("which", ["both", "network", "general"])
def test_either_way_of_finding_the_body_can_be_chosen(monkeypatch, kneelturn, which):
    asked = []
    monkeypatch.setattr(two_eyes, "default_finders", lambda use: (asked.append(use), (KnowingFinder(),))[1])
    measured(kneelturn, "--left", sample("person01", "left"), "--finders", which)
    assert [use.value for use in asked] == [which]


def test_an_unknown_way_of_finding_the_body_is_bad_usage(kneelturn):
    code, _, err = kneelturn("measure", "--left", sample("person01", "left"), "--finders", "guess")
    assert code == 2
    assert "network" in err
