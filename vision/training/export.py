"""Writes trained weights as the two ONNX files that :mod:`vision.eye` ships.

    python -m vision.training.export --weights DIR/weights.pt --out vision/eye

Needs the package ``onnx``.  Weights are stored in half precision and widened when loaded.
"""

import argparse
from pathlib import Path

import numpy as np
import torch
from torch import Tensor, nn

from vision.training.network import Eye, Locator

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
    state = torch.load(weights, map_location="cpu", weights_only=True)
    nets: dict[str, nn.Module] = {"eye": Eye(), "locator": Locator()}
    for name, net in nets.items():
        own = {k.removeprefix(f"{name}."): v for k, v in state.items() if k.startswith(f"{name}.")}
        net.load_state_dict({k: v.float() if v.dtype.is_floating_point else v for k, v in own.items()})
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


def write(eye: Eye, locator: Locator, out: Path) -> None:
    """Write ``eye.onnx`` and ``locator.onnx``."""
    torch.onnx.export(
        _Flat(eye), (torch.rand(2, 3, 256, 256),), str(out / "eye.onnx"), dynamo=False, opset_version=17,
        input_names=["image"], output_names=list(OUTPUTS),
        dynamic_axes={n: {0: "batch"} for n in ("image", *OUTPUTS)},
    )  # fmt: skip
    torch.onnx.export(
        locator, (torch.rand(2, 3, 128, 128),), str(out / "locator.onnx"), dynamo=False, opset_version=17,
        input_names=["image"], output_names=["found"], dynamic_axes={"image": {0: "batch"}, "found": {0: "batch"}},
    )  # fmt: skip
    for name in ("eye.onnx", "locator.onnx"):
        _store_half(out / name)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--weights", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    args = parser.parse_args()
    write(*load(args.weights), args.out)


if __name__ == "__main__":
    main()
