"""The stored form of measurements: landmarks, findings and rotations as versioned JSON and back.

A stored result carries ``"version": 1``. A later version adds a branch here; old rows are never rewritten.
"""

from collections.abc import Mapping
from typing import Any

import numpy as np

from vision.findings import Finding
from vision.landmarks import AngleEvidence, CameraLook, Landmark, Landmarks
from vision.rotation import Posterior, Rotation
from vision.sides import Side

VERSION = 1

Projected = Mapping[str, Mapping[str, tuple[float, float]]]
"""Photo id to landmark name to ``(x, y)`` in pixels of the upright photo."""


def _finding_out(f: Finding) -> dict[str, Any]:
    return {
        "code": f.code,
        "message": f.message,
        "advice": f.advice,
        "effect_deg": f.effect_deg,
        "withholds": f.withholds,
    }


def _finding_in(data: Mapping[str, Any]) -> Finding:
    return Finding(data["code"], data["message"], data["advice"], data["effect_deg"], data["withholds"])


def _check(data: Mapping[str, Any]) -> None:
    if data.get("version") != VERSION:
        raise ValueError(f"stored result of version {data.get('version')!r}, this program reads {VERSION}")


def landmarks_to_json(found: Landmarks) -> dict[str, Any]:
    """Return ``found`` as plain data; pixels rounded to 0.01."""
    return {
        "version": VERSION,
        "finder": found.finder,
        "in_position": found.in_position,
        "points": {
            name: {
                "x": round(p.x, 2),
                "y": round(p.y, 2),
                "cov": [round(c, 4) for c in p.cov],
                "seen": p.seen,
                "source": p.source,
            }
            for name, p in found.points.items()
        },
        "angle": None
        if found.angle is None
        else {
            "grid_deg": [round(float(v), 4) for v in found.angle.grid_deg],
            "log_density": [round(float(v), 4) for v in found.angle.log_density],
            "source": found.angle.source,
        },
        "findings": [_finding_out(f) for f in found.findings],
        "camera": None
        if found.camera is None
        else {"quarter_turns": found.camera.quarter_turns, "azimuth_deg": round(found.camera.azimuth_deg, 1)},
        "second": None if found.second is None else landmarks_to_json(found.second),
    }


def landmarks_from_json(data: Mapping[str, Any]) -> Landmarks:
    """Read back what :func:`landmarks_to_json` wrote.

    Raises
    ------
    ValueError
        If the data is of a version this program does not know.

    """
    _check(data)
    angle = data["angle"]
    return Landmarks(
        points={
            name: Landmark(p["x"], p["y"], (p["cov"][0], p["cov"][1], p["cov"][2]), p["seen"], p["source"])
            for name, p in data["points"].items()
        },
        finder=data["finder"],
        in_position=data["in_position"],
        angle=None
        if angle is None
        else AngleEvidence(
            np.array(angle["grid_deg"], dtype=np.float64),
            np.array(angle["log_density"], dtype=np.float64),
            angle["source"],
        ),
        findings=tuple(_finding_in(f) for f in data["findings"]),
        camera=None if data.get("camera") is None else CameraLook(**data["camera"]),
        second=None if data.get("second") is None else landmarks_from_json(data["second"]),
    )


def rotation_to_json(rotation: Rotation) -> dict[str, Any]:
    """Return ``rotation`` as plain data; angles rounded to 0.001 degrees."""

    def rounded(value: float | None) -> float | None:
        return None if value is None else round(float(value), 3)

    posterior = rotation.posterior
    return {
        "version": VERSION,
        "side": rotation.side.value,
        "right_deg": rounded(rotation.right_deg),
        "band_right_deg": None if rotation.band_right_deg is None else [rounded(v) for v in rotation.band_right_deg],
        "sd_deg": rounded(rotation.sd_deg),
        "posterior": None
        if posterior is None
        else {
            "first_deg": round(float(posterior.grid_deg[0]), 6),
            "last_deg": round(float(posterior.grid_deg[-1]), 6),
            "density": [float(f"{d:.6g}") for d in posterior.density],
        },
        "origin": rotation.origin,
        "shared_sd_deg": round(rotation.shared_sd_deg, 3),
        "findings": [_finding_out(f) for f in rotation.findings],
    }


def rotation_from_json(data: Mapping[str, Any]) -> Rotation:
    """Read back what :func:`rotation_to_json` wrote.

    Raises
    ------
    ValueError
        If the data is of a version this program does not know.

    """
    _check(data)
    p = data["posterior"]
    band = data["band_right_deg"]
    return Rotation(
        side=Side(data["side"]),
        right_deg=data["right_deg"],
        band_right_deg=None if band is None else (band[0], band[1]),
        sd_deg=data["sd_deg"],
        posterior=None
        if p is None
        else Posterior(
            np.linspace(p["first_deg"], p["last_deg"], len(p["density"])), np.array(p["density"], dtype=np.float64)
        ),
        origin=data["origin"],
        findings=tuple(_finding_in(f) for f in data["findings"]),
        shared_sd_deg=data["shared_sd_deg"],
    )


def projected_to_json(projected: Projected) -> dict[str, dict[str, list[float]]]:
    """Return where a fitted body lies in the photos of its trial as plain data; pixels rounded to 0.1."""
    return {
        photo_id: {name: [round(float(x), 1), round(float(y), 1)] for name, (x, y) in places.items()}
        for photo_id, places in projected.items()
    }


def projected_from_json(data: Mapping[str, Any]) -> Projected:
    """Read back what :func:`projected_to_json` wrote under ``projected``."""
    return {
        photo_id: {name: (xy[0], xy[1]) for name, xy in places.items()}
        for photo_id, places in data["projected"].items()
    }
