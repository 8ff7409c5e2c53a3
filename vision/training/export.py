"""Writes trained weights as the two ONNX files that :mod:`vision.eye` ships.

    python -m vision.training.export --weights DIR/weights.pt --bodies bodies.npz --out vision/eye

Needs the package ``onnx``.  The network's convolutions compute with 8-bit integers (a third of the time on a
processor, a third of the size); their ranges are read off pictures drawn as for training.  The first layer and the heat
maps keep full precision: rounding there moves the landmarks.  The locator's weights are stored in half precision and
widened when loaded.
"""

import argparse
import tempfile
from pathlib import Path

import numpy as np
import torch
from torch import Tensor, nn

from vision.training.bodies import BodyModel
from vision.training.network import Eye, Locator, own_weights
from vision.training.posing import Poser
from vision.training.scene import Recipe, Studio
from vision.training.shots import Photographer

PRECISE = ("/stem", "/heat")
PICTURES, DRAWN_AT_ONCE, PICTURE_SEED = 96, 8, 99
OUTPUTS = ("xy", "depth", "shape", "depth_scale", "seen", "bins", "azimuth", "in_position")


class _Flat(nn.Module):
    """The network with its reading as a plain tuple."""

    def __init__(self, eye: Eye) -> None:
        super().__init__()
        self.eye = eye

    def forward(self, image: Tensor) -> tuple[Tensor, ...]:
        r = self.eye(image)
        return tuple(getattr(r, name) for name in OUTPUTS)


def load(weights: Path) -> tuple[Eye, Locator]:
    """Read ``weights.pt`` into modules ready for use."""
    nets: dict[str, nn.Module] = {"eye": Eye(), "locator": Locator()}
    for name, net in nets.items():
        net.load_state_dict(own_weights(weights, name))
        net.eval()
    return nets["eye"], nets["locator"]  # type: ignore[return-value]


def _store_half(path: Path) -> None:
    """Store large weights in half precision, each followed by a cast that the runtime folds away at loading."""
    import onnx
    from onnx import TensorProto, helper, numpy_helper

    model = onnx.load(str(path))
    graph = model.graph
    casts = []
    for tensor in list(graph.initializer):
        values = numpy_helper.to_array(tensor)
        if values.dtype != np.float32 or values.size < 256:
            continue
        graph.initializer.remove(tensor)
        graph.initializer.append(numpy_helper.from_array(values.astype(np.float16), f"{tensor.name}_half"))
        casts.append(helper.make_node("Cast", [f"{tensor.name}_half"], [tensor.name], to=TensorProto.FLOAT))
    for cast in reversed(casts):
        graph.node.insert(0, cast)
    onnx.checker.check_model(model)
    onnx.save(model, str(path))


class _Pictures:
    """Hands training pictures to the tool that reads off the ranges of the layers."""

    def __init__(self, bodies: Path, count: int) -> None:
        poser = Poser(BodyModel.load(bodies), torch.device("cpu"))
        recipe = Recipe(pool=count)
        self.studio = Studio(poser, recipe, PICTURE_SEED)
        self.photographer = Photographer(recipe, poser.device, PICTURE_SEED)
        self.left = count

    def get_next(self) -> dict[str, np.ndarray] | None:
        if self.left <= 0:
            return None
        self.left -= DRAWN_AT_ONCE
        return {"image": self.photographer.shoot(self.studio.draw(DRAWN_AT_ONCE)).image.numpy()}


def _compute_in_integers(path: Path, pictures: _Pictures) -> None:
    """Let the convolutions compute with 8-bit integers, ranges as met in ``pictures``."""
    import onnx
    from onnxruntime.quantization import CalibrationMethod, QuantFormat, QuantType, quantize_static
    from onnxruntime.quantization.shape_inference import quant_pre_process

    with tempfile.TemporaryDirectory() as folder:
        prepared = Path(folder) / "prepared.onnx"
        quant_pre_process(str(path), str(prepared), skip_symbolic_shape=True)
        nodes = onnx.load(str(prepared)).graph.node
        precise = [n.name for n in nodes if n.op_type == "Conv" and any(part in n.name for part in PRECISE)]
        quantize_static(
            str(prepared), str(path), pictures, quant_format=QuantFormat.QDQ, op_types_to_quantize=["Conv"],
            per_channel=True, activation_type=QuantType.QUInt8, weight_type=QuantType.QInt8,
            nodes_to_exclude=precise, calibrate_method=CalibrationMethod.MinMax,
        )  # fmt: skip


def write(eye: Eye, locator: Locator, out: Path, bodies: Path, pictures: int = PICTURES) -> None:
    """Write ``eye.onnx`` and ``locator.onnx``; ``bodies`` are those of the pictures that set the integer ranges."""
    torch.onnx.export(
        _Flat(eye), (torch.rand(2, 3, 256, 256),), str(out / "eye.onnx"), dynamo=False, opset_version=17,
        input_names=["image"], output_names=list(OUTPUTS),
        dynamic_axes={n: {0: "batch"} for n in ("image", *OUTPUTS)},
    )  # fmt: skip
    torch.onnx.export(
        locator, (torch.rand(2, 3, 128, 128),), str(out / "locator.onnx"), dynamo=False, opset_version=17,
        input_names=["image"], output_names=["found"], dynamic_axes={"image": {0: "batch"}, "found": {0: "batch"}},
    )  # fmt: skip
    _compute_in_integers(out / "eye.onnx", _Pictures(bodies, pictures))
    _store_half(out / "locator.onnx")


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--weights", type=Path, required=True)
    parser.add_argument("--bodies", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    args = parser.parse_args()
    write(*load(args.weights), args.out, args.bodies)


if __name__ == "__main__":
    main()
