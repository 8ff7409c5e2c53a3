"""Many invented bodies as one small linear model.

``anny`` needs seconds to load and shapes one body at a time.  Training needs thousands of bodies on a
graphics processor, so this module samples bodies once, and keeps their mean, principal components and
scores: rest vertices, joint centres and a few bone ends together, metres, rest frame of the body model
(x to the person's left, y backward, z up).

    python -m vision.training.bodies --out bodies.npz --count 3000 --seed 7
"""

import argparse
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

N_VERTICES = 13380  # skin of the body model's base mesh; the vertices after these are helpers, eyes and teeth

# joints whose position (bone head) the pose needs, and three bone tails
HEADS = (
    "root", "spine04", "spine03", "spine02", "spine01", "neck01", "neck02", "neck03", "head",
    *(f"{b}.{s}" for s in "LR" for b in (
        "pelvis", "upperleg01", "lowerleg01", "foot", "toe3-1", "clavicle", "shoulder01", "upperarm01", "upperarm02",
        "lowerarm01", "lowerarm02", "wrist", "finger2-1", "finger3-1", "finger5-1")),
)  # fmt: skip
TAILS = ("spine01", "head", "finger3-3.L", "finger3-3.R")
POINTS = (*HEADS, *(f"tail:{t}" for t in TAILS))

# bones that move on their own; every other bone moves rigidly with its nearest such ancestor
MOVING = (
    "root", "neck01", "neck02", "neck03", "head",
    *(f"{b}.{s}" for s in "LR" for b in (
        "pelvis", "upperleg01", "lowerleg01", "foot", "clavicle", "upperarm01", "upperarm02", "lowerarm01",
        "lowerarm02", "wrist")),
)  # fmt: skip
SPINE_BONES = ("spine04", "spine03", "spine02", "spine01", "breast.L", "breast.R")

LANDMARK_VERTICES = (
    "acromion_L", "acromion_R", "ear_L", "ear_R", "nose", "C7", "T12", "S2", "sternum",
)  # fmt: skip


@dataclass(frozen=True)
class BodyModel:
    """Everything about the bodies that posing and drawing need.

    Attributes
    ----------
    mean, components, scores
        Shapes (D,), (K, D), (N, K): body n is ``mean + scores[n] @ components``; D holds N_VERTICES
        vertices then the POINTS, three coordinates each, metres.
    quads
        Shape (Q, 4), vertex numbers of the faces.
    weights
        Shape (N_VERTICES, len(MOVING) + 1): skinning weights; the last column is the share of the spine,
        which is divided among virtual vertebrae by height when posing.
    arm_weight, arm_weight_smooth, head_weight
        Shape (N_VERTICES,): membership of the arms (also smoothed) and of head and upper neck.
    landmark_rows
        Shape (len(LANDMARK_VERTICES), N_VERTICES): each landmark as a combination of vertices; one step of
        Catmull-Clark subdivision at the landmark's vertex, so that it lies on the smooth surface.

    """

    mean: np.ndarray
    components: np.ndarray
    scores: np.ndarray
    quads: np.ndarray
    weights: np.ndarray
    arm_weight: np.ndarray
    arm_weight_smooth: np.ndarray
    head_weight: np.ndarray
    landmark_rows: np.ndarray

    def save(self, path: Path) -> None:
        """Write as a compressed archive; half precision components (error below 0.1 mm)."""
        out = {k: getattr(self, k) for k in self.__dataclass_fields__}
        out["components"] = out["components"].astype(np.float16)
        np.savez_compressed(path, **out)

    @classmethod
    def load(cls, path: Path) -> "BodyModel":
        """Read what :meth:`save` wrote."""
        with np.load(path) as data:
            return cls(**{k: data[k].astype(np.float32) if data[k].dtype.kind == "f" else data[k] for k in data})


def _subdivision_row(vertex: int, quads: np.ndarray) -> np.ndarray:
    """Weights of one Catmull-Clark step at an interior vertex (Catmull and Clark 1978)."""
    faces = quads[(quads == vertex).any(1)]
    n = len(faces)
    row = np.zeros(N_VERTICES)
    for face in faces:
        np.add.at(row, face, 0.25 / n**2)  # mean of the face points, over n
        at = int(np.flatnonzero(face == vertex)[0])
        for neighbour in (face[(at + 1) % 4], face[(at - 1) % 4]):  # each edge is met twice
            row[[vertex, neighbour]] += 0.5 * 2 / (2 * n**2)  # twice the mean of edge midpoints, over n
    row[vertex] += (n - 3) / n
    return row


class _Source:
    """The body model with the phantom's conventions for sampling shapes and picking landmarks."""

    def __init__(self) -> None:
        import anny
        import torch
        from anny.models.model_data import RigConfig, TopologyConfig
        from anny.shape_distribution import SimpleShapeDistribution

        self.torch = torch
        torch.set_num_threads(1)
        topology = TopologyConfig(
            base_mesh="makehuman", nudity_edits=True, remove_unattached_vertices=False, triangulate_faces=False,
            eyes=True, tongue=True,
        )  # fmt: skip
        m = anny.Anny(
            rig=RigConfig.from_string("makehuman"), topology=topology, phenotypes="all", skinning_method="lbs"
        )
        self.model = m
        uniform = torch.distributions.Uniform(torch.tensor(16.0, dtype=m.dtype), torch.tensor(75.0, dtype=m.dtype))
        self.ages = SimpleShapeDistribution(m, morphological_age_distribution=uniform)
        self.names = list(m.bone_labels)
        self.parents = list(m.bone_parents)
        self.index = {b: i for i, b in enumerate(self.names)}
        faces = m.faces.numpy()
        self.quads = faces[(faces < N_VERTICES).all(1)]
        W = np.zeros((m.template_vertices.shape[0], len(self.names)))
        np.add.at(W, (np.arange(len(W))[:, None], m.vertex_bone_indices.numpy()), m.vertex_bone_weights.numpy())
        self.weights = W / W.sum(1, keepdims=True)
        vertices, heads, _ = self.rest({"gender": 0.5, "age": 0.66})
        for s, sign in (("L", 1), ("R", -1)):  # skin over the acromion follows the scapula, not the humerus
            centre = heads[self.index[f"upperarm01.{s}"]] + np.array([-0.012 * sign, 0.006, 0.05])
            g = 0.92 * np.exp(-((np.linalg.norm(vertices - centre, axis=1) / 0.045) ** 2))
            for b in (f"upperarm01.{s}", f"upperarm02.{s}"):
                moved = g * self.weights[:, self.index[b]]
                self.weights[:, self.index[b]] -= moved
                self.weights[:, self.index[f"shoulder01.{s}"]] += moved

    def rest(self, phenotype: dict) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        with self.torch.no_grad():
            out = self.model(phenotype_kwargs=phenotype)
        return tuple(out[k][0].numpy().astype(float) for k in ("rest_vertices", "rest_bone_heads", "rest_bone_tails"))

    def _stature(self, phenotype: dict) -> float:
        m = self.model
        none = self.torch.zeros(1, 0, dtype=m.dtype)
        with self.torch.no_grad():
            full = m._parse_parameter_kwargs(phenotype, m.phenotype_labels, 0.5, "p")
            coefficients = m._get_phenotype_blendshape_coefficients(full, none, none)
            z = m.get_rest_model(coefficients)["rest_vertices"][0, :N_VERTICES, 2]
        return float(z.max() - z.min())

    def sample(self, rng: np.random.Generator) -> dict:
        """Draw a phenotype: wide in weight, muscle and proportions; stature as in adults of either sex."""
        self.torch.manual_seed(int(rng.integers(1 << 31)))
        _, ph = self.ages.sample(1)
        ph = {k: float(v[0]) for k, v in ph.items()}
        ph["gender"] = float(np.clip(rng.choice([0.0, 1.0]) + rng.normal(0, 0.12), 0, 1))
        ph["weight"] = float(np.clip(rng.normal(0.5, 0.2), 0.08, 0.97))
        ph["muscle"] = float(np.clip(rng.normal(0.55, 0.2), 0.1, 0.98))
        ph["proportions"] = float(np.clip(rng.normal(0.52, 0.24), 0.03, 0.98))
        ph["cupsize"] = float(rng.uniform(0.15, 0.8))
        ph["firmness"] = float(rng.uniform(0.25, 0.85))
        ph["african"], ph["asian"], ph["caucasian"] = (float(v) for v in rng.dirichlet([0.6, 0.6, 0.6]))
        low, high = 0.0, 1.0
        male = ph["gender"] < 0.5
        target = np.clip(rng.normal(1.77, 0.08), 1.55, 2.02) if male else np.clip(rng.normal(1.645, 0.075), 1.45, 1.88)
        for _ in range(9):  # the model's own height scale is nonlinear: solve for the stature
            ph["height"] = (low + high) / 2
            low, high = (low, ph["height"]) if self._stature(ph) > target else (ph["height"], high)
        return ph

    def landmark_vertices(self) -> dict[str, int]:
        """Choose the skin vertex of each landmark on the mean body (same places as the phantom tool's)."""
        V, h, t = self.rest({"gender": 0.5, "age": 0.66})
        body = np.unique(self.quads)
        tri = np.concatenate([self.quads[:, [0, 1, 2]], self.quads[:, [0, 2, 3]]])
        N = np.zeros_like(V)
        normals = np.cross(V[tri[:, 1]] - V[tri[:, 0]], V[tri[:, 2]] - V[tri[:, 0]])
        for k in range(3):
            np.add.at(N, tri[:, k], normals)
        N /= np.linalg.norm(N, axis=1, keepdims=True) + 1e-12

        def head(bone: str) -> np.ndarray:
            return h[self.index[bone]]

        def pick(point: np.ndarray, facing: np.ndarray, cone: float, allowed: np.ndarray) -> int:
            d = np.linalg.norm(V[body] - point, axis=1)
            d = d + 10 * ((N[body] @ facing) < cone) + 10 * ~allowed[body]
            return int(body[np.argmin(d)])

        up, back = np.array([0, 0, 1.0]), np.array([0, 1.0, 0])
        middle = np.abs(V[:, 0]) < 0.012
        out = {}
        for s, sign in (("L", 1), ("R", -1)):
            scapular = self.weights[:, self.index[f"shoulder01.{s}"]] + self.weights[:, self.index[f"clavicle.{s}"]]
            above = head(f"upperarm01.{s}") + np.array([-0.012 * sign, 0.006, 0.055])
            out[f"acromion_{s}"] = pick(above, up, 0.5, scapular > 0.7)
            ear = self._ear()
            ear = np.where((ear > 0.5) & (V[:, 0] * sign > 0))[0]
            centre = V[ear].mean(0) + np.array([0.012 * sign, 0, 0])
            out[f"ear_{s}"] = int(ear[np.argmin(np.linalg.norm(V[ear] - centre, axis=1))])
        face = body[(np.abs(V[body, 0]) < 0.01) & (V[body, 2] > head("head")[2])]
        out["nose"] = int(face[np.argmin(V[face, 1])])
        out["C7"] = pick(t[self.index["spine01"]] + np.array([0, 0.09, -0.03]), back, 0.3, middle)
        out["T12"] = pick(head("spine02") + np.array([0, 0.1, 0.01]), back, 0.3, middle)
        out["S2"] = pick(head("root") + np.array([0, 0.1, 0.06]), back, 0.2, middle)
        out["sternum"] = pick(head("clavicle.L") * [0, 1, 1] + np.array([0, -0.07, -0.03]), -back, 0.3, middle)
        return out

    def _ear(self) -> np.ndarray:
        import gzip

        import anny.paths

        targets = Path(anny.paths.get_anny_root_dir()) / "data/mpfb2/targets/ears"
        total = np.zeros(len(self.weights))
        for side in ("l", "r"):
            moved = np.zeros(len(self.weights))
            with gzip.open(sorted(targets.glob(f"{side}-ear-scale-incr*"))[0], "rt") as lines:
                for line in lines:
                    parts = line.split()
                    if len(parts) == 4:
                        moved[int(parts[0])] = np.linalg.norm([float(x) for x in parts[1:]])
            total = np.maximum(total, moved / moved.max())
        return total


def build(count: int, seed: int, components: int) -> BodyModel:
    """Sample ``count`` bodies and fit the linear model."""
    source = _Source()
    rows = []
    started = time.time()
    for i in range(count):
        V, heads, tails = source.rest(source.sample(np.random.default_rng([seed, i])))
        points = [heads[source.index[b]] for b in HEADS] + [tails[source.index[b]] for b in TAILS]
        rows.append(np.concatenate([V[:N_VERTICES], points]).astype(np.float32).ravel())
        if i % 200 == 199:
            print(f"{i + 1} bodies, {time.time() - started:.0f} s", flush=True)
    X = np.array(rows)
    mean = X.mean(0)
    centred = X - mean
    values, vectors = np.linalg.eigh(centred @ centred.T)
    keep = np.argsort(values)[::-1][:components]
    basis = (vectors[:, keep].T @ centred) / np.sqrt(np.maximum(values[keep], 1e-12))[:, None]
    scores = centred @ basis.T
    residual = np.linalg.norm((centred - scores @ basis).reshape(count, -1, 3), axis=2)
    mm = residual * 1e3
    print(f"{components} components: residual mean {mm.mean():.2f} mm, P99 {np.percentile(mm, 99):.2f} mm")
    scale = np.abs(basis).max(1, keepdims=True)  # keep half precision well scaled
    basis, scores = basis / scale, scores * scale.T

    owner = np.full(len(source.names), -1)
    spine = {source.index[b] for b in SPINE_BONES}
    for i in range(len(source.names)):
        j = i
        while j not in spine and source.names[j] not in MOVING and source.parents[j] >= 0:
            j = source.parents[j]
        owner[i] = len(MOVING) if j in spine else MOVING.index(source.names[j])
    for s in "LR":  # the clavicle hangs on the upper thorax, so do its descendants
        owner[source.index[f"shoulder01.{s}"]] = MOVING.index(f"clavicle.{s}")
    W = np.zeros((N_VERTICES, len(MOVING) + 1))
    for i in range(len(source.names)):
        W[:, owner[i]] += source.weights[:N_VERTICES, i]

    arm = sum(
        source.weights[:N_VERTICES, i]
        for i, n in enumerate(source.names)
        if n.split(".")[0] in ("upperarm01", "upperarm02", "lowerarm01", "lowerarm02", "wrist")
        or n.startswith(("finger", "metacarpal"))
    )
    smooth = arm.copy()
    edges = np.stack([source.quads, np.roll(source.quads, -1, 1)], 2).reshape(-1, 2)
    import scipy.sparse as sp

    A = sp.csr_matrix((np.ones(len(edges)), (edges[:, 0], edges[:, 1])), (N_VERTICES, N_VERTICES))
    A = ((A + A.T) > 0).astype(float)
    degree = np.maximum(np.asarray(A.sum(1)).ravel(), 1)
    for _ in range(6):
        smooth = 0.5 * smooth + 0.5 * (A @ smooth) / degree
    head = sum(source.weights[:N_VERTICES, source.index[b]] for b in ("head", "jaw", "neck03", "neck02"))
    picked = source.landmark_vertices()
    rows_ = np.stack([_subdivision_row(picked[n], source.quads) for n in LANDMARK_VERTICES])
    return BodyModel(
        mean.astype(np.float32), basis.astype(np.float32), scores.astype(np.float32), source.quads.astype(np.int32),
        W.astype(np.float32), arm.astype(np.float32), smooth.astype(np.float32), head.astype(np.float32),
        rows_.astype(np.float32),
    )  # fmt: skip


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--count", type=int, default=3000)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--components", type=int, default=96)
    args = parser.parse_args()
    build(args.count, args.seed, args.components).save(args.out)


if __name__ == "__main__":
    main()
