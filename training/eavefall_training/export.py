"""Trained net to one self-contained ONNX file with half-precision weights."""

from __future__ import annotations

import hashlib
import io
import warnings

import numpy as np
import onnx
import onnxruntime as ort
import torch
from numpy.typing import NDArray
from onnx import TensorProto, helper, numpy_helper
from torch import Tensor, nn

from eavefall_training.net import TaggerNet

__all__ = ["check_agrees", "to_onnx"]

# Weights below this many numbers stay in single precision: they weigh nothing and biases are touchy.
_HALF_FROM = 4096


class _Serving(nn.Module):
    """What is shipped: uint8 (n, side, side, 3) in; logits, evidence and features out."""

    def __init__(self, net: TaggerNet) -> None:
        super().__init__()
        self.net = net

    def forward(self, pixels: Tensor) -> tuple[Tensor, Tensor, Tensor]:
        logits, evidence, features = self.net(pixels.permute(0, 3, 1, 2).float())
        return logits, evidence, features


def to_onnx(net: TaggerNet, input_px: int) -> bytes:
    """Export, fold, store large weights in half precision.

    The graph casts them back once at load, so arithmetic stays single precision and only the file shrinks.
    """
    net = net.eval().cpu().float()
    example = torch.zeros(2, input_px, input_px, 3, dtype=torch.uint8)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the exporter's own deprecations are not ours to act on
        program = torch.onnx.export(
            _Serving(net),
            (example,),
            dynamo=True,
            input_names=["pixels"],
            output_names=["logits", "evidence", "features"],
            dynamic_shapes={"pixels": {0: torch.export.Dim("batch", min=1, max=64)}},
            verbose=False,
        )
    if program is None:
        raise RuntimeError("the exporter gave nothing back")
    buffer = io.BytesIO()
    onnx.save(program.model_proto, buffer)
    return _halved(_optimised(buffer.getvalue()))


def check_agrees(data: bytes, net: TaggerNet, pixels: NDArray[np.uint8]) -> float:
    """Largest difference of logits between the file and the net on uint8 pixels (n, side, side, 3)."""
    session = ort.InferenceSession(data, providers=["CPUExecutionProvider"])
    served = session.run(["logits"], {"pixels": pixels})[0]
    with torch.no_grad():
        expected = net.eval()(torch.from_numpy(pixels).permute(0, 3, 1, 2).float())[0].numpy()
    return float(np.abs(served - expected).max())


def sha256(data: bytes) -> str:
    """Hash as the card states it."""
    return hashlib.sha256(data).hexdigest()


def _optimised(data: bytes) -> bytes:
    """ONNX Runtime's machine-independent rewriting (batch norm folded into convolutions), done once here."""
    import tempfile
    from pathlib import Path

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "net.onnx"
        options = ort.SessionOptions()
        options.graph_optimization_level = ort.GraphOptimizationLevel.ORT_ENABLE_BASIC
        options.optimized_model_filepath = str(path)
        options.log_severity_level = 3
        ort.InferenceSession(data, options, providers=["CPUExecutionProvider"])
        return path.read_bytes()


def _halved(data: bytes) -> bytes:
    model = onnx.load_model_from_string(data)
    casts = []
    for weight in model.graph.initializer:
        if weight.data_type != TensorProto.FLOAT or np.prod(weight.dims) < _HALF_FROM:
            continue
        name = weight.name
        half = numpy_helper.from_array(numpy_helper.to_array(weight).astype(np.float16), name + "_half")
        weight.CopyFrom(half)
        casts.append(helper.make_node("Cast", [name + "_half"], [name], to=TensorProto.FLOAT))
    for node in reversed(casts):
        model.graph.node.insert(0, node)
    for node in model.graph.node:  # where each node came from in our source: no use in a shipped file
        del node.metadata_props[:]
        node.doc_string = ""
    onnx.checker.check_model(model)
    return bytes(model.SerializeToString())
