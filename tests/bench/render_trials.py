"""Render several trials of the same side of invented people, for what the errors of such trials have in common.

Each person is drawn as in :mod:`tests.bench.render_people`, with one habit of holding the position. Every trial has an
angle of its own near the person's mean and keeps its head, arms, pelvis and girdle near the habit; the phone is put
down once and hardly moves. Each trial is a folder, so that every bench that takes a folder takes a trial.

    PHANTOM_BPY=.../bpyenv/bin/python .../anny/bin/python tests/bench/render_trials.py \\
        --phantom ../shared/phantom --out DIR --people 10 --trials 3 --seed 505

writes ``DIR/trial1/p00_L_side.jpg``, ``DIR/trial2/p00_L_side.jpg`` and so on.
"""

import argparse
import pathlib
import sys

import numpy as np

sys.path.insert(0, str(pathlib.Path(__file__).parent))
from render_people import independent_pose

HABIT = 0.7  # share of a trial's departure from the middle of the human range that the person repeats (judgement)
TRIAL_SD_DEG = 2.0  # published scatter of repeated trials is of this order (Johnson 2012, SEM 1.4 to 2.0 degrees)


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
    ap.add_argument("--out", required=True)
    ap.add_argument("--people", type=int, default=10)
    ap.add_argument("--trials", type=int, default=3)
    ap.add_argument("--seed", type=int, default=505)
    args = ap.parse_args()
    sys.path.insert(0, str(pathlib.Path(args.phantom).resolve()))
    import gen
    import phantom_pose as pp
    import phantom_scene as ps

    body = pp.Body()
    dresser = ps.Dresser(body)
    job_dir = pathlib.Path(args.out + ".jobs")
    for i in range(args.people):
        rng = np.random.default_rng([args.seed, i])
        subject = gen.sample_subject(rng, body)
        room_seed = int(rng.integers(1 << 30))
        middle = rng.uniform(22, 72)
        camera_side = str(rng.choice(["right", "left"]))
        habit = independent_pose(rng, subject, -middle, "L", pp.NT)
        posed = pp.pose(body, subject["ph"], dict(habit))
        for _ in range(60):
            camera = {"yaw_err_deg": float(np.clip(rng.normal(0, 12), -25, 25))}
            cam = ps.sample_camera(rng, posed, camera_side, camera)
            uv, _ = ps.project(cam, posed["Vs"][::7])
            if uv.min() > 30 and uv[:, 0].max() < cam["width"] - 30 and uv[:, 1].max() < cam["height"] - 30:
                break
        fixed = {k: cam[k] for k in ("yaw_err_deg", "dist_m", "height_m", "roll_deg", "f35", "aim_dx", "aim_dz")}
        for trial in range(1, args.trials + 1):
            theta = float(np.clip(-(middle + rng.normal(0, TRIAL_SD_DEG)), -85, 85))
            pose = again(habit, independent_pose(rng, subject, theta, "L", pp.NT), theta)
            jitter = rng.normal(0, 1, 2)
            out = pathlib.Path(args.out) / f"trial{trial}"
            out.mkdir(parents=True, exist_ok=True)
            job, meta = gen.make_job(
                body,
                dresser,
                subject,
                pose,
                camera_side,
                rng,
                str(out),
                job_dir,
                f"p{i:02d}_L_side",
                cam=fixed
                | {"yaw_err_deg": fixed["yaw_err_deg"] + 2 * jitter[0], "roll_deg": fixed["roll_deg"] + jitter[1]},
                room=lambda c, seed=room_seed: ps.sample_room(np.random.default_rng(seed), c, None),
            )
            if not (out / f"p{i:02d}_L_side.jpg").exists():
                gen.render([job])
                print(trial, meta["name"], round(meta["theta_deg"], 2), flush=True)
            pathlib.Path(job).unlink()


if __name__ == "__main__":
    main()
