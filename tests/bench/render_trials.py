"""Render several trials of the same side of invented people, for what the errors of such trials have in common.

Each person is drawn as in :mod:`tests.bench.render_people`, with one habit of holding the position. Every trial has an
angle of its own near the person's mean and keeps its head, arms, pelvis and girdle near the habit; the phone is put
down once and hardly moves. Each trial is a folder, so that every bench that takes a folder takes a trial.

    PHANTOM_BPY=.../bpyenv/bin/python .../anny/bin/python -m tests.bench.render_trials \\
        --phantom ../shared/phantom --out DIR --people 10 --trials 3 --seed 505

writes ``DIR/trial1/p00_L_side.jpg``, ``DIR/trial2/p00_L_side.jpg`` and so on.
"""

import argparse
from pathlib import Path

import numpy as np

from tests.bench.phantom import CAMERA, Phantom
from tests.bench.render_people import STEEPEST_DEG, camera_toward, independent_pose

HABIT = 0.7  # share of a trial's departure from the middle of the human range that the person repeats (judgement)
TRIAL_SD_DEG = 2.0  # published scatter of repeated trials is of this order (Johnson 2012, SEM 1.4 to 2.0 degrees)
TURNED_DEG, ROLLED_DEG = 2.0, 1.0  # how far the phone moves between trials, standard deviations (judgement)
SEEN_WHOLE_PX = 30  # from the edges of the picture: the trials differ a little


def again(habit: dict, other: dict, theta_deg: float) -> dict:
    """Return the habit, moved a little toward another draw, at an angle of its own."""
    pose = dict(habit)
    for key, value in other.items():
        if key == "twist_profile" or isinstance(value, float):
            pose[key] = HABIT * habit[key] + (1 - HABIT) * value
    return pose | {"theta": theta_deg}


def main() -> None:
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("--phantom", required=True)
    ap.add_argument("--out", type=Path, required=True)
    ap.add_argument("--people", type=int, default=10)
    ap.add_argument("--trials", type=int, default=3)
    ap.add_argument("--seed", type=int, default=505)
    args = ap.parse_args()
    phantom = Phantom(args.phantom)
    for i in range(args.people):
        rng = np.random.default_rng([args.seed, i])
        subject = phantom.gen.sample_subject(rng, phantom.body)
        room_seed = int(rng.integers(1 << 30))
        middle = rng.uniform(22, 72)
        camera_side = str(rng.choice(["right", "left"]))
        habit = independent_pose(rng, subject, -middle, "L", phantom.poses.NT)
        posed = phantom.poses.pose(phantom.body, subject["ph"], dict(habit))
        camera = camera_toward(phantom, rng, posed, camera_side, "side", SEEN_WHOLE_PX)
        name = f"p{i:02d}_L_side"
        for trial in range(1, args.trials + 1):
            theta = float(np.clip(-(middle + rng.normal(0, TRIAL_SD_DEG)), -STEEPEST_DEG, STEEPEST_DEG))
            pose = again(habit, independent_pose(rng, subject, theta, "L", phantom.poses.NT), theta)
            turned, rolled = rng.normal(0, 1, 2) * (TURNED_DEG, ROLLED_DEG)
            moved = {k: camera[k] for k in CAMERA}
            moved |= {"yaw_err_deg": camera["yaw_err_deg"] + turned, "roll_deg": camera["roll_deg"] + rolled}
            out = args.out / f"trial{trial}"
            out.mkdir(parents=True, exist_ok=True)
            # made also where the picture is there: the next trial's numbers come after this one's
            job, theta_deg = phantom.job(
                out, name, subject, pose, camera_side, rng, camera=moved, room=phantom.room_of(room_seed)
            )
            if (out / f"{name}.jpg").exists():
                job.unlink()
                continue
            phantom.render([job])
            print(trial, name, round(theta_deg, 2), flush=True)


if __name__ == "__main__":
    main()
