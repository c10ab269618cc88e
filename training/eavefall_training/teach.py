"""What a picture is learnt as: its label, softened, a teacher's opinion, blends and collages of two pictures.

A crop of a photo need not show what its label says; a teacher that saw the same crop says so (Beyer et al.,
"Knowledge distillation: A good teacher is patient and consistent", CVPR 2022), of a blend of two photos too,
which no label fits.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from eavefall_training.net import TaggerNet

__all__ = ["Lesson", "Teacher", "blend", "collage", "labels"]


@dataclass(frozen=True)
class Lesson:
    """A batch of n: pixels (n, 3, s, s) in 0 to 255, targets (n, 3) and (n, 5), trust (n,).

    A row of zeros in ``form`` where none can be read.
    """

    pixels: Tensor
    foliage: Tensor
    form: Tensor
    weight: Tensor


@dataclass(frozen=True)
class Teacher:
    """A net fitted on the same pictures before, and how much its opinion counts against the label."""

    net: TaggerNet
    share: float

    @torch.no_grad()
    def opinion(self, lesson: Lesson) -> Lesson:
        """The lesson with the teacher's probabilities mixed in, and trusted the more for it."""
        pixels = lesson.pixels.to(memory_format=torch.channels_last)
        # The cache would hand a recorded step weights cast outside of it.
        with torch.autocast(pixels.device.type, torch.bfloat16, pixels.is_cuda, cache_enabled=False):
            logits = self.net(pixels)[0]
        logits = logits.float()
        readable = (lesson.form.sum(1, keepdim=True) > 0).to(logits.dtype)
        form = torch.softmax(logits[:, 3:], 1) * readable
        return Lesson(
            lesson.pixels,
            torch.lerp(lesson.foliage, torch.sigmoid(logits[:, :3]), self.share),
            torch.lerp(lesson.form, form, self.share),
            lesson.weight + self.share * (1 - lesson.weight),
        )


def labels(foliage: Tensor, form: Tensor, by: float) -> tuple[Tensor, Tensor]:
    """Smoothed targets (n, 3) and (n, 5) from foliage (n, 3) of 0 and 1 and form (n,), -1 for none."""
    known = torch.arange(5, device=form.device) == form.unsqueeze(1)
    readable = (form >= 0).unsqueeze(1)
    return foliage * (1 - by) + by / 2, known * (1 - by) + by / 5 * readable


def blend(lesson: Lesson, chance: float, generator: torch.Generator) -> Lesson:
    """Each picture, with this chance, blended with its neighbour in the batch by up to one half.

    After Zhang et al., "mixup", ICLR 2018; never past one half, so that the first picture stays the one that
    is labelled.
    """
    n, device = len(lesson.pixels), lesson.pixels.device
    draw = torch.rand(2, n, 1, device=device, generator=generator)
    part = draw[0] * 0.5 * (draw[1] < chance)

    def mixed(values: Tensor, by: Tensor) -> Tensor:
        return torch.lerp(values, values.roll(1, 0), by)

    return Lesson(
        mixed(lesson.pixels, part.view(-1, 1, 1, 1)),
        mixed(lesson.foliage, part),
        mixed(lesson.form, part),
        lesson.weight,
    )


def collage(lesson: Lesson, chance: float, generator: torch.Generator) -> Lesson:
    """With this chance, lay part of the neighbour's picture over each: what either shows, the collage shows.

    A straight cut, upright or level, leaves 30 to 70 % of the first picture. Foliage is the union (several
    kinds can stand in one photo); form goes by area. After Yun et al., "CutMix", ICCV 2019, which shares
    foliage by area too.
    """
    n, _, height, width = lesson.pixels.shape
    device = lesson.pixels.device
    draw = torch.rand(4, n, 1, device=device, generator=generator)
    cut = 0.3 + 0.4 * draw[0]
    down = torch.linspace(0, 1, height, device=device).view(1, -1, 1)
    across = torch.linspace(0, 1, width, device=device).view(1, 1, -1)
    along = torch.where((draw[1] < 0.5).unsqueeze(2), down, across)
    # Half of the cuts keep the far side: distance is then measured from there.
    along = (draw[2] < 0.5).unsqueeze(2).float() - along
    over = (along.abs() > cut.unsqueeze(2)) & (draw[3] < chance).unsqueeze(2)
    part = over.float().mean((1, 2)).unsqueeze(1)
    pixels = torch.where(over.unsqueeze(1), lesson.pixels.roll(1, 0), lesson.pixels)
    other = lesson.foliage.roll(1, 0)
    union = torch.where(part > 0, 1 - (1 - lesson.foliage) * (1 - other), lesson.foliage)
    form = torch.lerp(lesson.form, lesson.form.roll(1, 0), part)
    return Lesson(pixels, union, form, torch.minimum(lesson.weight, lesson.weight.roll(1, 0)))
