"""Stored results come back as they were, and an unknown version is refused."""

import numpy as np
import pytest

from app.records import stored
from vision.findings import Finding
from vision.landmarks import AngleEvidence, Landmark, Landmarks
from vision.rotation import Posterior, Rotation
from vision.sides import Side


def test_landmarks_come_back():
    grid = np.linspace(-90, 90, 7)
    found = Landmarks(
        {"c7": Landmark(10.25, 20.5, (4.0, 0.5, 9.0), False, "eye")},
        "eye 1",
        0.75,
        AngleEvidence(grid, -(grid**2) / 100, "eye 1"),
        (Finding("dark", "Too dark.", "Turn on the light.", 3.5),),
    )
    back = stored.landmarks_from_json(stored.landmarks_to_json(found))
    assert back.points == found.points
    assert back.findings == found.findings
    assert np.allclose(back.angle.log_density, found.angle.log_density)


def test_what_a_second_finder_said_comes_back_and_older_results_have_none():
    second = Landmarks({"knee_left": Landmark(1.0, 2.0, (4.0, 0.0, 4.0), True, "second-look")}, "one look")
    found = Landmarks({"c7": Landmark(10.25, 20.5, (4.0, 0.5, 9.0), False, "eye")}, "eye 1", second=second)
    data = stored.landmarks_to_json(found)
    assert stored.landmarks_from_json(data).second == second
    del data["second"]
    assert stored.landmarks_from_json(data).second is None


def test_rotation_comes_back_with_its_posterior():
    grid = np.linspace(-90, 90, 361)
    posterior = Posterior(grid, np.exp(-((grid - 40) ** 2) / 50))
    rotation = Rotation(Side.RIGHT, 40.0, posterior.band_deg, posterior.sd_deg, posterior, "automatic", (), 2.5)
    back = stored.rotation_from_json(stored.rotation_to_json(rotation))
    assert back.posterior.median_deg == pytest.approx(posterior.median_deg, abs=1e-3)
    assert back.band_deg == pytest.approx(rotation.band_deg, abs=1e-3)
    assert back.side is Side.RIGHT
    assert back.shared_sd_deg == 2.5


def test_a_withheld_rotation_comes_back_empty_with_its_reasons():
    why = (Finding("nobody", "Nobody is seen.", "Step into the picture.", None, True),)
    back = stored.rotation_from_json(
        stored.rotation_to_json(Rotation(Side.LEFT, None, None, None, None, "automatic", why))
    )
    assert not back
    assert back.findings == why


def test_a_later_version_is_refused():
    with pytest.raises(ValueError, match="version 2"):
        stored.rotation_from_json({"version": 2})
