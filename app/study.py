"""A practice's own agreement study: readings from a spreadsheet in, its standard error of measurement out."""

import csv
import io
from dataclasses import dataclass

from app.errors import InputError
from vision.agreement import AgreementStudy, StandardError, StudyRecord, agreement_study_from_records

COLUMNS = ("person", "rater", "day", "angle_deg")
FEW_PEOPLE = 50
"""Fewer people than this leave the error itself uncertain; 50 is common practice for such studies, no source."""

LARGEST_DEG = 180.0


@dataclass(frozen=True, slots=True)
class StudyLine:
    """One standard error of measurement with the question that it answers."""

    question: str
    error: StandardError


def read_study(text: str) -> tuple[StudyRecord, ...]:
    """Return the readings of a CSV table with the columns person, rater, day, angle_deg.

    Semicolons between the fields and decimal commas, as some spreadsheets write them, are understood.

    Raises
    ------
    InputError
        If a column is missing or a line cannot be read; the message names the line.

    """
    text = text.removeprefix("\ufeff")
    semicolons = ";" in text.partition("\n")[0]
    table = csv.DictReader(io.StringIO(text), delimiter=";" if semicolons else ",")
    records = []
    try:
        missing = [name for name in COLUMNS if name not in (table.fieldnames or ())]
        if missing:
            raise InputError(
                f"The table has no column {', '.join(missing)}.", f"Its first line must be: {','.join(COLUMNS)}"
            )
        for row in table:
            records.append(_reading(row, semicolons))
    except (TypeError, ValueError, AttributeError, csv.Error) as error:
        line = table.line_num + isinstance(error, csv.Error)  # it is counted when it was read
        raise InputError(
            f"Line {line} of the table cannot be read.",
            "Person and rater must be named, the day must be a whole number and the angle a number of degrees.",
        ) from None
    return tuple(records)


def _reading(row: dict[str, str], semicolons: bool) -> StudyRecord:
    person, rater = row["person"].strip(), row["rater"].strip()
    day, angle_deg = int(row["day"]), float(_with_point(row["angle_deg"], semicolons))
    if not person or not rater or not abs(angle_deg) <= LARGEST_DEG:  # neither is one that is no number
        raise ValueError(row)
    return StudyRecord(person, rater, day, angle_deg)


def _with_point(number: str, comma_is_decimal: bool) -> str:
    return number.replace(",", ".") if comma_is_decimal else number


def study_of(records: tuple[StudyRecord, ...], trials: int) -> AgreementStudy:
    """Return the study, or say in words why there is none.

    Raises
    ------
    InputError
        If too few people have complete readings.

    """
    try:
        return agreement_study_from_records(records, trials)
    except ValueError as error:
        raise InputError(
            f"No agreement can be computed: {error}.",
            "Measure every person with the same number of trials, by every rater, on every day.",
        ) from error


def standard_errors(study: AgreementStudy) -> tuple[StudyLine, ...]:
    """Return the standard errors that the study can tell, for the mean of its number of trials."""
    lines = [StudyLine("left against right in one round", study.standard_error(study.trials, same_day=True))]
    if study.trials == 1:
        lines = []
    if study.days > 1:
        lines.append(StudyLine("retest on another day, same rater", study.standard_error(study.trials)))
    if study.raters > 1:
        lines.append(
            StudyLine("same day, another rater", study.standard_error(study.trials, same_rater=False, same_day=True))
        )
    if study.days > 1 and study.raters > 1:
        lines.append(
            StudyLine("retest on another day, another rater", study.standard_error(study.trials, same_rater=False))
        )
    return tuple(lines)
