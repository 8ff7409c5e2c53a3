"""Which photo comes next, which one counts, and when the foot end is asked for."""

import numpy as np

from app.remote.feedback import GOOD, Feedback
from app.remote.steps import (
    BY_KEY,
    State,
    Try,
    counting_try,
    foot_end_helps,
    foot_end_width_deg,
    step_progress,
    steps_asked_for,
)
from vision.compare import side_mean
from vision.rotation import Posterior, Rotation
from vision.sides import Side

BAD = Feedback(False, "Move back.", "cut", "cut-off")
STEP = BY_KEY["left-2"]


def tries(*said, request=None, first=0, measured=True):
    return [Try(f"p{first + i}", f"t{first + i}", s, measured, request) for i, s in enumerate(said)]


def test_the_protocol_is_start_then_three_left_then_three_right():
    keys = [s.key for s in steps_asked_for({})]
    assert keys == ["start", "left-1", "left-2", "left-3", "right-1", "right-2", "right-3"]


def test_a_wide_band_asks_for_the_foot_end_of_that_side_only():
    extra = steps_asked_for({Side.LEFT: False, Side.RIGHT: True})[7:]
    assert [s.key for s in extra] == ["right-foot"]


def mean_of(sd_deg):
    grid = np.linspace(-120.0, 120.0, 481)
    posterior = Posterior.of_log(grid, -0.5 * ((grid - 45) / sd_deg) ** 2)
    rotation = Rotation(
        Side.RIGHT, posterior.median_deg, posterior.band_deg, posterior.sd_deg, posterior, origin="automatic"
    )
    return side_mean([rotation])


def test_the_foot_end_is_asked_for_where_it_tells_more_than_the_photos_there_are():
    expected = foot_end_width_deg(45, Side.RIGHT)
    assert 5 < expected < 40
    assert foot_end_helps(mean_of((expected + 4) / 3.92), Side.RIGHT)
    assert not foot_end_helps(mean_of((expected - 4) / 3.92), Side.RIGHT)
    assert foot_end_helps(None, Side.LEFT)


def test_a_step_is_open_then_looked_at_then_done():
    assert step_progress(STEP, []).state is State.OPEN
    assert step_progress(STEP, tries(None)).state is State.LOOKING
    assert step_progress(STEP, tries(GOOD)).state is State.DONE
    assert not step_progress(STEP, tries(GOOD)).marked


def test_a_faulty_photo_is_tried_again_once_and_then_kept_and_marked():
    assert step_progress(STEP, tries(BAD)).state is State.AGAIN
    second = step_progress(STEP, tries(BAD, BAD))
    assert second.state is State.DONE
    assert second.marked
    assert not step_progress(STEP, tries(BAD, GOOD)).marked


def test_a_request_opens_a_finished_step_again_with_tries_of_its_own():
    before = tries(BAD, BAD)
    assert step_progress(STEP, before, "r1").state is State.OPEN
    once = [*before, *tries(BAD, request="r1", first=2)]
    assert step_progress(STEP, once, "r1").state is State.AGAIN
    assert step_progress(STEP, [*once, *tries(GOOD, request="r1", first=3)], "r1").state is State.DONE


def test_the_good_try_counts_and_of_two_faulty_ones_the_later():
    assert counting_try(tries(BAD, GOOD)).photo_id == "p1"
    assert counting_try(tries(BAD, BAD)).photo_id == "p1"
    assert counting_try(tries(BAD, None)).photo_id == "p0"
    assert counting_try(tries(None)) is None


def test_a_photo_with_an_angle_counts_before_one_without():
    assert counting_try([*tries(BAD), *tries(BAD, first=1, measured=False)]).photo_id == "p0"


def test_the_photo_asked_for_by_the_practitioner_counts_before_the_first_ones():
    assert counting_try([*tries(GOOD), *tries(BAD, request="r", first=1)]).photo_id == "p1"


def test_the_same_photo_sent_twice_never_counts_beside_another():
    twice = Feedback(False, "Take a new one.", "same", "photo-twice")
    assert counting_try([*tries(BAD), *tries(twice, first=1)]).photo_id == "p0"
