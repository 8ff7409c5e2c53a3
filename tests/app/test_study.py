"""A practice's own agreement study, from a spreadsheet to its standard error of measurement."""

import csv
import io

import numpy as np
import pytest
from typer.testing import CliRunner

from app.cli import main
from app.errors import InputError
from app.study import read_study, standard_errors, study_of
from vision.agreement import agreement_study


def readings(people=6, raters=2, days=2, trials=3):
    rng = np.random.default_rng(3)
    truth = rng.normal(45, 8, size=(people, 1, 1, 1))
    return np.round(truth + rng.normal(0, 3, size=(people, raters, days, trials)), 1)


def table(angles, decimal_comma=False):
    text = io.StringIO()
    writer = csv.writer(text, delimiter=";" if decimal_comma else ",")
    writer.writerow(["person", "rater", "day", "angle_deg"])
    for person, rater, day, trial in np.ndindex(*angles.shape):
        angle = str(angles[person, rater, day, trial])
        writer.writerow([f"P{person:02}", f"R{rater}", day + 1, angle.replace(".", ",") if decimal_comma else angle])
    return text.getvalue()


@pytest.mark.parametrize("decimal_comma", [False, True])
@pytest.mark.parametrize("byte_order_mark", ["", "\ufeff"])
def test_a_table_from_a_spreadsheet_gives_the_study_of_its_readings(decimal_comma, byte_order_mark):
    angles = readings()
    study = study_of(read_study(byte_order_mark + table(angles, decimal_comma)), trials=3)
    assert study.components_deg2 == pytest.approx(agreement_study(angles).components_deg2)


def test_only_the_questions_the_study_can_answer_are_answered():
    def questions(**sizes):
        return [line.question for line in standard_errors(agreement_study(readings(**sizes)))]

    assert len(questions()) == 4
    assert questions(raters=1, days=1) == ["left against right in one round"]
    assert questions(raters=1, trials=1) == ["retest on another day, same rater"]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "no column person, rater, day, angle_deg"),
        ("person,rater,angle_deg\nA,B,41\n", "no column day"),
        ("person,rater,day,angle_deg\nA,B,1,41\nA,B,1,far\n", "Line 3"),
        ("person,rater,day,angle_deg\nA,B,monday,41\n", "Line 2"),
        ("person,rater,day,angle_deg\nA,B,1,nan\n", "Line 2"),
        ("person,rater,day,angle_deg\nA,B,1\n", "Line 2"),
        ("angle_deg,day,person,rater\n41,1,A\n", "Line 2"),
        ("person;rater;day;angle_deg\nA;B;1\n", "Line 2"),
        ("person,rater,day,angle_deg\nA, ,1,41\n", "Line 2"),
        ("person,rater,day,angle_deg\nA,B,1,1e308\n", "Line 2"),
        (f"person,rater,day,angle_deg\n{'A' * 200_000},B,1,41\n", "Line 2"),
        ("A" * 200_000, "Line 1"),
    ],
)
def test_a_table_that_cannot_be_read_says_where(text, told):
    with pytest.raises(InputError, match=told):
        read_study(text)


def test_the_command_prints_the_standard_error_and_who_was_left_out(tmp_path):
    file = tmp_path / "study.csv"
    file.write_text(table(readings()) + "P99,R0,1,44\n", encoding="utf-8")
    done = CliRunner().invoke(main, ["agreement", str(file)])
    assert done.exit_code == 0
    expected = agreement_study(readings()).standard_error(3)
    row = next(line for line in done.stdout.splitlines() if "same rater" in line)
    assert f"{expected.sem_deg:.1f}°" in row
    assert f"{expected.mdc95_deg:.1f}°" in row
    assert "P99" in done.stdout
    assert "Fewer than 50 people" in done.stdout


def test_the_command_says_in_words_when_the_readings_are_too_few(tmp_path):
    file = tmp_path / "study.csv"
    file.write_text(table(readings(people=1)), encoding="utf-8")
    done = CliRunner().invoke(main, ["agreement", str(file)])
    assert done.exit_code == 3
    assert "at least two are needed" in done.stderr


def test_the_command_refuses_a_file_that_is_no_table(tmp_path):
    file = tmp_path / "photo.jpg"
    file.write_bytes(b"\xff\xd8\xff\xe0")
    assert CliRunner().invoke(main, ["agreement", str(file)]).exit_code == 2
    assert CliRunner().invoke(main, ["agreement", str(tmp_path / "nowhere.csv")]).exit_code == 2
