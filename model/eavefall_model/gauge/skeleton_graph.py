"""A skeleton as pieces between forks and ends."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray



__all__ = ["FREE", "Piece", "skeleton_pieces"]

FREE = -1
_RING = np.array([[1, 1, 1], [1, 0, 1], [1, 1, 1]], np.float32)
FloatArray = NDArray[np.float64]


@dataclass
class Piece:
    """A run of skeleton pixels ``points`` (N, 2) as (x, y), with its half widths (N,).

    ``nodes`` are the forks at its first and last point, ``FREE`` for a loose end.
    """

    points: FloatArray
    half: FloatArray
    nodes: list[int] = field(default_factory=lambda: [FREE, FREE])

    @property
    def length(self) -> float:
        """Length along the pixels."""
        return float(np.hypot(*np.diff(self.points, axis=0).T).sum()) if len(self.points) > 1 else 1.0


def skeleton_pieces(skeleton: NDArray[np.bool_], mask: NDArray[np.bool_]) -> list[Piece]:
    """Pieces of a skeleton, spurs removed and false forks joined. ``mask`` is what was thinned."""
    half_of = np.asarray(cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 5), np.float32)
    near = cv2.filter2D(skeleton.astype(np.uint8), cv2.CV_8U, _RING, borderType=cv2.BORDER_CONSTANT)
    fork = skeleton & (near >= 3)
    fork_label = np.asarray(cv2.connectedComponents(fork.astype(np.uint8), connectivity=8)[1], np.int32)
    n, label = cv2.connectedComponents((skeleton & ~fork).astype(np.uint8), connectivity=8)
    pixels: dict[int, list[tuple[int, int]]] = defaultdict(list)
    for y, x in zip(*(axis.tolist() for axis in np.nonzero(label)), strict=True):
        pixels[int(label[y, x])].append((x, y))
    pieces = []
    for number in range(1, n):
        points = _ordered(pixels[number])
        piece = Piece(np.array(points, np.float64), np.array([half_of[y, x] for x, y in points], np.float64))
        piece.nodes = _end_nodes(points, fork_label)
        pieces.append(piece)
    centres = _fork_centres(fork_label)
    for piece in pieces:
        _reach_forks(piece, centres, half_of)
    return _tidy(pieces)


def _ordered(pixels: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Pixels of a simple 8-connected run from one end to the other (from anywhere, if it is a ring)."""
    left = set(pixels)

    def near(at: tuple[int, int]) -> list[tuple[int, int]]:
        x, y = at
        straight = [(x + 1, y), (x - 1, y), (x, y + 1), (x, y - 1)]
        oblique = [(x + 1, y + 1), (x + 1, y - 1), (x - 1, y + 1), (x - 1, y - 1)]
        return [p for p in (*straight, *oblique) if p in left]

    start = next((p for p in pixels if len(near(p)) <= 1), pixels[0])
    run = [start]
    left.discard(start)
    while after := near(run[-1]):
        run.append(after[0])
        left.discard(after[0])
    return run


def _end_nodes(points: list[tuple[int, int]], fork_label: NDArray[np.int32]) -> list[int]:
    ends = []
    for x, y in (points[0], points[-1]):
        patch = fork_label[max(y - 1, 0) : y + 2, max(x - 1, 0) : x + 2]
        ends.append(sorted(set(patch[patch > 0].tolist())))
    if len(points) == 1 and len(ends[0]) >= 2:
        return [ends[0][0], ends[0][1]]
    first = ends[0][0] if ends[0] else FREE
    if len(points) == 1:
        return [first, FREE]
    # A short piece may touch its first fork with both ends: prefer another one for the last.
    others = [node for node in ends[1] if node != first] if len(points) < 4 else ends[1]
    return [first, others[0] if others else (ends[1][0] if ends[1] and len(points) > 3 else FREE)]


def _fork_centres(fork_label: NDArray[np.int32]) -> dict[int, FloatArray]:
    rows, cols = np.nonzero(fork_label)
    labels = fork_label[rows, cols]
    count = np.bincount(labels)
    x, y = np.bincount(labels, cols), np.bincount(labels, rows)
    return {n: np.array([x[n] / count[n], y[n] / count[n]]) for n in range(1, len(count))}


def _reach_forks(piece: Piece, centres: dict[int, FloatArray], half_of: NDArray[np.float32]) -> None:
    """Add the forks' middles as end points, so that pieces meet."""
    for end, at in ((0, 0), (1, len(piece.points))):
        if piece.nodes[end] != FREE:
            centre = centres[piece.nodes[end]]
            at = 0 if end == 0 else len(piece.points)
            half = float(half_of[round(centre[1]), round(centre[0])])
            piece.points = np.insert(piece.points, at, centre, axis=0)
            piece.half = np.insert(piece.half, at, half)


def _tidy(pieces: list[Piece]) -> list[Piece]:
    """Drop spurs no longer than the strand is wide, and join pieces through forks of two, to the end."""
    while True:
        at: dict[int, list[tuple[Piece, int]]] = defaultdict(list)
        for piece in pieces:
            for end in (0, 1):
                if piece.nodes[end] != FREE:
                    at[piece.nodes[end]].append((piece, end))
        spur = next((p for p in pieces if _is_spur(p, at)), None)
        if spur is not None:
            pieces = [p for p in pieces if p is not spur]
            continue
        pair = next((arms for arms in at.values() if len(arms) == 2 and arms[0][0] is not arms[1][0]), None)
        if pair is None:
            for arms in at.values():
                if len(arms) == 1:
                    arms[0][0].nodes[arms[0][1]] = FREE
            return pieces
        (a, a_end), (b, b_end) = pair
        pieces = [p for p in pieces if p is not a and p is not b] + [_join(a, a_end, b, b_end)]


def _is_spur(piece: Piece, at: dict[int, list[tuple[Piece, int]]]) -> bool:
    loose = [end for end in (0, 1) if piece.nodes[end] == FREE]
    if len(loose) != 1:
        return False
    fork_end = 1 - loose[0]
    if len(at[piece.nodes[fork_end]]) < 3:
        return False
    half = float(piece.half[0 if fork_end == 0 else -1])
    return piece.length < 1.6 * half + 2.0


def _join(a: Piece, a_end: int, b: Piece, b_end: int) -> Piece:
    """``a`` then ``b``, turned so that the named ends meet."""
    first = a if a_end == 1 else Piece(a.points[::-1], a.half[::-1], a.nodes[::-1])
    second = b if b_end == 0 else Piece(b.points[::-1], b.half[::-1], b.nodes[::-1])
    return Piece(
        np.vstack([first.points, second.points[1:]]),
        np.concatenate([first.half, second.half[1:]]),
        [first.nodes[0], second.nodes[1]],
    )
