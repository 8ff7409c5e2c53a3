"""Render the pictures of the demo's repeated visits: one invented person, two rounds, every trial seen twice.

The renderer and the body model are the phantom tool (a separate folder, see ``--phantom``). Each trial is seen from
the side the chest opens to and from the head end, as the capture page advises.

    PHANTOM_BPY=.../bpyenv/bin/python .../anny/bin/python tests/bench/render_visits.py \\
        --phantom ../shared/phantom --out DIR
"""

import argparse
import json
import pathlib
import sys

import numpy as np

SEED = 4242
# true angles wanted, degrees to the left and to the right, per round
PEOPLE = {
    "repeat01": ((54.0, 35.0), (54.0, 47.0)),
}


def main() -> None:
    """Render everything that is missing in the folder."""
    ap = argparse.ArgumentParser(description=__doc__)
    ap.add_argument("--phantom", required=True)
    ap.add_argument("--out", required=True)
    args = ap.parse_args()
    sys.path.insert(0, str(pathlib.Path(args.phantom).resolve()))
    import gen
    import phantom_pose as pp
    import phantom_scene as ps

    body = pp.Body()
    dresser = ps.Dresser(body)
    job_dir = pathlib.Path(args.out + ".jobs")
    for number, (person, rounds) in enumerate(PEOPLE.items()):
        rng = np.random.default_rng([SEED, number])
        subject = gen.sample_subject(rng, body)
        room_seed = int(rng.integers(1 << 30))
        for round_number, (left, right) in enumerate(rounds, 1):
            for condition, theta in (("start", 0.0), ("left", -left), ("right", right)):
                side = {"left": "L", "right": "R", "start": "R"}[condition]
                view = "left" if condition == "left" else "right"  # the camera is where the chest opens to
                pose = gen.sample_pose(rng, subject, theta, side)
                pose["theta"] = theta
                for viewpoint in ("side",) if condition == "start" else ("side", "head"):
                    name = f"{person}_round{round_number}_{condition}_{viewpoint}"
                    if (pathlib.Path(args.out) / f"{name}.jpg").exists():
                        continue
                    toward_head = 90.0 if viewpoint == "head" else 0.0
                    sign = 1.0 if view == "right" else -1.0
                    yaw = sign * toward_head + float(np.clip(rng.normal(0, 6), -12, 12))
                    camera = {"yaw_err_deg": yaw, "dist_m": 2.3, "height_m": float(rng.uniform(0.5, 1.0))}
                    job, meta = gen.make_job(
                        body,
                        dresser,
                        subject,
                        pose,
                        view,
                        rng,
                        args.out,
                        job_dir,
                        name,
                        cam=camera,
                        room=lambda c, seed=room_seed: ps.sample_room(np.random.default_rng(seed), c, None),
                    )
                    gen.render([job])
                    pathlib.Path(job).unlink()
                    print(json.dumps({"name": name, "theta_deg": round(meta["theta_deg"], 2)}), flush=True)


if __name__ == "__main__":
    main()
