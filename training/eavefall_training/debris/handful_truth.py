"""The reader of handfuls against rendered truth: ``python -m eavefall_training.debris.handful_truth``.

Every scene is of one background, light, phone and crowding, in turn; the pieces are drawn by our own
renderer, which shares no measuring code with the reader. Seeds from ``DEVELOPED_ON`` were looked at while
the reader was built; those from ``HELD_OUT`` only for the figures in the reader's README.
"""

from __future__ import annotations

import argparse
import math
import pickle
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from eavefall_datasets.handfuls.scenes import Handful, draw_handful
from eavefall_model.debris.drop import drop_counts
from eavefall_model.debris.read import read_debris
from eavefall_model.debris.schema import DebrisResult, Piece
from eavefall_model.intervals import wilson
from eavefall_model.photo import decode
from eavefall_model.screens.guards import load_guards

DEVELOPED_ON: Final = 300_000
HELD_OUT: Final = 500_000
Background = Literal["sheet", "letter", "card"]
_BACKGROUNDS: Final[tuple[Background, ...]] = ("card", "sheet", "card", "letter")
_CROWDING: Final = (("apart", 0.0), ("some touch", 0.1), ("crowded", 0.25))
# Of a true piece, what an outline must hold for it to be found by it, and of an outline, what must be its
# own.
_HELD: Final = 0.5
_POINTS: Final = 0.03


@dataclass(frozen=True)
class Trial:
    """What one scene is: its groups, and how it is drawn."""

    seed: int
    background: Background
    light: str
    phone: str
    crowding: str
    count: int
    width_px: int
    crowded: float


def trial(seed: int) -> Trial:
    """The scene of a seed; groups in turn, the number of pieces at random."""
    rng = np.random.default_rng([seed, 43])
    name, crowded = _CROWDING[seed // 4 % 3]
    background = _BACKGROUNDS[seed % 4]
    # A page needs 8 pixels per mm over its whole length; a card may lie in a smaller picture.
    coarse = bool(rng.random() < 0.6)
    wide = (2700 if coarse else 3300) if background != "card" else (1800 if coarse else 2400)
    return Trial(
        seed=seed,
        background=background,
        light="hard" if seed // 12 % 2 else "soft",
        phone="8 to 9 px/mm" if coarse else "10 to 12 px/mm",
        crowding=name,
        count=int(rng.integers(20, 121)),
        width_px=wide,
        crowded=crowded,
    )


def drawn(made: Trial) -> Handful:
    """The scene."""
    return draw_handful(
        made.seed,
        count=made.count,
        reference=made.background,
        size=(made.width_px, made.width_px * 3 // 4),
        crowded=made.crowded,
        hard=made.light == "hard",
        across_mm=200.0,
    )


@dataclass(frozen=True)
class PieceRow:
    """A true piece: ``found``, alone or as one of those that a clump is said to hold; ``outlined``, also
    where its clump is said to hold too few; and what was measured where it is whole and alone."""

    kind: str
    touches: bool
    complete: bool
    found: bool
    outlined: bool
    clumped: bool
    said_kind: str | None
    answered: bool
    length_mm: tuple[float, float, float]
    width_mm: tuple[float, float, float]


@dataclass(frozen=True)
class Compared:
    """One scene: its pieces, how many finds are none (or a piece once more), and the passing shares'
    errors."""

    trial: Trial
    refused: str | None
    pieces: tuple[PieceRow, ...]
    finds: int
    false: int
    shares: tuple[float, ...]


def compare(made: Trial, scene: Handful, result: DebrisResult) -> Compared:
    """Every find against the piece that most of it lies on.

    A clump of k finds as many as k of the pieces that lie in it by half. Passing shares are those of all
    openings on offer, found less true; the truth drops the scene's own pieces, whole or not.
    """
    if result.refused is not None:
        rows = tuple(_row(each.outline.kind, each.touches, each.complete, None) for each in scene.pieces)
        return Compared(made, result.refused.reason, rows, 0, 0, ())
    area = np.bincount(scene.owner[scene.owner >= 0], minlength=len(scene.pieces)).astype(float)
    holders: dict[int, Piece] = {}
    in_clumps: set[int] = set()
    false = 0
    # Small finds first: what stands inside a clump is found by itself.
    for find in sorted(result.pieces, key=lambda each: (each.clump > 1, each.area_mm2)):
        inside = np.zeros(scene.owner.shape, np.uint8)
        cv2.fillPoly(inside, [np.round(np.array(find.outline_px)).astype(np.int32)], 1)
        here = scene.owner[inside > 0]
        held = np.bincount(here[here >= 0], minlength=len(scene.pieces))
        order = [int(at) for at in np.argsort(-held) if held[at] > _HELD * max(area[at], 1)]
        if find.clump > 1:
            in_clumps.update(order)
        new = [at for at in order if at not in holders][: find.clump]
        if not new:
            false += 1
        for at in new:
            holders[at] = find
    rows = tuple(
        _row(each.outline.kind, each.touches, each.complete, holders.get(at),
             (each.outline.length_mm, each.outline.smallest_width_mm), in_clump=at in in_clumps)
        for at, each in enumerate(scene.pieces)
    )  # fmt: skip
    true = [_as_piece(at, scene) for at in range(len(scene.pieces)) if scene.pieces[at].complete]
    guards = load_guards()
    shares = [
        one.through - other.through
        for one, other in zip(result.drops, drop_counts(true, guards), strict=False)
    ]
    return Compared(made, None, rows, len(result.pieces), false, tuple(shares))


def _as_piece(at: int, scene: Handful) -> Piece:
    truth = scene.pieces[at]
    outline = truth.outline
    return Piece(
        number=at + 1, kind=outline.kind, chances={}, length_mm=outline.length_mm, length_sd_mm=0.0,
        width_mm=outline.width_mm, smallest_width_mm=outline.smallest_width_mm, smallest_width_sd_mm=0.0,
        area_mm2=truth.visible_mm2, color="other", complete=True, clump=1, outline_px=(),
    )  # fmt: skip


def _row(
    kind: str,
    touches: bool,
    complete: bool,
    find: Piece | None,
    true: tuple[float, float] = (0.0, 0.0),
    *,
    in_clump: bool = False,
) -> PieceRow:
    nothing = (math.nan, math.nan, math.nan)
    alone = find is not None and find.clump == 1
    measured = find is not None and alone and complete and find.complete
    return PieceRow(
        kind=kind,
        touches=touches,
        complete=complete,
        found=find is not None,
        outlined=find is not None or in_clump,
        clumped=find is not None and find.clump > 1,
        said_kind=find.kind if find is not None and alone else None,
        answered=find is not None and alone and find.kind is not None,
        length_mm=(true[0], find.length_mm, find.length_sd_mm) if find is not None and measured else nothing,
        width_mm=(true[1], find.smallest_width_mm, find.smallest_width_sd_mm)
        if find is not None and measured
        else nothing,
    )


def summary_lines(scenes: Sequence[Compared]) -> list[str]:
    """What a reader wants to know, all together and by group, with n and an interval beside every share."""
    lines = ["all", *_lines(scenes)]
    groups: tuple[tuple[str, Callable[[Compared], str]], ...] = (
        ("background", lambda each: each.trial.background),
        ("light", lambda each: each.trial.light),
        ("phone", lambda each: each.trial.phone),
        ("crowding", lambda each: each.trial.crowding),
        ("pieces", lambda each: "20 to 60" if len(each.pieces) <= 60 else "61 to 120"),
    )
    for name, of in groups:
        for value in sorted({of(each) for each in scenes}):
            lines += [f"{name}: {value}", *_lines([each for each in scenes if of(each) == value])]
    rows = [
        row
        for each in scenes
        if each.refused is None
        for row in each.pieces
        if not math.isnan(row.length_mm[0])
    ]
    for kind in sorted({row.kind for row in rows}):
        mine = [row for row in rows if row.kind == kind]
        right = [row.said_kind == row.kind for row in mine if row.answered]
        wrong = sorted({str(row.said_kind) for row in mine if row.answered and row.said_kind != row.kind})
        lines += [
            f"kind {kind}: answered {len(right)} of {len(mine)}, {_share('right', right)}",
            f"  taken for {', '.join(wrong) or 'nothing else'}",
            f"  {_off('length', mine, True)}",
            f"  {_off('smallest width', mine, False)}",
        ]
    return lines


def _lines(scenes: Sequence[Compared]) -> list[str]:
    read = [each for each in scenes if each.refused is None]
    reasons = sorted({each.refused for each in scenes if each.refused})
    lines = [f"  scenes {len(scenes)}, refused {len(scenes) - len(read)} ({', '.join(reasons) or 'none'})"]
    rows = [row for each in read for row in each.pieces]
    if not rows:
        return lines
    finds, false = sum(each.finds for each in read), sum(each.false for each in read)
    whole = [row for row in rows if not math.isnan(row.length_mm[0])]
    lines += [
        f"  {_share('pieces found, alone or counted in a clump', [row.found for row in rows])}",
        f"  {_share('cut out alone', [row.found and not row.clumped for row in rows])}",
        f"  {_share('alone or anywhere in a clump', [row.outlined for row in rows])}",
    ]
    lines.append(
        f"  {_share('finds that are no piece, or one again', [True] * false + [False] * (finds - false))}"
    )
    lines.append(f"  {_off('length', whole, True)}")
    lines.append(f"  {_off('smallest width', whole, False)}")
    answered = [row for row in whole if row.answered]
    lines.append(f"  {_share('kind right', [row.said_kind == row.kind for row in answered])}")
    lines.append(f"  {_share('kind answered', [row.answered for row in whole])}")
    shares = [abs(share) < _POINTS for each in read for share in each.shares]
    mean = np.mean([share for each in read for share in each.shares]) if shares else math.nan
    lines.append(f"  {_share('passing shares within 3 points', shares)}, mean {100 * mean:+.1f} points")
    return lines


def _share(name: str, yes: Sequence[bool]) -> str:
    if not yes:
        return f"{name}: n = 0"
    low, high = wilson(sum(yes), len(yes))
    return f"{name}: {sum(yes)} of {len(yes)} = {sum(yes) / len(yes):.1%} ({low:.1%} to {high:.1%})"


def _off(name: str, rows: Sequence[PieceRow], length: bool) -> str:
    """Median error in mm (of a length also in percent), bias, 95th percentile, how often the sd holds it."""
    if not rows:
        return f"{name}: n = 0"
    true, found, sd = np.array([row.length_mm if length else row.width_mm for row in rows]).T
    error = found - true
    size = np.abs(error)
    percent = f" or {100 * np.median(size / true):.1f} %" if length else ""
    return (
        f"{name}: median {np.median(size):.2f} mm{percent}, bias {np.median(error):+.2f}, "
        f"95th {np.quantile(size, 0.95):.2f}, "
        f"within 1 sd {np.mean(size < sd):.0%}, 2 sd {np.mean(size < 2 * sd):.0%} (n = {len(error)})"
    )


def _kept(made: Trial, folder: Path | None) -> Handful:
    path = None if folder is None else folder / f"{made.seed}.pickle"
    if path is not None and path.exists():
        kept: tuple[Handful, tuple[int, ...], bytes] = pickle.loads(path.read_bytes())
        scene, shape, owner = kept
        owners: NDArray[np.int16] = np.frombuffer(zlib.decompress(owner), np.int16).reshape(shape)
        return replace(scene, owner=owners)
    scene = drawn(made)
    if path is not None:
        path.parent.mkdir(parents=True, exist_ok=True)
        bare = replace(scene, owner=np.zeros((1, 1), np.int16))
        path.write_bytes(pickle.dumps((bare, scene.owner.shape, zlib.compress(scene.owner.tobytes(), 1))))
    return scene


def main(arguments: list[str] | None = None) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scenes", type=int, default=200)
    parser.add_argument("--first-seed", type=int, default=HELD_OUT)
    parser.add_argument("--scene-folder", type=Path, help="Keep drawn scenes here, and use those there.")
    parser.add_argument("--draw-only", action="store_true", help="Draw and keep; read nothing.")
    options = parser.parse_args(arguments)
    compared = []
    for seed in range(options.first_seed, options.first_seed + options.scenes):
        made = trial(seed)
        scene = _kept(made, options.scene_folder)
        if options.draw_only:
            continue
        result = read_debris(decode(scene.jpeg_bytes, name=str(seed)), scene.reference, name=str(seed))
        compared.append(compare(made, scene, result))
        said = result.refused.reason if result.refused else f"{len(result.pieces)} pieces"
        print(
            f"{seed} {made.background}, {made.light}, {made.crowding}: {said} of {len(scene.pieces)}",
            flush=True,
        )
    print("\n".join(summary_lines(compared)))


if __name__ == "__main__":
    main()
