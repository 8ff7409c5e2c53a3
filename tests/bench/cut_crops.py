"""Cut the people out of rendered photos by their true extent, for :mod:`vision.training.judge`.

python -m tests.bench.cut_crops FOLDER --out crops.npz
"""

import argparse
import json
from pathlib import Path

import numpy as np

from tests.bench.eye_bench import trunk_px
from tests.bench.phantom import phantom_name
from vision.eye.finder import EYE, crop, extent, grown
from vision.landmark_names import NAMES
from vision.photo import decode


def main() -> None:
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("folder", type=Path)
    ap.add_argument("--out", type=Path, required=True)
    args = ap.parse_args()
    rows: dict[str, list] = {k: [] for k in ("image", "xy", "visible", "theta", "trunk", "group", "name")}
    for path in sorted(args.folder.glob("*.jpg")):
        truth = json.loads(path.with_suffix(".json").read_text())
        marks = [truth["landmarks"][phantom_name(n)] for n in NAMES]
        xy = np.array([m["px"] for m in marks])
        box = grown(extent(xy))
        _, condition, *view = path.stem.split("_")
        rows["image"].append(np.round(crop(decode(path.read_bytes()).pixels, box, EYE.size) * 255).astype(np.uint8))
        rows["xy"].append((xy - [box.x, box.y]) / box.side + 0.5)
        rows["visible"].append([m["visible"] for m in marks])
        rows["theta"].append(truth["theta_deg"])
        rows["trunk"].append(trunk_px(truth, xy) / box.side)
        rows["group"].append("start" if condition == "0" else (view or ["side"])[0])
        rows["name"].append(path.stem)
    np.savez_compressed(args.out, **{k: np.array(v) for k, v in rows.items()})
    print(f"{len(rows['name'])} crops")


if __name__ == "__main__":
    main()
