"""Render test photographs of invented people whose nuisances are drawn independently of the angle.

The renderer and the body model are the phantom tool (a separate folder, see ``--phantom``); this file
only chooses poses and cameras.  Head turn, support arm, pelvis, shoulder girdle, side-bend, trunk
inclination and twist profile are drawn over their human range whatever the rotation angle is, so that
a method which reads the company the angle keeps, rather than the angle, is found out.

    PHANTOM_BPY=.../bpyenv/bin/python .../anny/bin/python -m tests.bench.render_people \\
        --phantom ../shared/phantom --out DIR --people 20 --seed 101 --views side,foot
"""

import argparse
from collections.abc import Callable
from pathlib import Path

import numpy as np

from tests.bench.phantom import CAMERA, LETTERS, Phantom
from vision.sides import Side

AZIMUTH_OFFSET_TO_FEET_DEG = {"side": 0.0, "oblique": 45.0, "foot": 90.0, "head": -90.0, "headoblique": -45.0}
CAMERA_ROOM_M = 0.2
SEEN_WHOLE_PX = 10  # from the edges of the picture
CAMERAS_TRIED = 60
STEEPEST_DEG = 85.0


def angles_of_a_person(rng: np.random.Generator) -> dict[Side, float]:
    """Draw the angles of the start position and of both end ranges, degrees, right positive."""
    middle = rng.uniform(22, 72)
    asymmetry = rng.normal(0, 6)
    return {
        Side.START: rng.normal(0, 3),
        Side.LEFT: -(middle - asymmetry / 2),
        Side.RIGHT: middle + asymmetry / 2,
    }


def camera_toward(
    phantom: Phantom,
    rng: np.random.Generator,
    posed: dict,
    camera_side: str,
    viewpoint: str,
    margin_px: float = SEEN_WHOLE_PX,
) -> dict:
    """Draw a camera near a viewpoint that sees the whole body, or the last one tried."""
    toward_feet = AZIMUTH_OFFSET_TO_FEET_DEG[viewpoint.rstrip("0123456789")]
    sign = -1.0 if camera_side == "right" else 1.0
    camera = {}
    for _ in range(CAMERAS_TRIED):
        fixed = {"yaw_err_deg": float(sign * toward_feet + np.clip(rng.normal(0, 12), -25, 25))}
        if viewpoint != "side":
            fixed |= {"dist_m": float(rng.uniform(1.7, 2.8)), "height_m": float(rng.uniform(0.3, 1.4))}
        camera = phantom.scene.sample_camera(rng, posed, camera_side, fixed)
        if phantom.shows_all(camera, posed, margin_px):
            break
    return camera


def independent_pose(rng: np.random.Generator, subject: dict, theta_deg: float, side: str, n_thoracic: int) -> dict:
    """Pose parameters of the phantom; everything but ``theta`` is independent of ``theta_deg``.

    ``side`` is that of the upper shoulder, ``L`` or ``R``; ``n_thoracic`` the number of thoracic vertebrae.
    """
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
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("--phantom", required=True)
    ap.add_argument("--out", type=Path, required=True)
    ap.add_argument("--people", type=int, default=20)
    ap.add_argument("--seed", type=int, default=101)
    ap.add_argument(
        "--views", default="side,foot",
        help="end-range viewpoints; the start photo is always side-on; side,side2,side3: thrice, from other places",
    )  # fmt: skip
    ap.add_argument("--first", type=int, default=0, help="number of the first person")
    ap.add_argument("--bystander", action="store_true")
    args = ap.parse_args()
    phantom = Phantom(args.phantom)
    for i in range(args.first, args.people):
        if (args.out / f"p{i:02d}_R_side.jpg").exists():
            continue
        rng = np.random.default_rng([args.seed, i])
        subject = phantom.gen.sample_subject(rng, phantom.body)
        room_seed = int(rng.integers(1 << 30))
        jobs = []
        for condition, theta in angles_of_a_person(rng).items():
            letter = LETTERS[condition]
            side = str(rng.choice(["L", "R"])) if condition is Side.START else letter
            theta = float(np.clip(theta, -STEEPEST_DEG, STEEPEST_DEG))
            pose = independent_pose(rng, subject, theta, side, phantom.poses.NT)
            camera_side = str(rng.choice(["right", "left"]))
            try:
                posed = phantom.poses.pose(phantom.body, subject["ph"], dict(pose))
            except Exception as error:  # an anatomically impossible draw
                print("pose failed", i, letter, error, flush=True)
                continue
            for viewpoint in args.views.split(",") if condition is not Side.START else ["side"]:
                camera = camera_toward(phantom, rng, posed, camera_side, viewpoint)
                bystander = None
                if args.bystander:
                    bystander = {
                        "seed": int(rng.integers(1 << 30)),
                        "x": float(rng.choice([-0.75, 1.15])),
                        "y": float((1 if camera_side == "right" else -1) * rng.uniform(0.3, 0.7)),
                        "yaw": float(rng.uniform(0, 360)),
                    }
                name = f"p{i:02d}_{letter}_{viewpoint}"
                job, theta_deg = phantom.job(
                    args.out, name, subject, pose, camera_side, rng, camera={k: camera[k] for k in CAMERA},
                    room=lambda c, seed=room_seed: room_around(c, phantom.scene.sample_room, seed), bystander=bystander,
                )  # fmt: skip
                jobs.append(job)
                print(name, round(theta_deg, 2), flush=True)
        phantom.render(jobs)


if __name__ == "__main__":
    main()
