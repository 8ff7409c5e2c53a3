"""Athletes' trials as a table for spreadsheets: CSV by RFC 4180, UTF-8, units in the headings.

A cell that a spreadsheet would run as a formula (it starts with ``=``, ``+``, ``-``, ``@``, a tab or a line
break) gets an apostrophe in front; numbers are written as numbers.
"""

import csv
import io
from collections.abc import Iterable

from app.api.content import AthleteContent

HEADINGS = (
    "athlete",
    "visit_started_utc",
    "visit_kind",
    "round",
    "trial",
    "side",
    "rotation_deg",
    "band_low_deg",
    "band_high_deg",
    "automatic_rotation_deg",
    "origin",
    "left_out",
    "pain_0_to_10",
    "end_feel",
    "faults",
    "findings",
    "side_mean_deg",
    "difference_left_minus_right_deg",
    "difference_band_low_deg",
    "difference_band_high_deg",
    "decision",
    "standard_error_of_measurement_deg",
    "corrections",
    "visit_accepted",
)

_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")


def safe_cell(value: str | float | bool | None) -> str:
    """Return the cell's text; only words are guarded, a negative number stays a number."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return f"{value:.2f}".rstrip("0").rstrip(".") if isinstance(value, float) else str(value)
    return f"'{value}" if value.startswith(_FORMULA_STARTS) else value


def trials_csv(athletes: Iterable[AthleteContent]) -> bytes:
    """Return one line a trial, with a byte-order mark so that spreadsheets read UTF-8."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(HEADINGS)
    for athlete in athletes:
        for visit in athlete.visits:
            for round_ in visit.rounds:
                means = {s.side: s.mean_deg for s in round_.sides}
                d = round_.difference
                for trial in round_.trials:
                    cells: tuple[str | float | bool | None, ...] = (
                        athlete.code,
                        visit.started_at.isoformat(timespec="seconds"),
                        visit.kind,
                        round_.number,
                        trial.number,
                        trial.side,
                        trial.rotation_deg,
                        trial.band_low_deg,
                        trial.band_high_deg,
                        trial.automatic_deg,
                        trial.origin,
                        trial.left_out,
                        trial.pain,
                        trial.end_feel,
                        "; ".join(trial.faults),
                        "; ".join(trial.findings),
                        means.get(trial.side) if trial.side != "start" else None,
                        d.left_minus_right_deg if d else None,
                        d.band_low_deg if d else None,
                        d.band_high_deg if d else None,
                        d.decision if d else None,
                        d.sem_deg if d else None,
                        sum(not c.blind for c in trial.corrections),
                        visit.accepted,
                    )
                    writer.writerow([safe_cell(c) for c in cells])
    return out.getvalue().encode("utf-8-sig")
