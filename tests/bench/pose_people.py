"""Pose invented people and project their landmarks from many viewpoints, without rendering a picture.

Geometry needs no pixels: this writes, for each person, the end range to both sides and the start position as
seen by cameras all around, with exact landmarks, the exact angle and which landmarks a ray from the camera
reaches.  Nuisances are drawn independently of the angle, as in ``render_people.py``, whose pose is used.

    .../anny/bin/python -m tests.bench.pose_people --phantom ../shared/phantom --people 40 --seed 501 --out FILE.json
"""

import argparse
import json
from pathlib import Path

import numpy as np

from tests.bench.phantom import LETTERS, OUR_NAMES, Phantom
from tests.bench.render_people import (
    AZIMUTH_OFFSET_TO_FEET_DEG,
    STEEPEST_DEG,
    angles_of_a_person,
    camera_toward,
    independent_pose,
)
from vision.sides import Side


def clothed(phantom: Phantom, posed: dict, look: dict) -> tuple[np.ndarray, np.ndarray]:
    """Vertices and triangles of everything that may hide a landmark: skin, clothes and hair."""
    parts, _ = phantom.scene.dress(phantom.body, phantom.dresser, posed, look)
    vertices, triangles, offset = [posed["Vs"]], [phantom.dresser.tri], len(posed["Vs"])
    for part in parts:
        vertices.append(part["V"])
        triangles.append(part["T"] + offset)
        offset += len(part["V"])
    return np.concatenate(vertices), np.concatenate(triangles)


def views_of(phantom: Phantom, rng: np.random.Generator, posed: dict, side: Side, look: dict) -> list[dict]:
    """The landmarks of one pose as cameras from all viewpoints see them, from either side of the person."""
    mesh = clothed(phantom, posed, look)
    points = {k: v for k, v in posed["lms"].items() if k in OUR_NAMES}
    views = []
    for camera_side in ("right", "left"):
        for viewpoint in AZIMUTH_OFFSET_TO_FEET_DEG if side is not Side.START else ("side",):
            cam = camera_toward(phantom, rng, posed, camera_side, viewpoint)
            seen = phantom.gen.visibility(cam, points, *mesh)
            views.append(
                {
                    "viewpoint": viewpoint,
                    "camera_side": camera_side,
                    "opening": camera_side == side,
                    "width": cam["width"],
                    "height": cam["height"],
                    "focal_px": cam["fx"],
                    "points": {
                        OUR_NAMES[k]: [round(v["px"][0], 3), round(v["px"][1], 3), int(v["visible"])]
                        for k, v in seen.items()
                    },
                }
            )
    return views


def main() -> None:
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("--phantom", required=True)
    ap.add_argument("--out", type=Path, required=True)
    ap.add_argument("--people", type=int, default=40)
    ap.add_argument("--seed", type=int, required=True)
    args = ap.parse_args()
    phantom = Phantom(args.phantom)
    people = []
    for i in range(args.people):
        rng = np.random.default_rng([args.seed, i])
        subject = phantom.gen.sample_subject(rng, phantom.body)
        trials = []
        for side, theta in angles_of_a_person(rng).items():
            up = str(rng.choice(["L", "R"])) if side is Side.START else LETTERS[side]
            theta = float(np.clip(theta, -STEEPEST_DEG, STEEPEST_DEG))
            params = independent_pose(rng, subject, theta, up, phantom.poses.NT)
            try:
                posed = phantom.poses.pose(phantom.body, subject["ph"], params)
            except Exception as error:  # an anatomically impossible draw
                print("pose failed", i, side, error, flush=True)
                continue
            views = views_of(phantom, rng, posed, side, subject["look"])
            trials.append(
                {
                    "side": side,
                    "theta_deg": posed["meas"]["theta_acromion_vs_pelvis_deg"],
                    "views": views,
                    "xyz": {
                        OUR_NAMES[k]: np.round(v[0], 5).tolist() for k, v in posed["lms"].items() if k in OUR_NAMES
                    },
                }
            )
        people.append({"person": i, "trials": trials})
        args.out.write_text(json.dumps({"seed": args.seed, "people": people}, separators=(",", ":")))
        print(i, flush=True)


if __name__ == "__main__":
    main()
