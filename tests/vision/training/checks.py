"""What must hold of training pictures, their labels and the optimiser; run by ``test_smoke.py`` where torch is.

    python tests/vision/training/checks.py bodies_small.npz

Prints a JSON object: the name of each check, and what went wrong or nothing.
"""

import functools
import json
import sys
import traceback
from pathlib import Path

import numpy as np
import torch

from vision.landmark_names import NAMES
from vision.rotation import rotation_angle_deg
from vision.training.ablations import VARIANTS
from vision.training.bodies import LANDMARK_VERTICES, BodyModel
from vision.training.from_points import Reader, photograph, pose
from vision.training.muon import STEP_SIZE, Muon
from vision.training.network import points_angle_deg
from vision.training.posing import Posed, Poser, sample_kneeling
from vision.training.scene import Recipe, Studio
from vision.training.shots import Photographer, Shelf
from vision.training.train import left_out, parser

CPU = torch.device("cpu")
PLAIN = Recipe(size=64, pool=6, other_positions=0.0, empty=0.0, occlusion=False)


@functools.cache
def poser() -> Poser:
    return Poser(BodyModel.load(Path(sys.argv[1])), CPU)


@functools.cache
def drawn_poses() -> dict[str, torch.Tensor]:
    return sample_kneeling(4000, torch.Generator().manual_seed(3), CPU)


@functools.cache
def six_people() -> Posed:
    return poser().kneel(poser().bodies(poser().scores[:6]), {k: v[:6] for k, v in drawn_poses().items()})


def check_nuisances_are_drawn_independently_of_the_angle() -> None:
    p = drawn_poses()
    worst = {k: abs(float(np.corrcoef(p["theta"], v)[0, 1])) for k, v in p.items() if k not in ("theta", "twist")}
    assert max(worst.values()) < 0.06, worst  # 4000 independent draws: standard error 0.016


def check_the_label_is_the_angle_by_the_definition_and_near_the_one_asked_for() -> None:
    posed = six_people()
    at = {n: posed.landmarks[:, i].double().numpy() for i, n in enumerate(NAMES)}
    for i in range(6):
        names = ("hip_joint_left", "hip_joint_right", "acromion_left", "acromion_right")
        angle = rotation_angle_deg(*(at[n][i] for n in names))
        assert abs(angle - float(posed.rotation_right_deg[i])) < 1e-3, (angle, posed.rotation_right_deg[i])
    off = (posed.rotation_right_deg - drawn_poses()["theta"][:6]).abs().max()
    assert float(off) < 8, off  # girdle bones solved, skin measured


def check_nobody_sinks_into_the_floor() -> None:
    assert float(six_people().vertices[..., 2].min()) >= 0


def check_every_variant_of_the_ablations_is_a_recipe() -> None:
    for flags in VARIANTS.values():
        Recipe(**left_out(parser().parse_args(["--bodies", "b", "--out", "o", *flags]).without)[0])


@functools.cache
def photographed() -> list[tuple[Studio, object, object]]:
    """The same six drawn pictures, framed plainly and twice at random."""
    studio, photographer = Studio(poser(), PLAIN, 4), Photographer(PLAIN, CPU, 8)
    drawn = studio.draw(6)
    return [(studio, drawn, photographer.shoot(drawn, vary)) for vary in (False, True, True)]


def check_lines_and_angle_of_the_landmarks_agree_with_their_labels_however_a_picture_is_framed() -> None:
    for _, drawn, shot in photographed():
        upright = (shot.quarter_turns == 0).numpy()
        p = np.concatenate([shot.xy.numpy(), shot.depth.numpy()[..., None]], -1)
        for k, (a, b) in enumerate((("hip_joint_left", "hip_joint_right"), ("acromion_left", "acromion_right"))):
            line = p[:, NAMES.index(a)] - p[:, NAMES.index(b)]
            line /= np.linalg.norm(line, axis=-1, keepdims=True)
            together = (line * shot.lines[:, k].numpy()).sum(-1)
            assert together[upright].min() > 0.95, together  # weak against full perspective
        off = (points_angle_deg(shot.xy, shot.depth) - shot.rotation_right_deg).abs().numpy()[upright]
        assert np.median(off) < 3, off  # weak against full perspective
        assert off.max() < 9, off
        turned = shot.rotation_right_deg.abs() - drawn.rotation_right_deg.abs()
        assert float(turned.abs().max()) < 1e-4


def check_a_point_on_the_skin_that_shows_lies_at_its_place_on_the_surface() -> None:
    apart, behind = [], []
    rows = {v.lower(): i for i, v in enumerate(LANDMARK_VERTICES)}
    for studio, _, shot in photographed():
        upright = (shot.quarter_turns == 0).numpy()
        n = shot.surface.shape[-1]
        for k, name in enumerate(NAMES):
            row_of = rows.get(name.removesuffix("eft").removesuffix("ight"))
            if row_of is None:
                continue
            vertex = int(poser().landmark_rows[row_of].argmax())
            for i in np.flatnonzero(shot.seen[:, k].numpy() & upright):
                column, row = (int(v) for v in (shot.xy[i, k] * n).clamp(0, n - 1))
                *place, depth, shown = shot.surface[i, :, row, column].numpy()
                if shown:
                    apart.append(np.abs(np.array(place) - studio.on_body[vertex, :3].numpy()).max())
                    behind.append(abs(depth - float(shot.depth[i, k])))
    assert len(apart) > 20, len(apart)  # a few stick out over something nearer or farther
    assert np.quantile(apart, 0.85) < 0.3, apart  # in units of which a body at rest is about four tall
    assert np.quantile(behind, 0.85) < 0.15, behind


def check_whole_photographs_carry_every_label_but_the_surface() -> None:
    wide = Recipe(size=64, pool=6, wide=True, margin=1.0)
    batch = Shelf(Studio(poser(), wide, 4), Photographer(wide, CPU, 5), 8, 4, 3.0).photographs(6)
    assert batch.surface.numel() == 0
    assert len(batch.surface) == len(batch.image) == 6
    assert batch.image.shape[-1] == wide.size


def check_exact_points_of_a_photo_are_centred_of_unit_size_and_the_right_way_round() -> None:
    studio = Studio(poser(), PLAIN, 4)
    flat = photograph(studio, six_people().landmarks, "feet", 0.0).view(6, 21, 2)
    assert float(flat.mean(1).abs().max()) < 1e-5
    assert float((flat.pow(2).mean((1, 2)) - 1).abs().max()) < 1e-5
    left, right = (flat[:, NAMES.index(f"hip_joint_{side}"), 0] for side in ("left", "right"))
    assert (left < right).all()  # from the feet of somebody who kneels face down the left hip is on the left


def check_a_small_network_learns_the_angle_from_exact_points_and_can_be_swept() -> None:
    studio, posed = Studio(poser(), PLAIN, 4), six_people()
    landmarks, angles = pose(studio, 3, {})
    assert len(landmarks) == len(angles) == 3
    again = posed.landmarks.repeat(20, 1, 1), posed.rotation_right_deg.repeat(20)
    reader = Reader(("side", "feet"), 0.0, CPU)
    reader.learn(studio, *again, 150)
    with torch.no_grad():
        known = reader.read(studio, again[0]) - again[1]  # the same people by other cameras
    guessed = (again[1] - again[1].mean()).abs().mean()
    assert float(known.abs().mean()) < 0.5 * float(guessed), (known, guessed)
    assert 0 < reader.swept(poser(), 2, 30.0, "pelvis_rot") < 90


def check_the_angle_is_against_the_pelvis_however_that_is_turned() -> None:
    turned = pose(Studio(poser(), Recipe(), 77), 2, {"theta": 30.0, "pelvis_rot": 10.0})[1]
    assert float((turned.abs() - 30).abs().max()) < 8, turned


def check_the_optimiser_steps_along_numpy_s_singular_vectors_all_alike() -> None:
    weights = [torch.nn.Parameter(torch.randn(shape)) for shape in ((24, 16, 3, 3), (96, 32), (130, 200), (40, 5))]
    before = [w.detach().clone() for w in weights]
    for w in weights:
        w.grad = torch.randn_like(w)
    Muon(weights, lr=1.0, weight_decay=0.0).step()
    for w, b in zip(weights, before, strict=True):
        moved = (b - w.detach()).flatten(1).numpy() / (STEP_SIZE * max(w.flatten(1).shape) ** 0.5)
        left, _, right = np.linalg.svd(w.grad.flatten(1).numpy(), full_matrices=False)
        values = left.T @ moved @ right.T
        assert np.abs(values - np.diag(np.diag(values))).max() < 1e-3
        assert np.diag(values).min() > 0.6, np.diag(values)  # the values come to 0.7 to 1.2
        assert np.diag(values).max() < 1.25, np.diag(values)


def main() -> None:
    told = {}
    for name, check in list(globals().items()):
        if name.startswith("check_"):
            torch.manual_seed(0)
            try:
                check()
            except Exception:
                told[name] = traceback.format_exc()
            else:
                told[name] = ""
    print(json.dumps(told))


if __name__ == "__main__":
    main()
