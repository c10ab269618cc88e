"""What the net is told about a picture: every number here is arithmetic."""

from __future__ import annotations

import pytest

torch = pytest.importorskip("torch", reason="training needs torch: pip install '.[training]'")

from eavefall_training.config import FitConfig  # noqa: E402
from eavefall_training.replay import repeat  # noqa: E402
from eavefall_training.teach import Lesson, Teacher, blend, collage, labels  # noqa: E402

pytestmark = pytest.mark.training

NEEDLE, BROAD = (1.0, 0.0, 0.0), (0.0, 1.0, 0.0)
SIDE = 40


def of_two_kinds(n: int) -> Lesson:
    """Picture i is plain and of grey i; even ones show long needles, odd ones broad leaves."""
    grey = torch.arange(float(n)).view(n, 1, 1, 1).expand(n, 3, SIDE, SIDE).clone()
    even = torch.arange(n) % 2 == 0
    foliage = torch.where(even.unsqueeze(1), torch.tensor(NEEDLE), torch.tensor(BROAD))
    form = torch.nn.functional.one_hot(torch.where(even, 0, 3), 5).float()
    return Lesson(grey, foliage, form, torch.where(even, 1.0, 0.5))


def test_labels_are_drawn_in_and_an_unreadable_form_stays_empty() -> None:
    foliage, form = labels(torch.tensor([NEEDLE, BROAD]), torch.tensor([2, -1]), 0.1)
    assert foliage.tolist() == [
        pytest.approx([0.95, 0.05, 0.05]),
        pytest.approx([0.05, 0.95, 0.05]),
    ]
    assert form[0].tolist() == pytest.approx([0.02, 0.02, 0.92, 0.02, 0.02])
    assert form[1].tolist() == [0.0] * 5


def test_a_collage_shows_what_either_shows_and_shares_form_by_area() -> None:
    before = of_two_kinds(64)
    after = collage(before, 1.0, torch.Generator().manual_seed(3))
    own = (after.pixels == before.pixels).float().mean((1, 2, 3))
    neighbour = (after.pixels == before.pixels.roll(1, 0)).float().mean((1, 2, 3))
    assert torch.allclose(own + neighbour, torch.ones(64))
    assert 0.3 - 1 / SIDE <= float(own.min()) <= float(own.max()) <= 0.7 + 1 / SIDE
    assert torch.equal(after.foliage, torch.tensor([[1.0, 1.0, 0.0]]).expand(64, 3))
    assert torch.allclose(after.form[::2, 0], own[::2])
    assert torch.allclose(after.form[1::2, 3], own[1::2])
    assert torch.allclose(after.form.sum(1), torch.ones(64))
    # One doubtful label makes the collage doubtful.
    assert torch.equal(after.weight, torch.full((64,), 0.5))


def test_collages_are_cut_from_every_side() -> None:
    before = of_two_kinds(64)
    after = collage(before, 1.0, torch.Generator().manual_seed(3))
    kept = (after.pixels == before.pixels)[:, 0]
    corners = {tuple(bool(k[y, x]) for y in (0, -1) for x in (0, -1)) for k in kept}
    top, bottom = (True, True, False, False), (False, False, True, True)
    left, right = (True, False, True, False), (False, True, False, True)
    assert corners == {top, bottom, left, right}


def test_a_blend_keeps_the_first_picture_ahead_and_shares_everything_alike() -> None:
    before = of_two_kinds(64)
    after = blend(before, 1.0, torch.Generator().manual_seed(3))
    part = after.foliage[::2, 1]  # of the broad neighbour
    assert 0 <= float(part.min()) < 0.1 < 0.4 < float(part.max()) <= 0.5
    assert torch.allclose(after.foliage[::2, 0], 1 - part)
    assert torch.allclose(after.form[::2, 3], part)
    grey = torch.lerp(before.pixels[::2], before.pixels.roll(1, 0)[::2], part.view(-1, 1, 1, 1))
    assert torch.allclose(after.pixels[::2], grey)
    assert torch.equal(after.weight, before.weight)
    assert torch.equal(blend(before, 0.0, torch.Generator().manual_seed(3)).pixels, before.pixels)


def test_a_collage_that_does_not_happen_changes_nothing() -> None:
    before = of_two_kinds(8)
    after = collage(before, 0.0, torch.Generator().manual_seed(0))
    assert torch.equal(after.pixels, before.pixels)
    assert torch.equal(after.foliage, before.foliage)
    assert torch.equal(after.form, before.form)


class _Certain(torch.nn.Module):
    """Says needle with probability 0.8, nothing else above one half, and all forms alike."""

    def forward(self, pixels: torch.Tensor) -> tuple[torch.Tensor]:
        says = torch.logit(torch.tensor([0.8, 0.5, 0.2]))
        return (torch.cat([says, torch.zeros(5)]).expand(len(pixels), 8),)


def test_a_teacher_moves_the_target_by_its_share() -> None:
    lesson = Lesson(
        torch.zeros(2, 3, SIDE, SIDE),
        torch.tensor([NEEDLE, BROAD]),
        torch.tensor([[1.0, 0, 0, 0, 0], [0.0] * 5]),
        torch.tensor([1.0, 0.5]),
    )
    told = Teacher(_Certain(), 0.25).opinion(lesson)
    assert told.foliage[0].tolist() == pytest.approx([0.95, 0.125, 0.05])
    assert told.foliage[1].tolist() == pytest.approx([0.2, 0.875, 0.05])
    assert told.form[0].tolist() == pytest.approx([0.8, 0.05, 0.05, 0.05, 0.05])
    assert told.form[1].tolist() == [0.0] * 5  # it must not say what nobody can read
    assert told.weight.tolist() == pytest.approx([1.0, 0.625])


def test_the_first_stage_differs_only_in_what_it_says() -> None:
    recipe = FitConfig(
        name="two", input_px=192, collage=0.4, first={"input_px": 288, "steps": 900, "nets": 3}
    )
    first = recipe.first_stage
    assert first is not None
    assert (first.input_px, first.steps, first.nets) == (288, 900, 3)
    assert (first.blend, first.collage) == (0.0, 0.0)
    assert first.first_stage is None
    assert (first.batch, first.share_rendered) == (recipe.batch, recipe.share_rendered)


def test_a_step_is_repeated_and_its_loss_told() -> None:
    at, told = torch.zeros(1), []

    def step() -> torch.Tensor:
        at.add_(1)
        return at.clone()

    repeat(step, 101, torch.device("cpu"), lambda step, loss: told.append((step, loss)))
    assert at.tolist() == [101.0]
    assert told == [(0, 1.0), (50, 51.0), (100, 101.0)]
