"""Photos of one species pooled: shares and mistakes whose numbers follow from the scores."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

pytest.importorskip("torch", reason="training needs torch: pip install '.[training]'")

from eavefall_training.pack import Pack
from eavefall_training.pooled import pooled_figures

SPECIES, EACH = 40, 3
# The least sure must not be surer than pooling believes any one photo (50 to 1).
SURE = np.resize([2.8, 4.0, 6.0], SPECIES * EACH + 21)


@pytest.fixture
def pack() -> Pack:
    """Forty species of three photos, needle and broad in turn; drawn crowns; a place of nine photos."""
    species = np.repeat(np.arange(SPECIES), EACH)
    n, drawn, place = SPECIES * EACH, 12, 9
    needle = np.concatenate([species % 2 == 0, np.zeros(drawn, bool), np.ones(place, bool)])
    bare = np.concatenate([np.zeros(n, bool), np.ones(drawn, bool), np.zeros(place, bool)])
    total = n + drawn + place
    return Pack(
        jpegs=[b""] * total,
        foliage=np.column_stack([needle, ~needle & ~bare, bare]).astype(np.float32),
        form=np.where(needle, 1, np.where(bare, -1, 3)),
        fold=np.concatenate([species // 2 % 2, np.arange(drawn) % 2, np.zeros(place, int)]),
        weight=np.ones(total, np.float32),
        file_ids=[f"p{i}" for i in range(total)],
        kinds=["photo"] * n + ["rendered"] * drawn + ["photo"] * place,
        sources=["one"] * total,
        subjects=["tree"] * total,
        groups=[f"species:{s:02}" for s in species] + [""] * drawn + ["species:a place"] * place,
    )


def _logits(pack: Pack, size: NDArray[np.float64]) -> NDArray[np.float64]:
    logits = np.zeros((len(pack), 8))
    logits[:, :3] = (pack.foliage * 2 - 1) * size[:, None]
    return logits


def _found(pack: Pack, size: NDArray[np.float64]) -> dict[tuple[str, str], float]:
    figures = pooled_figures(pack, _logits(pack, size))
    assert all(f.n == SPECIES and f.low <= f.value <= f.high for f in figures)
    return {(f.what, f.how.split(": ")[1].split(" of")[0]): f.value for f in figures}


def test_sure_and_right_photos_answer_all_and_never_wrongly(pack: Pack) -> None:
    found = _found(pack, SURE.copy())
    assert {value for (what, _), value in found.items() if "share" in what} == {1.0}
    assert {value for (what, _), value in found.items() if "wrongly" in what} == {0.0}


def test_a_photo_that_says_nothing_is_helped_by_the_others(pack: Pack) -> None:
    size = SURE.copy()
    size[: 10 * EACH : EACH] = 0.0  # one of three photos of a quarter of the species
    found = _found(pack, size)
    shares = [found["needle: share answered", words] for words in ("one photo", "two photos", "three photos")]
    assert shares[0] == pytest.approx(1 - 10 / SPECIES / 3)
    assert shares[0] < shares[2] == 1.0


def test_a_species_read_as_the_other_kind_counts_once_however_many_photos(pack: Pack) -> None:
    size = SURE.copy()
    size[: 2 * EACH] *= -1  # a needle species and a broad one
    found = _found(pack, size)
    for words in ("one photo", "two photos", "three photos"):
        assert found["needle: ever answered wrongly", words] == pytest.approx(2 / SPECIES)
        assert found["broad: ever answered wrongly", words] == pytest.approx(2 / SPECIES)


def test_photos_of_two_kinds_and_collections_are_left_out(pack: Pack) -> None:
    pack.foliage[0, :2] = 1  # one photo of a species shows both kinds: two are left, too few
    figures = pooled_figures(pack, _logits(pack, SURE.copy()))
    assert {figure.n for figure in figures} == {SPECIES - 1}
    none = pooled_figures(Pack(**{**vars(pack), "kinds": ["rendered"] * len(pack)}), np.zeros((len(pack), 8)))
    assert none == ()
