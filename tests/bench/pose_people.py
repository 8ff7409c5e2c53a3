"""Pose invented people and project their landmarks from many viewpoints, without rendering a picture.

Geometry needs no pixels: this writes, for each person, the end range to both sides and the start position as
seen by cameras all around, with exact landmarks, the exact angle and which landmarks a ray from the camera
reaches.  Nuisances are drawn independently of the angle, as in ``render_people.py``, whose pose is used.

    .../anny/bin/python tests/bench/pose_people.py --phantom ../shared/phantom --people 40 --seed 501 --out FILE.json
"""

import argparse
import json
import pathlib
import sys

import numpy as np

sys.path.insert(0, str(pathlib.Path(__file__).parent))
from render_people import AZIMUTH_OFFSET_TO_FEET_DEG, independent_pose

PAIRED = ("acromion", "shoulder_joint", "hip_joint", "elbow", "wrist", "knee", "ankle", "ear")
NAMES = {f"{p}_{s[0].upper()}": f"{p}_{s}" for p in PAIRED for s in ("left", "right")} | {
    "C7": "c7",
    "T12": "t12",
    "S2": "s2",
    "sternum": "sternum",
    "nose": "nose",
}


def main() -> None:
    ap = argparse.ArgumentParser(description=__doc__)
    ap.add_argument("--phantom", required=True)
    ap.add_argument("--out", required=True)
    ap.add_argument("--people", type=int, default=40)
    ap.add_argument("--seed", type=int, required=True)
    args = ap.parse_args()
    sys.path.insert(0, str(pathlib.Path(args.phantom).resolve()))
    import gen
    import phantom_pose as pp
    import phantom_scene as ps

    body = pp.Body()
    dresser = ps.Dresser(body)
    people = []
    for i in range(args.people):
        rng = np.random.default_rng([args.seed, i])
        subject = gen.sample_subject(rng, body)
        middle = rng.uniform(22, 72)
        asymmetry = rng.normal(0, 6)
        angles = {"start": rng.normal(0, 3), "left": -(middle - asymmetry / 2), "right": middle + asymmetry / 2}
        trials = []
        for side, theta in angles.items():
            up = {"left": "L", "right": "R"}.get(side) or str(rng.choice(["L", "R"]))
            params = independent_pose(rng, subject, float(np.clip(theta, -85, 85)), up, pp.NT)
            try:
                posed = pp.pose(body, subject["ph"], params)
            except Exception as error:  # an anatomically impossible draw
                print("pose failed", i, side, error, flush=True)
                continue
            parts, _ = ps.dress(body, dresser, posed, subject["look"])
            vertices, triangles, offset = [posed["Vs"]], [dresser.tri], len(posed["Vs"])
            for part in parts:
                vertices.append(part["V"])
                triangles.append(part["T"] + offset)
                offset += len(part["V"])
            mesh = np.concatenate(vertices), np.concatenate(triangles)
            points = {k: v for k, v in posed["lms"].items() if k in NAMES}
            views = []
            for camera_side in ("right", "left"):
                for viewpoint, toward_feet in AZIMUTH_OFFSET_TO_FEET_DEG.items():
                    if side == "start" and viewpoint != "side":
                        continue
                    sign = -1.0 if camera_side == "right" else 1.0
                    for _ in range(60):
                        fixed = {"yaw_err_deg": float(sign * toward_feet + np.clip(rng.normal(0, 12), -25, 25))}
                        if viewpoint != "side":
                            fixed |= {"dist_m": float(rng.uniform(1.7, 2.8)), "height_m": float(rng.uniform(0.3, 1.4))}
                        cam = ps.sample_camera(rng, posed, camera_side, fixed)
                        uv, _ = ps.project(cam, posed["Vs"][::7])
                        if uv.min() > 10 and uv[:, 0].max() < cam["width"] - 10 and uv[:, 1].max() < cam["height"] - 10:
                            break
                    seen = gen.visibility(cam, points, *mesh)
                    views.append(
                        {
                            "viewpoint": viewpoint,
                            "camera_side": camera_side,
                            "opening": camera_side == side,
                            "width": cam["width"],
                            "height": cam["height"],
                            "focal_px": cam["fx"],
                            "points": {
                                NAMES[k]: [round(v["px"][0], 3), round(v["px"][1], 3), int(v["visible"])]
                                for k, v in seen.items()
                            },
                        }
                    )
            trials.append(
                {
                    "side": side,
                    "theta_deg": posed["meas"]["theta_acromion_vs_pelvis_deg"],
                    "views": views,
                    "xyz": {NAMES[k]: np.round(v[0], 5).tolist() for k, v in points.items()},
                }
            )
        people.append({"person": i, "trials": trials})
        pathlib.Path(args.out).write_text(json.dumps({"seed": args.seed, "people": people}, separators=(",", ":")))
        print(i, flush=True)


if __name__ == "__main__":
    main()
