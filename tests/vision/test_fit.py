"""The torso fit on people made by its own forward model, seen by cameras all around."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.vision.torsos import FOCAL, HEIGHT, WIDTH, person, view
from vision import torso
from vision.errors import FitError
from vision.fit import Trial, fit_person, fit_trial
from vision.landmark_names import counterpart
from vision.landmarks import AngleEvidence, Landmark, Landmarks
from vision.sides import Side

AROUND = {"from the right": -90.0, "from the left": 90.0, "oblique": -135.0, "foot end": 180.0, "head end": 0.0}


def changed(landmarks, move):
    points = {}
    for name, p in landmarks.points.items():
        new_name, x, y = move(name, p.x, p.y)
        points[new_name] = Landmark.round_(x, y, p.sd_px, p.seen, p.source)
    return Landmarks(points, landmarks.finder)


def codes(fit):
    return {f.code for f in fit.findings}


def of_source(landmarks, source):
    return Landmarks({n: replace(p, source=source) for n, p in landmarks.points.items()}, source)


@pytest.mark.parametrize("azimuth_deg", AROUND.values(), ids=AROUND.keys())
@pytest.mark.parametrize("theta_deg", [-60.0, -25.0, 30.0, 55.0])
def test_exact_landmarks_recover_the_angle_from_any_viewpoint(azimuth_deg, theta_deg):
    side = Side.RIGHT if theta_deg > 0 else Side.LEFT
    fit = fit_trial([view(person(theta_deg, azimuth_deg))], side)
    assert fit.theta_deg == pytest.approx(theta_deg, abs=2.0)
    assert fit.posterior.median_deg == pytest.approx(theta_deg, abs=0.5 * fit.posterior.sd_deg)
    low, high = fit.posterior.band_deg
    assert low < theta_deg < high


@settings(max_examples=12)
@given(st.floats(10, 75), st.floats(-180, 180))
def test_a_mirrored_photo_flips_the_sign(theta_deg, azimuth_deg):
    landmarks = person(theta_deg, azimuth_deg, sd_px=3)
    mirrored = changed(landmarks, lambda n, x, y: (counterpart(n), WIDTH - x, y))
    one = fit_trial([view(landmarks)], Side.RIGHT)
    other = fit_trial([view(mirrored)], Side.LEFT)
    assert other.posterior.median_deg == pytest.approx(-one.posterior.median_deg, abs=0.3)


@settings(max_examples=8)
@given(st.floats(0.3, 4))
def test_the_size_of_the_picture_changes_nothing(factor):
    landmarks = person(50, -100, sd_px=3)
    scaled = changed(landmarks, lambda n, x, y: (n, x * factor, y * factor))
    scaled = Landmarks(
        {n: Landmark.round_(p.x, p.y, 3 * factor, True, "hand") for n, p in scaled.points.items()}, "made"
    )
    one = fit_trial([view(landmarks)], Side.RIGHT)
    other = fit_trial([view(scaled, round(WIDTH * factor), round(HEIGHT * factor), FOCAL * factor)], Side.RIGHT)
    assert other.posterior.median_deg == pytest.approx(one.posterior.median_deg, abs=0.3)


def test_too_few_landmarks_say_what_to_do():
    few = Landmarks({"acromion_left": Landmark.round_(1, 1, 1, True, "hand")}, "made")
    with pytest.raises(FitError, match="by hand"):
        fit_trial([view(few)], Side.LEFT)


def test_two_viewpoints_of_one_trial_narrow_the_band():
    side_on, foot = person(50, -90, sd_px=4), person(50, 180, sd_px=4)
    alone = fit_trial([view(side_on)], Side.RIGHT)
    both = fit_trial([view(side_on), view(foot)], Side.RIGHT)
    assert both.posterior.median_deg == pytest.approx(50, abs=2)
    assert both.posterior.sd_deg < alone.posterior.sd_deg
    assert len(both.projected_views) == 2


@pytest.mark.parametrize("name", ["acromion_right", "hip_joint_left", "c7", "knee_right"])
def test_one_grossly_wrong_landmark_is_survived(name):
    landmarks = person(50, -90, sd_px=3)
    wrong = changed(landmarks, lambda n, x, y: (n, x + (150 if n == name else 0), y - (90 if n == name else 0)))
    fit = fit_trial([view(wrong)], Side.RIGHT)
    low, high = fit.posterior.band_deg
    assert low < 50 < high


@pytest.mark.parametrize("pair", ["hip_joint", "knee", "acromion"])
def test_a_swapped_pair_is_survived(pair):
    landmarks = person(50, -110, sd_px=3)
    wrong = changed(landmarks, lambda n, x, y: (counterpart(n) if n.startswith(pair) else n, x, y))
    fit = fit_trial([view(wrong)], Side.RIGHT)
    low, high = fit.posterior.band_deg
    assert low < 50 < high


def test_fitted_projections_lie_on_the_landmarks_they_came_from():
    landmarks = person(40, -90)
    fit = fit_trial([view(landmarks)], Side.RIGHT)
    for name in ("acromion_left", "acromion_right", "hip_joint_left", "hip_joint_right"):
        at = landmarks.points[name]
        assert fit.projected[name] == pytest.approx((at.x, at.y), abs=2)


def test_trials_of_one_person_fitted_together_keep_their_order_and_their_angles():
    trials = [Trial([view(person(a, -90, sd_px=3))], Side.RIGHT) for a in (40.0, 55.0)]
    trials.append(Trial([view(person(-50.0, 90, sd_px=3))], Side.LEFT))
    fits = fit_person(trials)
    assert [f.rotation.side for f in fits] == [Side.RIGHT, Side.RIGHT, Side.LEFT]
    for fit, angle in zip(fits, (40.0, 55.0, -50.0), strict=True):
        low, high = fit.posterior.band_deg
        assert low < angle < high


def test_a_trial_fitted_alone_is_the_person_fit_of_one_trial():
    views = [view(person(45.0, -100, sd_px=3))]
    alone = fit_trial(views, Side.RIGHT)
    assert fit_person([Trial(views, Side.RIGHT)])[0].posterior.median_deg == pytest.approx(
        alone.posterior.median_deg, abs=1e-6
    )


def test_the_unknown_breadth_is_shared_side_on_and_hardly_matters_from_the_foot_end():
    side_on = fit_trial([view(person(45, -90, sd_px=3))], Side.RIGHT).rotation
    foot = fit_trial([view(person(45, 180, sd_px=3))], Side.RIGHT).rotation
    assert abs(side_on.shared_sd_deg) > 3 * abs(foot.shared_sd_deg)
    assert abs(side_on.shared_sd_deg) < side_on.sd_deg


def test_direct_evidence_on_the_angle_narrows_the_band_where_it_agrees():
    landmarks = person(45, -90, sd_px=6)
    grid = np.arange(-100.0, 101.0)
    evidence = AngleEvidence(grid, -0.5 * ((grid - 45) / 5) ** 2, "made")
    alone = fit_trial([view(landmarks)], Side.RIGHT)
    with_it = fit_trial([view(replace(landmarks, angle=evidence))], Side.RIGHT)
    assert with_it.posterior.sd_deg < alone.posterior.sd_deg
    assert with_it.posterior.median_deg == pytest.approx(45, abs=2)


@pytest.mark.parametrize("shared", [0.3, 1.0])
def test_what_two_readings_of_a_trial_share_is_counted_once(shared):
    """Information divided by 1 + shared: the variance of a nearly normal posterior grows by that."""
    grid = np.arange(-99.0, 99.5, 1.5)
    evidence = AngleEvidence(grid, -0.5 * ((grid - 48) / 6) ** 2, "made")
    trial = Trial([view(replace(person(48, a, sd_px=6), angle=evidence)) for a in (-95, 175)], Side.RIGHT)
    (apart,), (sharing,) = (fit_person([trial], shared_reading_error=s) for s in (0.0, shared))
    assert sharing.posterior.sd_deg**2 == pytest.approx((1 + shared) * apart.posterior.sd_deg**2, rel=0.08)
    assert sharing.posterior.median_deg == pytest.approx(apart.posterior.median_deg, abs=0.5)


def test_direct_evidence_that_disagrees_widens_the_band_and_is_told():
    landmarks = person(65, -100, sd_px=2)
    grid = np.arange(-100.0, 101.0)
    evidence = AngleEvidence(grid, -0.5 * ((grid - 15) / 4) ** 2, "made")
    alone = fit_trial([view(landmarks)], Side.RIGHT)
    with_it = fit_trial([view(replace(landmarks, angle=evidence))], Side.RIGHT)
    assert np.ptp(with_it.posterior.band_deg) > np.ptp(alone.posterior.band_deg)
    assert "evidence-disagrees" in codes(with_it)


def test_a_picture_that_a_person_found_misread_is_told():
    landmarks = of_source(person(50, -100, sd_px=2), "hand")
    assert "picture-set-aside" in codes(fit_trial([view(replace(landmarks, misread=True))], Side.RIGHT))
    assert "picture-set-aside" not in codes(fit_trial([view(landmarks)], Side.RIGHT))


def test_two_finders_that_disagree_widen_the_band_and_it_is_told():
    one, rng = person(50, -100, sd_px=2), np.random.default_rng(4)
    near = changed(one, lambda n, x, y: (n, x + rng.normal(0, 2), y + rng.normal(0, 2)))
    far = changed(one, lambda n, x, y: (n, x + rng.normal(0, 25), y + rng.normal(0, 25)))
    agreeing = fit_trial([view(replace(one, second=of_source(near, "eye")))], Side.RIGHT)
    apart = fit_trial([view(replace(one, second=of_source(far, "eye")))], Side.RIGHT)
    assert apart.posterior.sd_deg > 1.5 * agreeing.posterior.sd_deg
    assert "finders-disagree" in codes(apart)
    assert "finders-disagree" not in codes(agreeing)


def test_a_camera_on_the_closing_side_is_told_with_its_effect():
    closing = fit_trial([view(person(45, 90, sd_px=3))], Side.RIGHT)
    told = {f.code: f for f in closing.findings}
    assert told["camera-on-closing-side"].effect_deg > 1
    assert "camera-on-closing-side" not in codes(fit_trial([view(person(45, -90, sd_px=3))], Side.RIGHT))


def test_hidden_core_points_are_told_by_name_with_their_effect():
    landmarks = person(45, -90, sd_px=3)
    hidden = replace(landmarks.points["hip_joint_left"], seen=False, cov=(144.0, 0.0, 144.0))
    fit = fit_trial([view(replace(landmarks, points={**landmarks.points, "hip_joint_left": hidden}))], Side.RIGHT)
    told = {f.code: f for f in fit.findings}
    assert "left hip joint" in told["points-hidden"].message
    assert told["points-hidden"].effect_deg > 0


def test_a_wrong_landmark_and_a_swapped_pair_are_told_by_name():
    landmarks = person(50, -110, sd_px=3)
    wrong = changed(landmarks, lambda n, x, y: (n, x + (150 if n == "c7" else 0), y))
    told = {f.code: f for f in fit_trial([view(wrong)], Side.RIGHT).findings}
    assert "neck" in told["points-off"].message
    exchanged = changed(landmarks, lambda n, x, y: (counterpart(n) if n.startswith("knee") else n, x, y))
    told = {f.code: f for f in fit_trial([view(exchanged)], Side.RIGHT).findings}
    assert "knee" in told["pairs-swapped"].message


def test_points_that_say_almost_nothing_give_no_angle_and_the_reason():
    vague = person(50, -90, sd_px=120)
    fit = fit_trial([view(vague)], Side.RIGHT)
    assert not fit.rotation
    assert fit.rotation.right_deg is None
    assert any(f.withholds for f in fit.rotation.findings)


def test_points_scattered_over_the_photo_are_called_implausible_or_withheld():
    rng = np.random.default_rng(5)
    nonsense = changed(person(50, -90, sd_px=2), lambda n, x, y: (n, rng.uniform(0, WIDTH), rng.uniform(0, HEIGHT)))
    assert not fit_trial([view(nonsense)], Side.RIGHT).rotation


def test_a_tape_measure_is_told_to_help_little():
    fit = fit_trial([view(person(50, -90, sd_px=3))], Side.RIGHT, breadth_mm=(390.0, 5.0))
    assert "tape-helps-little" in codes(fit)


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({torso.PELVIS_ROLL: 16.0}, "hips-turned"),
        ({torso.HIP_SKEW: 16.0}, "side-bend"),
        ({torso.GIRDLE_SLACK: -20.0}, "shoulder-blade-drawn-back"),
    ],
)
def test_a_faulty_position_is_told(change, code):
    views = [view(person(45, a, sd_px=1, body_deg=change)) for a in (-90, 180)]
    assert code in codes(fit_trial(views, Side.RIGHT))
    assert code not in codes(fit_trial([view(person(45, a, sd_px=1)) for a in (-90, 180)], Side.RIGHT))


def test_the_start_position_is_measured_around_zero():
    fit = fit_trial([view(person(3, -90, sd_px=2))], Side.START)
    low, high = fit.posterior.band_deg
    assert low < 3 < high
    assert fit.rotation.side is Side.START


@settings(max_examples=8)
@given(st.floats(-170, 170))
def test_a_picture_turned_in_its_plane_changes_nothing_when_the_roll_is_known(turn_deg):
    landmarks = person(50, -105, sd_px=3)
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))

    def turn(name, x, y):
        x, y = x - WIDTH / 2, y - HEIGHT / 2
        return name, WIDTH / 2 + c * x - s * y, HEIGHT / 2 + s * x + c * y

    one = fit_trial([view(landmarks, roll=(0.0, 0.1))], Side.RIGHT)
    other = fit_trial([view(changed(landmarks, turn), roll=(-np.radians(turn_deg), 0.1))], Side.RIGHT)
    assert other.posterior.median_deg == pytest.approx(one.posterior.median_deg, abs=0.5)


@pytest.mark.parametrize("turn_deg", [-8, 8])
def test_a_phone_held_askew_is_a_matter_of_a_degree(turn_deg):
    landmarks = person(50, -90, sd_px=3, roll_deg=turn_deg)
    assert fit_trial([view(landmarks)], Side.RIGHT).posterior.median_deg == pytest.approx(
        fit_trial([view(person(50, -90, sd_px=3))], Side.RIGHT).posterior.median_deg, abs=1.5
    )


@pytest.mark.parametrize("azimuth_deg", [-90, -135, 180])
@pytest.mark.parametrize("moved", [("nose", "ear_left", "ear_right"), ("elbow_left",)])
def test_head_and_support_arm_hardly_steer_the_angle(azimuth_deg, moved):
    """People turn their heads and place their arms as they like."""
    landmarks = person(50, azimuth_deg, sd_px=3)
    elsewhere = changed(landmarks, lambda n, x, y: (n, x + (20 if n in moved else 0), y - (20 if n in moved else 0)))
    before, after = (fit_trial([view(v)], Side.RIGHT).posterior for v in (landmarks, elsewhere))
    assert abs(after.median_deg - before.median_deg) < 0.4 * before.sd_deg
