"""How full a gutter is, from one photo from above and outside that shows its opening and its front face.

All that is long there runs along the eave: the photo is sheared until it runs level, every point of it is
told for what it is (back wall, litter, bare floor, front, what lies above and below) by a small net over
its color and
grain, and the lines between them are laid where the whole width of the picture agrees. The angles under
which the opening
and the face are seen say where the eye was (:mod:`gutter_section`); the ray through the litter line then
meets the back
wall so far below the rim.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from itertools import pairwise
from typing import Final, Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from eavefall_model.debris.gutter_section import Eye, GutterSize, find_eye
from eavefall_model.debris.schema import GutterFill, GutterResult
from eavefall_model.gauge.schema import Refusal
from eavefall_model.language import mark
from eavefall_model.photo import Photo
from eavefall_model.vocabulary import GUTTER_LITTER

Array = NDArray[np.float64]
Float32 = NDArray[np.float32]
GUTTER_VERSION: Final = "1"
# Surfaces from top to bottom of the picture.
SURFACES: Final = ("above", "wall", "litter", "bare", "front", "below")
ABOVE, WALL, LITTER, BARE, FRONT, BELOW = range(6)
LONG_SIDE_PX: Final = 800
BLOCKS: Final = 24
_OFFSETS: Final = (-48, -24, -10, -4, 0, 4, 10, 24, 48)
_LEVEL_DEG: Final = 40.0  # lines steeper than this in the picture are not the eave's
_USUAL_FOCAL_35MM: Final = 26.0  # of phones' main cameras, where the photo does not say
_FOCAL_REL_SD: Final = 0.06
_LINE_SD_PX: Final = 2.0
_DEPTH_REL_SD: Final = 0.04  # gutters of one name differ in depth (judgement)
_UNEVEN_SD: Final = 0.05  # litter at the back wall stands for the whole section (judgement)
_LEAST_ROWS: Final = 12
_NEAR_SLOPE: Final = 0.025
_SMOOTH: Final = 3  # blocks over which the litter line is taken together
_STRAP: Final = 7  # blocks of which a strap to the back wall hides fewer than half
# Bare floor begins under wall or litter, never at the back rim: what looks bare there is roof or drip edge.
_BARE_AT_RIM: Final = -2.0
_HIGH: Final = 0.15  # of the depth, how far under the rim no bare floor lies
_BARE: Final = 0.3  # share of litter just under the wall's end below which the wall is seen to its foot


@dataclass(frozen=True)
class Level:
    """The photo with all lines of the eave level: rows ``s`` are lines through (middle column, s) of slope
    ``turn * s + tilt``; ``rgb`` (S, X, 3), ``held`` what of it lies in the photo, ``shrink`` its pixels
    per pixel of the picture given.
    """

    rgb: NDArray[np.uint8]
    held: NDArray[np.bool_]
    turn: float
    tilt: float
    middle: float
    shrink: float

    def to_photo(self, row: float, column: float) -> tuple[float, float]:
        """Row and column here to pixels of the picture given (x, y)."""
        y = row + (column - self.middle) * (self.turn * row + self.tilt)
        return column / self.shrink, y / self.shrink


def read_gutter(photo: Photo, reference: str, *, name: str) -> GutterResult:
    """How full a gutter is, what lies there, or why the photo does not say.

    Parameters
    ----------
    photo : Photo
        Decoded; smaller than full size serves.
    reference : str
        The gutter's profile and opening, see :meth:`GutterSize.parse`.

    Raises
    ------
    GaugeError
        ``gauge-reference-unknown``.
    """
    size = GutterSize.parse(reference)
    level = levelled(photo.rgb)
    if level is None:
        return _refused(photo, name, size, "no long lines run across it")
    seen = _Seen.of(level)
    if seen is None:
        return _refused(photo, name, size, "its back rim, its front rim and its face do not stand out")
    fill = _fill(photo, size, level, seen)
    if isinstance(fill, str):
        return _refused(photo, name, size, fill)
    return GutterResult(
        photo=name, sha256=photo.sha256, reference=size.name, fill=fill, refused=None, version=GUTTER_VERSION
    )


def _refused(photo: Photo, name: str, size: GutterSize, why: str) -> GutterResult:
    refused = Refusal(
        reason="no-gutter",
        message=f"{name} does not show into a gutter: {why}.",
        retake=mark(
            "Hold the phone sideways on a pole, out from the eave and above it, so that the whole front "
            "face of the gutter, the inside and the back rim run across the picture."
        ),
    )
    return GutterResult(
        photo=name,
        sha256=photo.sha256,
        reference=size.name,
        fill=None,
        refused=refused,
        version=GUTTER_VERSION,
    )


def levelled(rgb: NDArray[np.uint8]) -> Level | None:
    """The photo sheared so that the eave's lines run level; None where few long lines agree."""
    shrink = LONG_SIDE_PX / max(rgb.shape[:2])
    small = cv2.resize(rgb, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    height, width = small.shape[:2]
    middle = (width - 1) / 2
    found = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD).detect(cv2.cvtColor(small, cv2.COLOR_RGB2GRAY))[
        0
    ]
    if found is None:
        return None
    ends = np.asarray(found, np.float64).reshape(-1, 4)
    run = np.hypot(ends[:, 2] - ends[:, 0], ends[:, 3] - ends[:, 1])
    slope = (ends[:, 3] - ends[:, 1]) / np.where(
        np.abs(ends[:, 2] - ends[:, 0]) < 1e-6, 1e-6, ends[:, 2] - ends[:, 0]
    )
    keep = (run > 0.04 * width) & (np.abs(slope) < math.tan(math.radians(_LEVEL_DEG)))
    ends, run, slope = ends[keep], run[keep], slope[keep]
    if len(run) < 3:
        return None
    at = (ends[:, 0] + ends[:, 2]) / 2, (ends[:, 1] + ends[:, 3]) / 2
    row = at[1] - (at[0] - middle) * slope
    # Lines of the eave meet far off: their slope grows in proportion to the row. The pair of segments that
    # most of the others' length agrees with says how.
    best, turn, tilt = 0.0, 0.0, 0.0
    first = np.argsort(-run)[:25]
    for i in first:
        for j in first:
            if row[j] - row[i] < 0.08 * height:
                continue
            k = (slope[j] - slope[i]) / (row[j] - row[i])
            if abs(k) > 1.2 / width:
                continue
            off = np.abs(k * row + slope[i] - k * row[i] - slope)
            score = float((run * (off < _NEAR_SLOPE)).sum())
            if score > best:
                best, turn, tilt = score, float(k), float(slope[i] - k * row[i])
    if best < 0.7 * width:
        return None
    off = np.abs(turn * row + tilt - slope)
    near = off < _NEAR_SLOPE
    weight = run[near]
    design = np.stack([row[near], np.ones(near.sum())], axis=1) * weight[:, None]
    if near.sum() > 2:
        turn, tilt = (float(each) for each in np.linalg.lstsq(design, slope[near] * weight, rcond=None)[0])
    rows, columns = np.meshgrid(np.arange(height), np.arange(width), indexing="ij")
    y = rows + (columns - middle) * (turn * rows + tilt)
    flat = cv2.remap(
        small,
        columns.astype(np.float32),
        y.astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    held = (y >= 1) & (y <= height - 2)
    return Level(np.asarray(flat, np.uint8), held, turn, tilt, middle, shrink)


def block_features(level: Level) -> tuple[Float32, NDArray[np.bool_]]:
    """What the net sees: (rows, blocks, numbers), and which of them lie mostly in the photo.

    Each block of a row has its light, its two shares of color, its grain at two sizes and its edges along
    and across, and the same of the rows above and below.
    """
    rgb = level.rgb.astype(np.float32) / 255.0
    light = np.log(rgb.mean(axis=2) + 0.03)
    light -= np.median(light[level.held])
    red = np.log((rgb[..., 0] + 0.03) / (rgb[..., 1] + 0.03))
    blue = np.log((rgb[..., 2] + 0.03) / (rgb[..., 1] + 0.03))
    soft, broad = cv2.GaussianBlur(light, (0, 0), 1.2), cv2.GaussianBlur(light, (0, 0), 4.0)
    down = cv2.Sobel(soft, cv2.CV_32F, 0, 1, ksize=3) / 8
    along = cv2.Sobel(soft, cv2.CV_32F, 1, 0, ksize=3) / 8
    channels = np.stack(
        [light, red, blue, np.abs(light - soft), np.abs(soft - broad), np.abs(along), np.abs(down), down],
        axis=-1,
    )
    height, width = light.shape
    edges = np.linspace(0, width, BLOCKS + 1).astype(int)
    held = level.held.astype(np.float32)
    share = np.add.reduceat(held, edges[:-1], axis=1) / np.diff(edges)
    total = np.add.reduceat(channels * held[..., None], edges[:-1], axis=1)
    mean = total / np.maximum(np.add.reduceat(held, edges[:-1], axis=1), 1.0)[..., None]
    rows = np.arange(height)
    context = [mean[np.clip(rows + off, 0, height - 1)] for off in _OFFSETS]
    place = np.broadcast_to((rows / height)[:, None, None], (*mean.shape[:2], 1))
    return np.concatenate([*context, place], axis=2).astype(np.float32), share > 0.8


@cache
def _net() -> dict[str, Array]:
    with files("eavefall_model.debris").joinpath("gutter.npz").open("rb") as file, np.load(file) as kept:
        return {name: np.asarray(kept[name], np.float64) for name in kept.files}


def surface_chances(features: NDArray[np.floating]) -> Array:
    """Log chances of every surface, (rows, blocks, surfaces)."""
    net = _net()
    scaled = np.clip((features - net["mean"]) / net["spread"], -5, 5)
    hidden = np.maximum(scaled @ net["w1"] + net["b1"], 0)
    scores = np.maximum(hidden @ net["w2"] + net["b2"], 0) @ net["w3"] + net["b3"]
    scores -= scores.max(axis=-1, keepdims=True)
    return np.asarray(scores - np.log(np.exp(scores).sum(axis=-1, keepdims=True)))


@dataclass(frozen=True)
class _Seen:
    """Rows of the back rim, the lip and the face's lower edge; row of the litter line by block (nan where
    the block is outside the photo) and whether bare floor begins there; share of floor rows that litter
    covers; how sure the net is of it all."""

    back: float
    lip: float
    foot: float
    litter: Array
    bare: NDArray[np.bool_]
    covered: float
    sure: float

    @staticmethod
    def of(level: Level) -> _Seen | None:
        features, held = block_features(level)
        logs = np.where(held[..., None], surface_chances(features), 0.0)
        top = np.logaddexp(logs[..., WALL], logs[..., LITTER])
        inside = np.logaddexp(top, logs[..., BARE])
        by_row = np.stack([logs[..., ABOVE], inside, logs[..., FRONT], logs[..., BELOW]], axis=-1).sum(axis=1)
        at_rim = np.logaddexp(top, logs[..., BARE] + _BARE_AT_RIM).sum(axis=1)
        rows = _in_order(by_row, at_rim)
        if rows is None:
            return None
        edge = _edge_strength(level)
        back, lip, foot = (_to_edge(edge, row) for row in rows)
        count = np.maximum(held.sum(axis=1), 1)
        told = by_row / count[:, None]
        parts = (
            told[: int(back), 0],
            told[int(back) : int(lip), 1],
            told[int(lip) : int(foot), 2],
            told[int(foot) :, 3],
        )
        sure = float(np.mean([np.exp(part).mean() for part in parts if len(part)]))
        litter, bare, covered = _litter_line(logs, held, round(back), round(lip))
        return _Seen(back, lip, foot, litter, bare, covered, sure)


def _in_order(by_row: Array, at_rim: Array) -> tuple[int, int, int] | None:
    """First rows of the inside, the front and what is below, for the best sum of log chances from top to
    bottom; the inside's first rows have those of ``at_rim``."""
    height = len(by_row)
    kinds = np.column_stack([by_row[:, 0], at_rim, by_row[:, 1:]])
    # total[s, k]: rows before s, all of kind k
    total = np.vstack([np.zeros(kinds.shape[1]), np.cumsum(kinds, axis=0)])
    least = _LEAST_ROWS
    value, starts = total[:, 0], []
    for k, wait in ((1, least), (2, least // 2), (3, least // 2), (4, least)):
        gain = value - total[:, k]
        shifted = np.full(height + 1, -np.inf)
        shifted[wait:] = gain[: height + 1 - wait]
        start = np.maximum.accumulate(shifted)
        where = np.zeros(height + 1, int)
        best = -np.inf
        for s in range(wait, height + 1):
            if shifted[s] > best:
                best, where[s] = shifted[s], s - wait
            else:
                where[s] = where[s - 1]
        value = start + total[:, k]
        starts.append(where)
    foot = starts[3][height]
    lip = starts[2][foot]
    back = starts[0][starts[1][lip]]
    if not least <= back < lip < foot <= height - 4 or lip - back < least or foot - lip < least:
        return None
    return int(back), int(lip), int(foot)


def _edge_strength(level: Level) -> Array:
    """How much of the picture's width has an edge at each row, (rows,)."""
    gray = cv2.GaussianBlur(cv2.cvtColor(level.rgb, cv2.COLOR_RGB2LAB).astype(np.float32), (0, 0), 1.0)
    step = np.abs(np.diff(gray, axis=0, prepend=gray[:1])).sum(axis=2)
    return np.asarray(np.median(np.where(level.held, np.minimum(step, 25.0), np.nan), axis=1, keepdims=False))


def _to_edge(edge: Array, row: int, reach: int = 5) -> float:
    low, high = max(row - reach, 0), min(row + reach + 1, len(edge))
    near = np.nan_to_num(edge[low:high]) * np.exp(-0.5 * ((np.arange(low, high) - row) / 3.0) ** 2)
    return float(low + near.argmax()) if near.max() > 0.5 else float(row)


def _litter_line(
    logs: Array, held: NDArray[np.bool_], back: int, lip: int
) -> tuple[Array, NDArray[np.bool_], float]:
    """Row where the back wall ends, by block, whether bare floor begins there, and the share of what lies
    below it that is litter."""
    wall = logs[back:lip, :, WALL]
    floor = np.logaddexp(logs[back:lip, :, LITTER], logs[back:lip, :, BARE])
    ahead = np.vstack([np.zeros(wall.shape[1]), np.cumsum(wall - floor, axis=0)])
    kernel = np.ones(_SMOOTH)
    smooth = np.apply_along_axis(lambda row: np.convolve(row, kernel, "same"), 1, ahead)
    line = smooth.argmax(axis=0).astype(np.float64) + back
    line[held[back:lip].mean(axis=0) < 0.9] = math.nan
    chance = np.exp(logs[back:lip, :, LITTER] - floor)
    under = (np.arange(back, lip)[:, None] >= line[None, :]) & held[back:lip]
    rows = np.arange(back, lip)[:, None]
    first = under & (rows < line + np.maximum((lip - line) / 3, 4.0))
    share = (chance * first).sum(axis=0) / np.maximum(first.sum(axis=0), 1)
    bare = np.asarray(first.any(axis=0) & (share < _BARE))
    return line, bare, float(chance[under].mean()) if under.any() else 0.0


_LEAST_SURE: Final = 0.62
_MISFIT: Final = 0.25
_LEAST_BLOCKS: Final = 6


def _fill(photo: Photo, size: GutterSize, level: Level, seen: _Seen) -> GutterFill | str:
    if seen.sure < _LEAST_SURE:
        return "its back rim, its front rim and its face do not stand out"
    kept = ~np.isnan(seen.litter)
    line, bare = seen.litter[kept], seen.bare[kept]
    if len(line) < _LEAST_BLOCKS:
        return "its rims leave the picture"
    told = _told(photo, size, level, seen.back, seen.lip, seen.foot, line, bare)
    if told is None:
        return "its opening and its face do not fit a gutter of that profile seen from above and outside"
    if told == "bare at the rim":
        return "its back rim does not stand out"
    eye, full, mean = told
    spread = [_UNEVEN_SD, _DEPTH_REL_SD * (1 - full)]
    for moved in (
        (1, 0, 0, 0, 1),
        (0, 1, 0, 0, 1),
        (0, 0, 1, 0, 1),
        (0, 0, 0, 1, 1),
        (0, 0, 0, 0, 1 + _FOCAL_REL_SD),
    ):
        other = _told(
            photo, size, level, seen.back + moved[0] * _LINE_SD_PX, seen.lip + moved[1] * _LINE_SD_PX,
            seen.foot + moved[2] * _LINE_SD_PX, line + moved[3] * _LINE_SD_PX, bare, moved[4],
        )  # fmt: skip
        spread.append(0.2 if other is None or isinstance(other, str) else other[1] - full)
    sd = math.hypot(*spread)
    lies, kind, wet = _what_lies(level, seen, eye, size)
    columns = (0.0, float(level.rgb.shape[1] - 1))
    whole = photo.width_px / photo.rgb.shape[1]
    lines = tuple(
        (_rounded(level.to_photo(row, columns[0]), whole), _rounded(level.to_photo(row, columns[1]), whole))
        for row in (seen.back, seen.lip, seen.foot)
    )
    wide = level.rgb.shape[1] / BLOCKS
    litter = tuple(
        _rounded(level.to_photo(float(row), (at + 0.5) * wide), whole)
        for at, row in enumerate(seen.litter)
        if not math.isnan(row)
    )
    return GutterFill(
        elevation_deg=round(eye.elevation_deg, 1),
        full_share=round(full, 3),
        full_low=round(max(full - 1.2816 * sd, 0.0), 3),
        full_high=round(min(full + 1.2816 * sd, 1.0), 3),
        mean_share=round(mean, 3),
        covered_share=round(seen.covered, 3),
        lies=lies,
        kind=kind,
        wet=wet,
        lines_px=lines,
        litter_px=litter,
    )


def _rounded(point: tuple[float, float], grow: float) -> tuple[float, float]:
    return round(point[0] * grow, 1), round(point[1] * grow, 1)


def _told(
    photo: Photo,
    size: GutterSize,
    level: Level,
    back: float,
    lip: float,
    foot: float,
    line: Array,
    bare: NDArray[np.bool_],
    focal: float = 1.0,
) -> tuple[Eye, float, float] | Literal["bare at the rim"] | None:
    """The eye, how full where fullest, and how full in the mean. Where bare floor begins at the wall's end
    nothing lies; what few blocks say otherwise than those beside them is a strap. Floor that looks bare as
    high as the rim is none: roof or drip edge was taken for the inside."""
    focal_35mm = (photo.focal_35mm or _USUAL_FOCAL_35MM) * focal
    height, width = level.rgb.shape[:2]
    focal_px = focal_35mm / 43.27 * math.hypot(width, height)
    angle = _angles(level, np.array([back, lip, foot, *line]), focal_px)
    if not angle[0] > angle[1] > angle[2]:
        return None
    eye = find_eye(size, float(angle[0] - angle[1]), float(angle[1] - angle[2]))
    if eye.misfit_rad > _MISFIT:
        return None
    below = np.array([eye.depth_below_rim_mm(size, float(angle[0] - each)) for each in angle[3:]])
    if (bare & (below < _HIGH * size.depth_mm)).mean() > 0.5:
        return "bare at the rim"
    full = np.where(bare, 0.0, np.clip(1 - below / size.depth_mm, 0.0, 1.0))
    full = ndimage.median_filter(full, _STRAP, mode="nearest")
    window = max(len(full) // 5, 1)
    smooth = np.convolve(full, np.ones(window) / window, "valid")
    return eye, float(smooth.max()), float(full.mean())


def _angles(level: Level, rows: Array, focal_px: float) -> Array:
    """Angle about the eave's direction of the plane through the eye and each row's line, rising upwards,
    rad."""
    height, width = level.rgb.shape[:2]

    def ray(row: float, column: float) -> Array:
        y = row + (column - level.middle) * (level.turn * row + level.tilt)
        return np.array([(column - level.middle) / focal_px, (y - (height - 1) / 2) / focal_px, 1.0])

    normals = [np.cross(ray(row, 0.0), ray(row, width - 1.0)) for row in (rows[0], rows[2])]
    along = np.cross(normals[0], normals[1])
    along = (
        along / np.linalg.norm(along) if np.linalg.norm(along) > 1e-9 else np.array([1.0, level.tilt, 0.0])
    )
    ahead = np.array([0.0, 0.0, 1.0]) - along * along[2]
    ahead /= np.linalg.norm(ahead)
    up = np.cross(along, ahead)
    up = up if up[1] < 0 else -up
    rays = np.array([ray(float(row), level.middle) for row in rows])
    return np.asarray(np.arctan2(rays @ up, rays @ ahead))


_PATCH_PX_PER_MM: Final = 1.5
_LEAST_PATCH_PX: Final = 400
_WET: Final = 0.7


def litter_features(level: Level, back: float, lip: float, line: Array, px_per_mm: float) -> Array | None:
    """Numbers of the litter's grain and color; None where hardly any is in view."""
    shrink = _PATCH_PX_PER_MM / px_per_mm
    if not 0.2 < shrink < 6:
        return None
    top = np.interp(
        np.arange(level.rgb.shape[1]), (np.arange(len(line)) + 0.5) * level.rgb.shape[1] / len(line), line
    )
    rows = np.arange(level.rgb.shape[0])[:, None]
    mask = (rows > top[None, :] + 2) & (rows < lip - 2) & level.held
    first, last = int(back), int(lip) + 1
    rgb = cv2.resize(
        level.rgb[first:last].astype(np.float32) / 255,
        None,
        fx=shrink,
        fy=shrink,
        interpolation=cv2.INTER_AREA,
    )
    here = (
        cv2.resize(mask[first:last].astype(np.float32), rgb.shape[1::-1], interpolation=cv2.INTER_AREA) > 0.9
    )
    if here.sum() < _LEAST_PATCH_PX:
        return None
    light = np.log(rgb.mean(axis=2) + 0.03)
    blurred = [light, *(cv2.GaussianBlur(light, (0, 0), s) for s in (0.7, 1.4, 2.8, 5.6, 11.0))]
    bands = [math.log(float(np.square(a - b)[here].mean()) + 1e-6) for a, b in pairwise(blurred)]
    numbers = list(bands)
    for s in (1.5, 4.0):
        soft = cv2.GaussianBlur(light, (0, 0), 0.8)
        dx, dy = cv2.Sobel(soft, cv2.CV_32F, 1, 0), cv2.Sobel(soft, cv2.CV_32F, 0, 1)
        xx, yy, xy = (cv2.GaussianBlur(each, (0, 0), s) for each in (dx * dx, dy * dy, dx * dy))
        numbers.append(float((np.hypot(xx - yy, 2 * xy) / (xx + yy + 1e-6))[here].mean()))
    color = [rgb[..., k][here] + 0.03 for k in range(3)]
    red, blue = np.log(color[0] / color[1]), np.log(color[2] / color[1])
    whole = float(np.log(level.rgb[level.held].mean() / 255 + 0.03))
    inside = light[here]
    numbers += [
        float(red.mean()), float(blue.mean()), float(red.std()), float(blue.std()), float(inside.mean()) -
        whole, float(np.quantile(inside, 0.98) - np.median(inside)), float(np.quantile(inside, 0.1) -
        np.median(inside)), float(inside.std()),
    ]  # fmt: skip
    return np.array(numbers)


def _what_lies(
    level: Level, seen: _Seen, eye: Eye, size: GutterSize
) -> tuple[
    dict[str, float], Literal["needles", "leaves", "small"] | None, Literal["seen", "not seen", "unsure"]
]:
    scale = (seen.lip - seen.back) / max(size.width_mm * math.sin(math.radians(eye.elevation_deg)), 1.0)
    line = np.where(np.isnan(seen.litter), np.nanmedian(seen.litter), seen.litter)
    numbers = litter_features(level, seen.back, seen.lip, line, scale) if seen.covered > 0.15 else None
    if numbers is None:
        return {}, None, "unsure"
    net = _net()
    scaled = np.clip((numbers - net["lies_mean"]) / net["lies_spread"], -4, 4)
    scores = scaled @ net["lies_w"] + net["lies_b"]
    chances = np.exp(scores - scores.max())
    chances /= chances.sum()
    best = int(chances.argmax())
    wet = 1 / (1 + math.exp(-float(scaled @ net["wet_w"] + net["wet_b"])))
    return (
        {each: round(float(chance), 3) for each, chance in zip(GUTTER_LITTER, chances, strict=True)},
        GUTTER_LITTER[best] if chances[best] >= float(net["lies_sure"]) else None,
        "seen" if wet > _WET else "not seen" if wet < 1 - _WET else "unsure",
    )
