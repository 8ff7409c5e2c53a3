"""The result of a measurement as JSON, versioned and described by a JSON Schema beside this file.

The schema is ``vision/schema/measurement-1.schema.json`` (:func:`schema` returns it). Within version 1 fields are
only ever added; a field that changes its meaning raises the version.
"""

import json
from collections.abc import Iterable, Mapping
from importlib import resources
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from vision.findings import Finding
from vision.landmarks import Landmark
from vision.measuring import MeasuredPhoto, MeasuredTrial, Measurement
from vision.sides import Side

SCHEMA_NAME = "kneelturn-measurement"
SCHEMA_VERSION = 1


def schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of :func:`report`."""
    text = resources.files("vision").joinpath(f"schema/measurement-{SCHEMA_VERSION}.schema.json").read_text("utf-8")
    result: dict[str, Any] = json.loads(text)
    return result


def software() -> str:
    """Return name and version of this program."""
    try:
        return f"kneelturn {version('kneelturn')}"
    except PackageNotFoundError:  # run from a source tree
        return "kneelturn (not installed)"


def report(measurement: Measurement) -> dict[str, Any]:
    """Return a measurement as plain JSON values; see :func:`schema`.

    Angles are degrees with two decimals, positions pixels of the upright photo (origin top left). Nothing in it
    depends on when or where it was made.
    """
    comparison = measurement.comparison
    return {
        "schema": SCHEMA_NAME,
        "schema_version": SCHEMA_VERSION,
        "software": software(),
        "photos": [_photo(trial, photo) for trial in measurement.trials for photo in trial.photos],
        "sides": {
            side.value: {
                "mean_deg": _round(None if mean is None else mean.mean_deg),
                "band_deg": _band(None if mean is None else mean.band_deg),
                "trials_deg": [_round(t.rotation.magnitude_deg) for t in trials],
            }
            for side, mean, trials in (
                (Side.LEFT, comparison.left, measurement.left),
                (Side.RIGHT, comparison.right, measurement.right),
            )
        },
        "difference": {
            "left_minus_right_deg": _round(comparison.difference_deg),
            "band_deg": _band(comparison.difference_band_deg),
            "decision": comparison.decision.value,
            "decision_words": comparison.decision_words,
            "mdc90_deg": _round(comparison.mdc90_deg),
            "mdc95_deg": _round(comparison.mdc95_deg),
        },
        "findings": _findings(measurement.findings),
    }


def _photo(trial: MeasuredTrial, photo: MeasuredPhoto) -> dict[str, Any]:
    rotation = trial.rotation
    findings = photo_findings(trial, photo)
    mine = rotation if photo.photo is not None and photo.landmarks.points else None
    return {
        "file": photo.name,
        "side": trial.side.value,
        "trial": trial.number,
        "views_in_trial": len(trial.photos),
        "width": None if photo.photo is None else photo.photo.width,
        "height": None if photo.photo is None else photo.photo.height,
        "rotation_deg": _round(None if mine is None else mine.magnitude_deg),
        "rotation_right_deg": _round(None if mine is None else mine.right_deg),
        "band_deg": _band(None if mine is None else mine.band_deg),
        "origin": rotation.origin,
        "finder": photo.landmarks.finder,
        "in_position": _round(photo.landmarks.in_position),
        "landmarks": _landmarks(photo.landmarks.points),
        "findings": _findings(findings),
    }


def photo_findings(trial: MeasuredTrial, photo: MeasuredPhoto) -> tuple[Finding, ...]:
    """Return what is to be said beside a photo: its own findings, then those of its trial that concern it."""
    shown = photo.photo is not None and bool(photo.landmarks.points)
    of_trial = trial.rotation.findings if shown else ()
    return tuple(dict.fromkeys((*photo.findings, *of_trial)))


def _landmarks(points: Mapping[str, Landmark]) -> dict[str, list[float | bool]]:
    return {name: [round(p.x, 2), round(p.y, 2), round(p.sd_px, 2), p.seen] for name, p in points.items()}


def _findings(findings: Iterable[Finding]) -> list[dict[str, Any]]:
    return [
        {
            "code": f.code,
            "message": f.message,
            "advice": f.advice,
            "effect_deg": _round(f.effect_deg),
            "withholds": f.withholds,
        }
        for f in findings
    ]


def _round(value: float | None) -> float | None:
    return None if value is None else round(value, 2) + 0.0  # + 0.0 turns -0.0 into 0.0


def _band(band: tuple[float, float] | None) -> list[float | None] | None:
    return None if band is None else [_round(band[0]), _round(band[1])]
