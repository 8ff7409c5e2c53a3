"""Writes trained weights as the ONNX files that :mod:`vision.eye` ships, compressed (``.onnx.xz``).

    python -m vision.training.export --weights DIR/weights.pt --bodies bodies.npz --out vision/eye [--locator]

Needs the package ``onnx``.  The network's convolutions compute with 8-bit integers (a third of the time on a processor,
a third of the size); their ranges are read off pictures drawn as for training.  The first layer and the heat maps keep
full precision: rounding there moves the landmarks.  What follows the convolutions, and the locator, compute in full
precision; their weights are stored as 8-bit integers.
"""

import argparse
import json
import lzma
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import numpy as np
import torch
from torch import Tensor, nn

from vision.network_form import LOCATOR_PX
from vision.training.bodies import BodyModel
from vision.training.network import Eye, Locator, own_weights
from vision.training.posing import Poser
from vision.training.scene import Recipe, Studio
from vision.training.shots import Photographer

if TYPE_CHECKING:
    from onnx import ModelProto

PRECISE = ("/stem", "/heat")
PICTURES, DRAWN_AT_ONCE, PICTURE_SEED = 96, 8, 99
Net = TypeVar("Net", Eye, Locator)
OUTPUTS = ("xy", "depth", "shape", "depth_scale", "seen", "bins", "azimuth", "in_position")


class _Flat(nn.Module):
    """The network with its reading as a plain tuple."""

    def __init__(self, eye: Eye) -> None:
        super().__init__()
        self.eye = eye

    def forward(self, image: Tensor) -> tuple[Tensor, ...]:
        r = self.eye(image)
        return tuple(getattr(r, name) for name in OUTPUTS)


def load(net: Net, weights: Path) -> Net:
    """Fill a network with its weights from ``weights.pt``, ready for use."""
    net.load_state_dict(own_weights(weights, "eye" if isinstance(net, Eye) else "locator"))
    return net.eval()


def trained_size(weights: Path) -> int:
    """Side of the crops that the network was trained on, pixels; stands in ``training.json`` beside the weights."""
    return int(json.loads(weights.with_name("training.json").read_text())["recipe"]["size"])


def _export(net: nn.Module, size: int, outputs: tuple[str, ...], path: Path) -> None:
    """Write a network that reads any number of pictures of side ``size``, in full precision."""
    torch.onnx.export(
        net, (torch.rand(2, 3, size, size),), str(path), dynamo=False, opset_version=17, input_names=["image"],
        output_names=list(outputs), dynamic_axes={n: {0: "batch"} for n in ("image", *outputs)},
    )  # fmt: skip


def store_in_bytes(model: "ModelProto", of: tuple[str, ...]) -> None:
    """Store the large weights of nodes of these kinds in 8 bits; the runtime scales them back at loading."""
    from onnx import TensorProto, helper, numpy_helper

    graph = model.graph
    used = {name for node in graph.node if node.op_type in of for name in node.input}
    nodes = []
    for tensor in list(graph.initializer):
        values = numpy_helper.to_array(tensor)
        if tensor.name not in used or values.dtype != np.float32 or values.size < 256:
            continue
        whole, step, wide = (f"{tensor.name}_{part}" for part in ("bytes", "step", "wide"))
        largest = np.abs(values).max(axis=tuple(range(1, values.ndim)), keepdims=True)
        steps = (np.maximum(largest, 1e-12) / 127).astype(np.float32)
        graph.initializer.remove(tensor)
        graph.initializer.append(numpy_helper.from_array(np.round(values / steps).astype(np.int8), whole))
        graph.initializer.append(numpy_helper.from_array(steps, step))
        nodes.append(helper.make_node("Cast", [whole], [wide], to=TensorProto.FLOAT))
        nodes.append(helper.make_node("Mul", [wide, step], [tensor.name]))
    for node in reversed(nodes):
        graph.node.insert(0, node)


def _write_compressed(model: "ModelProto", path: Path) -> None:
    import onnx

    onnx.checker.check_model(model)
    path.write_bytes(lzma.compress(model.SerializeToString(), preset=9 | lzma.PRESET_EXTREME))


class _Pictures:
    """Hands training pictures to the tool that reads off the ranges of the layers."""

    def __init__(self, bodies: Path, count: int, size: int) -> None:
        poser = Poser(BodyModel.load(bodies), torch.device("cpu"))
        recipe = Recipe(size=size, pool=count)
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

    prepared = path.with_name("prepared.onnx")
    quant_pre_process(str(path), str(prepared), skip_symbolic_shape=True)
    nodes = onnx.load(str(prepared)).graph.node
    precise = [n.name for n in nodes if n.op_type == "Conv" and any(part in n.name for part in PRECISE)]
    quantize_static(
        str(prepared), str(path), pictures, quant_format=QuantFormat.QDQ, op_types_to_quantize=["Conv"],
        per_channel=True, activation_type=QuantType.QUInt8, weight_type=QuantType.QInt8,
        nodes_to_exclude=precise, calibrate_method=CalibrationMethod.MinMax,
    )  # fmt: skip


def write_eye(eye: Eye, out: Path, bodies: Path, size: int, pictures: int = PICTURES) -> Path:
    """Write the network, trained on crops of side ``size``; its ranges are read off pictures of these ``bodies``."""
    import onnx

    with tempfile.TemporaryDirectory() as folder:
        plain = Path(folder) / "eye.onnx"
        _export(_Flat(eye), size, OUTPUTS, plain)
        _compute_in_integers(plain, _Pictures(bodies, pictures, size))
        path = out / "eye.onnx.xz"
        model = onnx.load(str(plain))
    store_in_bytes(model, ("MatMul", "Gemm"))
    _write_compressed(model, path)
    return path


def write_locator(locator: Locator, out: Path) -> Path:
    """Write the locator."""
    import onnx

    with tempfile.TemporaryDirectory() as folder:
        plain = Path(folder) / "locator.onnx"
        _export(locator, LOCATOR_PX, ("found",), plain)
        model = onnx.load(str(plain))
    store_in_bytes(model, ("Conv", "Gemm"))
    path = out / "locator.onnx.xz"
    _write_compressed(model, path)
    return path


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--weights", type=Path, required=True)
    parser.add_argument("--bodies", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--locator", action="store_true", help="also the locator that was trained beside it")
    args = parser.parse_args()
    write_eye(load(Eye(), args.weights), args.out, args.bodies, trained_size(args.weights))
    if args.locator:
        write_locator(load(Locator(), args.weights), args.out)


if __name__ == "__main__":
    main()
