"""Render test photographs of invented people whose nuisances are drawn independently of the angle.

The renderer and the body model are the phantom tool (a separate folder, see ``--phantom``); this file
only chooses poses and cameras.  Head turn, support arm, pelvis, shoulder girdle, side-bend, trunk
inclination and twist profile are drawn over their human range whatever the rotation angle is, so that
a method which reads the company the angle keeps, rather than the angle, is found out.

    PHANTOM_BPY=.../bpyenv/bin/python .../anny/bin/python tests/bench/render_people.py \\
        --phantom ../shared/phantom --out DIR --people 20 --seed 101 --views side,foot
"""

import argparse
import pathlib
import sys
from collections.abc import Callable

import numpy as np

AZIMUTH_OFFSET_TO_FEET_DEG = {"side": 0.0, "oblique": 45.0, "foot": 90.0, "head": -90.0, "headoblique": -45.0}
CAMERA_ROOM_M = 0.2


def independent_pose(rng: np.random.Generator, subject: dict, theta_deg: float, side: str, n_thoracic: int) -> dict:
    """Pose parameters of the phantom; everything but ``theta`` is independent of ``theta_deg``."""
    pose = {k: v for k, v in subject["base"].items() if not k.startswith("_")}
    weights = np.exp(rng.normal(0, 0.35, n_thoracic)) * np.interp(
        np.arange(n_thoracic), [0, 2, 5, 7], [0.8, 1.1, 1.1, 0.5]
    )
    pose.update(
        side=side,
        theta=float(theta_deg),
        twist_profile=weights / weights.sum(),
        pelvis_rot=float(rng.uniform(-8, 8)),
        pelvis_tilt=float(np.clip(rng.normal(0, 2), -4, 4)),
        lumbar_leak=float(rng.uniform(-4, 4)),
        side_bend=float(rng.uniform(-10, 10)),
        hip_shift_y=float(rng.normal(0, 0.01)),
        support_q=float(rng.uniform(0.55, 0.97)),
        elbow_dx=float(np.clip(rng.normal(0, 0.05), -0.12, 0.12)),
        elbow_half_y=float(rng.uniform(0, 0.1)),
        forearm_azim=float(rng.uniform(-12, 30)),
        hand_lat=float(rng.uniform(0.05, 0.10)),
        elbow_post=float(rng.uniform(0, 50)),
        hand_dir=float(rng.uniform(5, 50)),
        head_turn=float(rng.uniform(-50, 50)),
        neck_ext=float(rng.uniform(-5, 35)),
    )
    for s in "LR":
        pose["protract_" + s] = float(rng.uniform(-12, 14))
        pose["elevate_" + s] = float(rng.uniform(-3, 12))
    return pose


def room_around(camera: dict, sample_room: Callable[..., dict], seed: int) -> dict:
    """Return the room of that seed, without the side wall where the camera would stand behind it."""
    room = sample_room(np.random.default_rng(seed), camera, None)
    wall, at = room["side_wall"], float(camera["pos"][0])
    if wall is not None and at * np.sign(wall) > abs(wall) - CAMERA_ROOM_M:
        room["side_wall"] = None
    return room


def main() -> None:
    ap = argparse.ArgumentParser(description=__doc__)
    ap.add_argument("--phantom", required=True)
    ap.add_argument("--out", required=True)
    ap.add_argument("--people", type=int, default=20)
    ap.add_argument("--seed", type=int, default=101)
    ap.add_argument(
        "--views", default="side,foot",
        help="end-range viewpoints; the start photo is always side-on; side,side2,side3: thrice, from other places",
    )  # fmt: skip
    ap.add_argument("--first", type=int, default=0, help="number of the first person")
    ap.add_argument("--bystander", action="store_true")
    args = ap.parse_args()
    sys.path.insert(0, str(pathlib.Path(args.phantom).resolve()))
    import gen
    import phantom_pose as pp
    import phantom_scene as ps

    body = pp.Body()
    dresser = ps.Dresser(body)
    job_dir = pathlib.Path(args.out + ".jobs")
    for i in range(args.first, args.people):
        if (pathlib.Path(args.out) / f"p{i:02d}_R_side.jpg").exists():
            continue
        rng = np.random.default_rng([args.seed, i])
        subject = gen.sample_subject(rng, body)
        room_seed = int(rng.integers(1 << 30))
        middle = rng.uniform(22, 72)
        asymmetry = rng.normal(0, 6)
        angles = {"0": rng.normal(0, 3), "L": -(middle - asymmetry / 2), "R": middle + asymmetry / 2}
        jobs = []
        for condition, theta in angles.items():
            side = condition if condition != "0" else str(rng.choice(["L", "R"]))
            pose = independent_pose(rng, subject, float(np.clip(theta, -85, 85)), side, pp.NT)
            trial_view = str(rng.choice(["right", "left"]))
            for viewpoint in args.views.split(",") if condition != "0" else ["side"]:
                toward_feet = AZIMUTH_OFFSET_TO_FEET_DEG[viewpoint.rstrip("0123456789")]
                sign = -1.0 if trial_view == "right" else 1.0
                for _ in range(60):
                    camera = {"yaw_err_deg": float(sign * toward_feet + np.clip(rng.normal(0, 12), -25, 25))}
                    if viewpoint != "side":
                        camera |= {"dist_m": float(rng.uniform(1.7, 2.8)), "height_m": float(rng.uniform(0.3, 1.4))}
                    try:
                        posed = pp.pose(body, subject["ph"], dict(pose))
                    except Exception as error:  # an anatomically impossible draw: draw the camera and go on
                        print("pose failed", error, flush=True)
                        break
                    cam = ps.sample_camera(rng, posed, trial_view, camera)
                    uv, _ = ps.project(cam, posed["Vs"][::7])
                    if uv.min() > 10 and uv[:, 0].max() < cam["width"] - 10 and uv[:, 1].max() < cam["height"] - 10:
                        break
                fixed = {
                    k: cam[k] for k in ("yaw_err_deg", "dist_m", "height_m", "roll_deg", "f35", "aim_dx", "aim_dz")
                }
                bystander = None
                if args.bystander:
                    bystander = {
                        "seed": int(rng.integers(1 << 30)),
                        "x": float(rng.choice([-0.75, 1.15])),
                        "y": float((1 if trial_view == "right" else -1) * rng.uniform(0.3, 0.7)),
                        "yaw": float(rng.uniform(0, 360)),
                    }
                job, meta = gen.make_job(
                    body,
                    dresser,
                    subject,
                    pose,
                    trial_view,
                    rng,
                    args.out,
                    job_dir,
                    f"p{i:02d}_{condition}_{viewpoint}",
                    cam=fixed,
                    room=lambda c, seed=room_seed: room_around(c, ps.sample_room, seed),
                    bystander=bystander,
                )
                jobs.append(job)
                print(meta["name"], round(meta["theta_deg"], 2), flush=True)
        gen.render(jobs)
        for job in jobs:
            pathlib.Path(job).unlink()


if __name__ == "__main__":
    main()
