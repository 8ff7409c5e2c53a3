"""Render photographs with nobody in the test position: people standing, sitting, lying and so on, and empty rooms.

The renderer is the phantom tool (a separate folder, see ``--phantom``), another one than the network was trained on;
people and rooms are drawn from a seed of their own.  For the share of such pictures that is refused.

    PHANTOM_BPY=.../bpyenv/bin/python .../anny/bin/python -m tests.bench.render_others \\
        --phantom ../shared/phantom --out DIR --each 10 --seed 303
"""

import argparse
import json
from pathlib import Path

import numpy as np
import torch

from tests.bench.phantom import Phantom, phantom_name
from vision.landmark_names import NAMES
from vision.training.bodies import BodyModel, build
from vision.training.posing import Poser

KINDS = ("stand", "sit", "lie", "hands-and-knees", "upright-kneeling", "plank", "squat")
EMPTY = "empty-room"
OUT_OF_SIGHT = np.array([0.0, 0.0, -40.0])


def job(
    phantom: Phantom,
    rng: np.random.Generator,
    vertices: np.ndarray,
    landmarks: dict[str, np.ndarray],
    folder: Path,
    name: str,
    empty: bool,
) -> Path:
    """Write one render job.

    ``vertices`` are those of the body model's skin, shape (V, 3), and ``landmarks`` go by the tool's names; both in the
    world frame of the phantom tool, metres.  ``empty`` moves the person out of sight.
    """
    gen, ps, body, dresser = phantom.gen, phantom.scene, phantom.body, phantom.dresser
    subject = gen.sample_subject(rng, body)
    body.shape(subject["ph"])
    full = np.zeros((body.nv, 3))
    full[: len(vertices)] = vertices
    smooth = body.S @ full
    look = subject["look"]
    look["hair"] = str(rng.choice(["short", "buzz", "bald"]))
    n = body.n0 + body.ns
    still = {"G": [np.eye(3)] * n, "P": [np.zeros(3)] * n}
    posed = {
        "Vs": smooth,
        "lms": {k: (landmarks[k],) for k in ("hip_joint_L", "hip_joint_R", "acromion_L", "acromion_R")},
    }
    view = str(rng.choice(["left", "right"]))
    camera = {
        "yaw_err_deg": float(rng.uniform(-60, 60)),
        "dist_m": float(rng.uniform(2.0, 3.8)),
        "height_m": float(rng.uniform(0.3, 1.5)),
    }
    cam = ps.sample_camera(rng, posed, view, camera)
    room = ps.sample_room(rng, cam, None)
    parts, keep = ps.dress(body, dresser, {"Vs": smooth, "st": still}, look)
    quads, uv = body.Fs[keep], body.FUVs[keep]
    used, renumbered = np.unique(quads, return_inverse=True)
    away = OUT_OF_SIGHT if empty else 0.0
    arrays = {
        "V": smooth[used] + away, "F": renumbered.reshape(-1, 4), "uv": uv, "brow": (body.S @ body.brow)[used],
        "eyeV": np.array([[0, 0, 0], [0.01, 0, 0], [0.01, 0.01, 0], [0, 0.01, 0.0]]) + OUT_OF_SIGHT,
        "eyeF": np.array([[0, 1, 2, 3]]), "iris": np.zeros(4),
    }  # fmt: skip
    for i, part in enumerate(parts):
        arrays[f"pV{i}"], arrays[f"pT{i}"] = part["V"] + away, part["T"]
    jobs = Path(f"{folder}.jobs")
    jobs.mkdir(parents=True, exist_ok=True)
    folder.mkdir(parents=True, exist_ok=True)
    np.savez(jobs / f"{name}.npz", **arrays)
    text = {
        "out": str(folder / f"{name}.jpg"), "look": look, "room": room, "camera": cam,
        "parts": [{"name": p["name"], "color": p["color"]} for p in parts], "extras": [],
        "texdir": str(body.root / "data/mpfb2/textures"), "samples": 5,
    }  # fmt: skip
    (jobs / f"{name}.json").write_text(json.dumps(gen.jsonable(text)))
    return jobs / f"{name}.npz"


def main() -> None:
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("--phantom", required=True)
    ap.add_argument("--out", type=Path, required=True)
    ap.add_argument("--each", type=int, default=10)
    ap.add_argument("--seed", type=int, default=303)
    args = ap.parse_args()
    phantom = Phantom(args.phantom)
    file = Path(f"{args.out}.bodies.npz")
    if not file.exists():
        build(max(24, args.each * len(KINDS) // 2), args.seed, 20).save(file)
    poser = Poser(BodyModel.load(file), torch.device("cpu"))
    generator = torch.Generator().manual_seed(args.seed)
    for k, kind in enumerate((*KINDS, EMPTY)):
        jobs = []
        for i in range(args.each):
            name = f"{kind}_{i:02d}"
            rng = np.random.default_rng([args.seed, k, i])
            who = torch.tensor([int(rng.integers(len(poser.scores)))])
            posed = poser.other(poser.bodies(poser.scores[who]), torch.tensor([k % len(KINDS)]), generator)
            if (args.out / f"{name}.jpg").exists():
                continue
            marks = {phantom_name(n): p.numpy() for n, p in zip(NAMES, posed.landmarks[0], strict=True)}
            jobs.append(job(phantom, rng, posed.vertices[0].numpy(), marks, args.out, name, kind == EMPTY))
        phantom.render(jobs)


if __name__ == "__main__":
    main()
