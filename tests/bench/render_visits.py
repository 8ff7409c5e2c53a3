"""Render the pictures of the demo's repeated visits: one invented person, two rounds, every trial seen twice.

The renderer and the body model are the phantom tool (a separate folder, see ``--phantom``). Each trial is seen from
the side the chest opens to and from the head end, as the capture page advises.

    PHANTOM_BPY=.../bpyenv/bin/python .../anny/bin/python -m tests.bench.render_visits \\
        --phantom ../shared/phantom --out DIR
"""

import argparse
import json
from pathlib import Path

import numpy as np

from tests.bench.phantom import Phantom

SEED = 4242
# true angles wanted, degrees to the left and to the right, per round
PEOPLE = {
    "repeat01": ((54.0, 35.0), (54.0, 47.0)),
}


def main() -> None:
    """Render everything that is missing in the folder."""
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("--phantom", required=True)
    ap.add_argument("--out", type=Path, required=True)
    args = ap.parse_args()
    phantom = Phantom(args.phantom)
    for number, (person, rounds) in enumerate(PEOPLE.items()):
        rng = np.random.default_rng([SEED, number])
        subject = phantom.gen.sample_subject(rng, phantom.body)
        room = phantom.room_of(int(rng.integers(1 << 30)))
        for round_number, (left, right) in enumerate(rounds, 1):
            for condition, theta in (("start", 0.0), ("left", -left), ("right", right)):
                side = {"left": "L", "right": "R", "start": "R"}[condition]
                view = "left" if condition == "left" else "right"  # the camera is where the chest opens to
                pose = phantom.gen.sample_pose(rng, subject, theta, side)
                pose["theta"] = theta
                for viewpoint in ("side",) if condition == "start" else ("side", "head"):
                    name = f"{person}_round{round_number}_{condition}_{viewpoint}"
                    if (args.out / f"{name}.jpg").exists():
                        continue
                    toward_head = 90.0 if viewpoint == "head" else 0.0
                    sign = 1.0 if view == "right" else -1.0
                    yaw = sign * toward_head + float(np.clip(rng.normal(0, 6), -12, 12))
                    camera = {"yaw_err_deg": yaw, "dist_m": 2.3, "height_m": float(rng.uniform(0.5, 1.0))}
                    job, theta_deg = phantom.job(args.out, name, subject, pose, view, rng, camera=camera, room=room)
                    phantom.render([job])
                    print(json.dumps({"name": name, "theta_deg": round(theta_deg, 2)}), flush=True)


if __name__ == "__main__":
    main()
