"""How many pictures without anybody in the test position are refused, and how many good ones.

    python -m tests.bench.refusals --others OTHERS --good FOLDER [FOLDER ...]

``OTHERS`` is made by ``tests/bench/render_others.py`` (KIND_NUMBER.jpg), the good ones by ``render_people.py``.
Counted is what a user meets: the program with all its finders; refused is a photo that no angle may be computed from.
"""

import argparse
from collections import Counter
from pathlib import Path

from vision.measuring import examine
from vision.sides import Side
from vision.two_eyes import default_finders


def found(folder: Path) -> dict[str, bool]:
    finders = default_finders()
    return {
        path.stem: examine(path.name, path, Side.LEFT, finders).landmarks.measurable
        for path in sorted(folder.glob("*.jpg"))
    }


def main() -> None:
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("--others", type=Path)
    ap.add_argument("--good", type=Path, nargs="*", default=[])
    args = ap.parse_args()
    if args.others is not None:
        taken = found(args.others)
        kinds, passed = Counter(n.rsplit("_", 1)[0] for n in taken), [n for n, was in taken.items() if was]
        wrong = Counter(n.rsplit("_", 1)[0] for n in passed)
        for kind, count in kinds.items():
            print(f"{kind:20s} refused {count - wrong[kind]:3d} of {count:3d}", flush=True)
        print(f"{'all':20s} refused {len(taken) - len(passed):3d} of {len(taken):3d}; taken for good:", *passed)
    for folder in args.good:
        taken = found(folder)
        refused = [n for n, was in taken.items() if not was]
        print(f"{folder.name:20s} good ones refused {len(refused)} of {len(taken)}:", *refused, flush=True)


if __name__ == "__main__":
    main()
