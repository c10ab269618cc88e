"""From a mask to strands: its skeleton in pieces, straight on through crossings, together at a sheath."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass, field
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.morphology import skeletonize

FloatArray = NDArray[np.float64]

_BRIDGE_WIDTHS: Final = 4.5  # a piece between two forks this short belongs to one crossing (30 degrees: 4)
_WIDE_BRIDGE_WIDTHS: Final = 14.0  # so does a longer one that is too wide for one strand
_WIDE: Final = 1.3
_ARM_WIDTHS: Final = 9.0
_ANGLE_RAD: Final = math.radians(11)
_UNPAIRED: Final = 5.0
_CLEARLY: Final = 1.0  # a way on must be better than the next by this much
_GAP_MM: Final = 4.0
_TRUNK_MM: Final = 16.0
_FAN_RAD: Final = math.radians(50)
_CORNER_RAD: Final = math.radians(50)
_MAX_ARMS: Final = 9
FREE = -1
_RING = np.array([[1, 1, 1], [1, 0, 1], [1, 1, 1]], np.float32)


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


def skeleton_pieces(mask: NDArray[np.bool_]) -> list[Piece]:
    """Pieces of a mask's skeleton, spurs removed and false forks joined."""
    # Zhang and Suen's way would eat lines at exactly 45 degrees from their ends; Lee's does not.
    skeleton = np.asarray(skeletonize(mask, method="lee")) > 0
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
    centers = _fork_centers(fork_label)
    for piece in pieces:
        _reach_forks(piece, centers, half_of)
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


def _fork_centers(fork_label: NDArray[np.int32]) -> dict[int, FloatArray]:
    rows, cols = np.nonzero(fork_label)
    labels = fork_label[rows, cols]
    count = np.bincount(labels)
    x, y = np.bincount(labels, cols), np.bincount(labels, rows)
    return {n: np.array([x[n] / count[n], y[n] / count[n]]) for n in range(1, len(count))}


def _reach_forks(piece: Piece, centers: dict[int, FloatArray], half_of: NDArray[np.float32]) -> None:
    """Add the forks' middles as end points, so that pieces meet."""
    for end in (0, 1):
        if piece.nodes[end] != FREE:
            center = centers[piece.nodes[end]]
            at = 0 if end == 0 else len(piece.points)
            half = float(half_of[round(center[1]), round(center[0])])
            piece.points = np.insert(piece.points, at, center, axis=0)
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


@dataclass(frozen=True)
class Strand:
    """One traced strand in view pixels.

    ``points`` (N, 2) runs from one end to the other (from the sheath, in a bundle); ``half`` (N,) is the
    mask's half width; ``shared`` marks points where it runs through or under another; ``bundle`` numbers its
    fascicle; ``open_ends`` says which of its two ends stop at another strand instead of ending by themselves;
    ``doubtful`` that at some crossing another way on was nearly as good.
    """

    points: FloatArray
    half: FloatArray
    shared: NDArray[np.bool_]
    bundle: int | None
    open_ends: tuple[bool, bool]
    doubtful: bool = False


@dataclass(frozen=True)
class _Ways:
    """``follow``: (piece, end) -> the (piece, end) it runs on into; ``doubtful``: where that is not sure."""

    follow: dict[tuple[int, int], tuple[int, int]]
    doubtful: set[tuple[int, int]]


@dataclass
class _Arm:
    piece: int
    end: int
    at: FloatArray
    outward: FloatArray
    half: float
    length: float
    loose: bool


def join_pieces(pieces: list[Piece], px_per_mm: float) -> list[Strand]:
    """Strands from pieces.

    At every crossing the arms are paired so that the sum over pairs of squared bend and sideways offset is
    least; an arm that fits none stays an end. Arms that fan out from a short or stout trunk are a bundle.
    """
    pieces = _cut_corners(pieces)
    if not pieces:
        return []
    width = _typical_width(pieces)
    _bridge_gaps(pieces, width, px_per_mm)
    home = _crossings(pieces, width)
    bridges = {i for i, p in enumerate(pieces) if _is_bridge(p, width)}
    arms: dict[int, list[_Arm]] = defaultdict(list)
    for i, piece in enumerate(pieces):
        if i in bridges:
            continue
        for end in (0, 1):
            if piece.nodes[end] != FREE:
                arms[home[piece.nodes[end]]].append(_arm(piece, i, end, width))
    follow: dict[tuple[int, int], tuple[int, int]] = {}
    doubtful: set[tuple[int, int]] = set()
    trunks: dict[int, list[tuple[int, int]]] = {}
    for node in sorted(arms):
        pairs, trunk, members = _resolve(arms[node], width, px_per_mm)
        for a, b, doubt in pairs:
            follow[(a.piece, a.end)] = (b.piece, b.end)
            follow[(b.piece, b.end)] = (a.piece, a.end)
            if doubt:
                doubtful |= {(a.piece, a.end), (b.piece, b.end)}
        if trunk is not None:
            trunks[trunk.piece] = [(arm.piece, arm.end) for arm in members]
    return _walk(pieces, bridges, _Ways(follow, doubtful), trunks)


def _bridge_gaps(pieces: list[Piece], width: float, px_per_mm: float) -> None:
    """Give a common fork to loose ends that face each other over a short gap: a glint, a spot of bark."""
    ends = [(i, end) for i, p in enumerate(pieces) for end in (0, 1) if p.nodes[end] == FREE]
    arms = [_arm(pieces[i], i, end, width) for i, end in ends]
    tips = np.array([pieces[i].points[-end] for i, end in ends]).reshape(-1, 2)
    new = max((node for p in pieces for node in p.nodes), default=0) + 1
    options = []
    for a in range(len(arms)):
        near = np.flatnonzero(np.hypot(*(tips - tips[a]).T) < _GAP_MM * px_per_mm)
        for b in near[near > a].tolist():
            if arms[a].piece != arms[b].piece and (tips[b] - tips[a]) @ arms[a].outward < 0:
                options.append((_pair_cost(arms[a], arms[b], width), a, b))
    taken: set[int] = set()
    for cost, a, b in sorted(options):
        if cost < _UNPAIRED and not taken & {a, b}:
            taken |= {a, b}
            for i, end in (ends[a], ends[b]):
                pieces[i].nodes[end] = new
            new += 1


def _typical_width(pieces: list[Piece]) -> float:
    half = np.concatenate([p.half for p in pieces])
    return 2 * float(np.median(half))


def _is_bridge(piece: Piece, width: float) -> bool:
    if FREE in piece.nodes:
        return False
    wide = 2 * float(np.median(piece.half)) > _WIDE * width
    return piece.length < (_WIDE_BRIDGE_WIDTHS if wide else _BRIDGE_WIDTHS) * width


def _crossings(pieces: list[Piece], width: float) -> dict[int, int]:
    """Fork -> crossing it belongs to (forks joined by bridges are one)."""
    home: dict[int, int] = {}

    def find(node: int) -> int:
        while home.setdefault(node, node) != node:
            node = home[node]
        return node

    for piece in pieces:
        for node in piece.nodes:
            if node != FREE:
                find(node)
        if _is_bridge(piece, width):
            a, b = find(piece.nodes[0]), find(piece.nodes[1])
            home[max(a, b)] = min(a, b)
    return {node: find(node) for node in home}


def _arm(piece: Piece, number: int, end: int, width: float) -> _Arm:
    points = piece.points if end == 0 else piece.points[::-1]
    half = piece.half if end == 0 else piece.half[::-1]
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    # The skeleton bends where strands merge: look past that, but not so far that its own bend counts.
    skip = min(1.0 * width, 0.3 * run[-1])
    part = (run >= skip) & (run <= skip + _ARM_WIDTHS * width)
    if part.sum() < 3:
        part = run >= 0
    near, s = points[part], run[part] - run[part][0]
    order = 2 if s[-1] > 5 * width else 1
    if len(near) < 3 or s[-1] <= 0:
        direction, at = near[-1] - near[0], near[0]
    else:
        fit = np.polynomial.polynomial.polyfit(s / s[-1], near, order)
        direction, at = fit[1], fit[0]
    norm = float(np.hypot(*direction))
    outward = direction / norm if norm > 0 else np.array([1.0, 0.0])
    return _Arm(
        number, end, at, outward, float(np.median(half[part])), float(run[-1]), piece.nodes[1 - end] == FREE
    )


def _pair_cost(a: _Arm, b: _Arm, width: float) -> float:
    """Squared misfit of one strand running from arm ``a`` straight into arm ``b``."""
    bend = math.acos(float(np.clip(-a.outward @ b.outward, -1, 1)))
    gap = b.at - a.at
    across_a = abs(float(a.outward[0] * gap[1] - a.outward[1] * gap[0]))
    across_b = abs(float(b.outward[0] * gap[1] - b.outward[1] * gap[0]))
    reach = 0.5 * width + 0.12 * float(np.hypot(*gap))
    stout = math.log(max(a.half, 0.5) / max(b.half, 0.5)) / 0.35
    return (bend / _ANGLE_RAD) ** 2 / 2 + ((across_a + across_b) / 2 / reach) ** 2 + stout**2 / 2


def _best_pairs(arms: list[_Arm], width: float) -> list[tuple[int, int, bool]]:
    """Pairs of least total cost, leaving out arms that fit none; True marks one hardly the best."""
    cost = {
        (i, j): _pair_cost(arms[i], arms[j], width)
        for i in range(len(arms))
        for j in range(i + 1, len(arms))
        if arms[i].piece != arms[j].piece
    }
    cost = {pair: value for pair, value in cost.items() if value < 2 * _UNPAIRED}
    if len(arms) > _MAX_ARMS:  # too many to try all: nearest first, and none of it sure
        taken: set[int] = set()
        chosen = []
        for (i, j), _ in sorted(cost.items(), key=lambda item: item[1]):
            if not taken & {i, j}:
                chosen.append((i, j, True))
                taken |= {i, j}
        return chosen
    everyone = tuple(range(len(arms)))
    total, pairs = _cheapest(everyone, cost)
    result = []
    for pair in pairs:
        others = {other: value for other, value in cost.items() if other != pair}
        result.append((*pair, _cheapest(everyone, others)[0] - total < _CLEARLY))
    return result


def _cheapest(
    left: tuple[int, ...], cost: dict[tuple[int, int], float]
) -> tuple[float, list[tuple[int, int]]]:
    """Least total over all ways to pair ``left``, and the pairs."""
    if not left:
        return 0.0, []
    i, rest = left[0], left[1:]
    total, chosen = _cheapest(rest, cost)
    best = (total + _UNPAIRED, chosen)
    for j in rest:
        if (i, j) in cost:
            total, chosen = _cheapest(tuple(k for k in rest if k != j), cost)
            if total + cost[(i, j)] < best[0]:
                best = (total + cost[(i, j)], [(i, j), *chosen])
    return best


def _resolve(
    arms: list[_Arm], width: float, px_per_mm: float
) -> tuple[list[tuple[_Arm, _Arm, bool]], _Arm | None, list[_Arm]]:
    """Pairs of arms, and the trunk of a bundle with the arms that fan out from it."""
    pairs = _best_pairs(arms, width)
    paired = {i for a, b, _ in pairs for i in (a, b)}
    spare = [i for i in range(len(arms)) if i not in paired]
    for i, arm in enumerate(arms):
        if not arm.loose or arm.length > _TRUNK_MM * px_per_mm:
            continue
        fan = [j for j in spare if j != i and _opposite(arm, arms[j])]
        partner = next((b if a == i else a for a, b, _ in pairs if i in (a, b)), None)
        if partner is not None and _opposite(arm, arms[partner]):
            fan.append(partner)
        longest = max((arms[j].length for j in fan), default=0.0)
        if len(fan) >= 2 and arm.length < 0.5 * longest and all(arms[j].length > arm.length for j in fan):
            kept = [(arms[a], arms[b], doubt) for a, b, doubt in pairs if i not in (a, b)]
            return kept, arm, [arms[j] for j in sorted(fan)]
    return [(arms[a], arms[b], doubt) for a, b, doubt in pairs], None, []


def _opposite(trunk: _Arm, arm: _Arm) -> bool:
    return math.acos(float(np.clip(-trunk.outward @ arm.outward, -1, 1))) < _FAN_RAD


def _walk(
    pieces: list[Piece],
    bridges: set[int],
    ways: _Ways,
    trunks: dict[int, list[tuple[int, int]]],
) -> list[Strand]:
    strands: list[Strand] = []
    used: set[int] = set(bridges) | set(trunks)
    for number, (trunk, members) in enumerate(sorted(trunks.items()), 1):
        first = pieces[trunk]
        root = _turned(first, 0 if first.nodes[0] == FREE else 1)
        for piece, end in members:
            if piece not in used:
                strands.append(_chain(pieces, ways, used, piece, end, root, number))
    for i in range(len(pieces)):
        if i in used:
            continue
        # Go back to the beginning of the chain that this piece is part of.
        here, seen = (i, 0), {i}
        while here in ways.follow and ways.follow[here][0] not in seen:
            piece, end = ways.follow[here]
            seen.add(piece)
            here = (piece, 1 - end)
        if here[0] not in used:
            strands.append(_chain(pieces, ways, used, here[0], here[1], None, None))
    return strands


def _turned(piece: Piece, start: int) -> tuple[FloatArray, FloatArray]:
    return (piece.points, piece.half) if start == 0 else (piece.points[::-1], piece.half[::-1])


def _chain(
    pieces: list[Piece],
    ways: _Ways,
    used: set[int],
    piece: int,
    start: int,
    root: tuple[FloatArray, FloatArray] | None,
    bundle: int | None,
) -> Strand:
    """Points from ``start`` of ``piece`` through every crossing to the far end."""
    points, half = _turned(pieces[piece], start)
    shared = np.zeros(len(points), bool)
    open_start = root is None and pieces[piece].nodes[start] != FREE
    used.add(piece)
    if root is not None:
        points, half = np.vstack([root[0], points]), np.concatenate([root[1], half])
        shared = np.concatenate([np.ones(len(root[0]), bool), shared])
    here = (piece, 1 - start)
    doubtful = False
    while here in ways.follow and ways.follow[here][0] not in used:
        doubtful = doubtful or here in ways.doubtful
        number, end = ways.follow[here]
        more, more_half = _turned(pieces[number], end)
        # Fork points stand where strands merge, not on this one's axis: leave them out on both sides.
        trim_a, trim_b = _merge_trim(half), _merge_trim(more_half)
        joint = len(points) - trim_a
        points = np.vstack([points[:joint], more[trim_b:]])
        half = np.concatenate([half[:joint], more_half[trim_b:]])
        shared = np.concatenate([shared[:joint], np.zeros(len(more) - trim_b, bool)])
        shared[max(joint - 1, 0) : joint + 1] = True
        used.add(number)
        here = (number, 1 - end)
    open_stop = pieces[here[0]].nodes[here[1]] != FREE
    return Strand(points, half, shared, bundle, (open_start, open_stop), doubtful)


def _merge_trim(half: FloatArray) -> int:
    return max(1, min(len(half) // 3, round(2 * float(np.median(half)))))


def _cut_corners(pieces: list[Piece]) -> list[Piece]:
    """Cut pieces at sharp bends, where two strands meet end to end."""
    out: list[Piece] = []
    queue = list(pieces)
    while queue:
        piece = queue.pop()
        cut = _sharpest(piece)
        if cut is None:
            out.append(piece)
            continue
        queue.append(Piece(piece.points[: cut + 1], piece.half[: cut + 1], [piece.nodes[0], FREE]))
        queue.append(Piece(piece.points[cut:], piece.half[cut:], [FREE, piece.nodes[1]]))
    return out[::-1]


def _sharpest(piece: Piece) -> int | None:
    arm = max(4, round(5 * float(np.median(piece.half))))
    if len(piece.points) < 3 * arm:
        return None
    middle = piece.points[arm:-arm]
    back, ahead = middle - piece.points[: -2 * arm], piece.points[2 * arm :] - middle
    turn = np.abs(np.arctan2(back[:, 0] * ahead[:, 1] - back[:, 1] * ahead[:, 0], (back * ahead).sum(axis=1)))
    at = int(np.argmax(turn))
    return at + arm if turn[at] > _CORNER_RAD else None
