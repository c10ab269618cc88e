"""The measuring field: what stands out from the plain sheet round the reference, at the scale of tracing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.signal import find_peaks

from eavefall_model.gauge.locate import Located

FloatArray = NDArray[np.float64]
Mask = NDArray[np.bool_]

_VIEW_PX_PER_MM: Final = 8.0
_BACKGROUND_PX_PER_MM: Final = 2.0
_BACKGROUND_MM: Final = 13.0  # wider than any bundle; narrower than the paper is even
_HALF: Final = 0.45  # of the local contrast: about half way down a strand's edge
_NEAR_MM: Final = 1.2
_NOISE_FACTOR: Final = 7.0
_LEAST: Final = 9.0  # 8-bit Lab units: fainter than this is paper texture
_BORDER_PX: Final = 2
_ASIDE_PX: Final = 4.0
_MAX_SHADE: Final = 3.0  # deep shadow on the same sheet (judgement)
_MOST: Final = 0.7
_MAX_TINT: Final = 12.0  # 8-bit Lab; rendered scenes, unevenly lit, stay below 4
_RIM_MM: Final = 2.0  # kept clear of the sheet's own edge
_CLIPPED: Final = 252
# Lines printed on paper lie 3 to 20 mm apart (common practice, no source).
_PITCH_MM: Final = (3.0, 20.0)
_FLAT_PX_PER_MM: Final = 3.0
_DIRECTIONS: Final = 4  # tried
_TURN_DEG: Final = 0.2
_LOOK_MM: Final = 150.0
_ALL_ALONG: Final = 0.65  # of its column a line covers; needles laid side by side do not
_LINE_MM: Final = 25.0  # a line shows at least this much of itself
_LEAST_LINES: Final = 4
_FAINTEST: Final = 0.8  # 8-bit L*, in the median along a line
_OVER: Final = 5.0  # times the spread between the columns


@dataclass(frozen=True)
class Field:
    """Photo shrunk by ``factor``; ``lab`` uint8 (h, w, 3), OpenCV's 8-bit Lab; ``px_per_mm`` of it.

    ``allowed`` (h, w) marks where strands may be: on the sheet, off the reference. ``sheet`` (3,) is the
    sheet's typical color.
    """

    factor: float
    lab: NDArray[np.uint8]
    allowed: Mask
    px_per_mm: float
    sheet: FloatArray

    def to_photo(self, points: FloatArray) -> FloatArray:
        """View pixels (N, 2) to photo pixels."""
        return np.asarray((points + 0.5) * self.factor - 0.5)

    def to_view(self, points_px: FloatArray) -> NDArray[np.int64]:
        """Photo pixels (N, 2) to the nearest view pixels."""
        return np.asarray(np.round((points_px + 0.5) / self.factor - 0.5), np.int64)

    def lab_at(self, points_px: FloatArray) -> FloatArray:
        """Lab, 8 bit, (M, 3) at those of the points (N, 2) of the photo that lie in it."""
        cells = self.to_view(points_px)
        height, width = self.lab.shape[:2]
        there = (cells >= 0).all(axis=1) & (cells < [width, height]).all(axis=1)
        return np.asarray(self.lab[cells[there, 1], cells[there, 0]], np.float64)


def make_field(rgb: NDArray[np.uint8], located: Located) -> Field:
    """Shrink the photo to the scale of tracing, and find where the sheet lies that bears the reference."""
    px_per_mm = located.plane.px_per_mm
    factor = max(1.0, px_per_mm / _VIEW_PX_PER_MM)
    size = round(rgb.shape[1] / factor), round(rgb.shape[0] / factor)
    factor = rgb.shape[1] / size[0]
    view = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA) if factor > 1 else rgb
    lab = np.asarray(cv2.cvtColor(view, cv2.COLOR_RGB2LAB), np.uint8)
    mask = np.zeros(lab.shape[:2], np.uint8)
    mask[_BORDER_PX:-_BORDER_PX, _BORDER_PX:-_BORDER_PX] = 1
    if located.inside is not None:
        inside = np.zeros_like(mask)
        cv2.fillPoly(inside, [_polygon(located.inside, factor)], 1)
        mask &= inside
    bare = Field(factor, lab, mask.astype(bool), px_per_mm / factor, np.zeros(3))
    if located.inside is None:
        samples = bare.lab_at(np.vstack(located.outside))
    else:
        samples = lab[::4, ::4][bare.allowed[::4, ::4]].astype(np.float64)
    sheet = np.median(samples, axis=0) if len(samples) else np.zeros(3)
    if located.inside is None and len(samples):
        mask &= _sheet_region(bare, sheet, located.outside[0])
    for polygon in located.outside:
        cv2.fillPoly(mask, [_polygon(polygon, factor)], 0)
    return Field(factor, lab, mask.astype(bool), px_per_mm / factor, np.asarray(sheet, np.float64))


def _sheet_region(field: Field, sheet: FloatArray, reference_px: FloatArray) -> NDArray[np.uint8]:
    """Where the sheet lies that bears the reference: what has its color, lit or shaded, all the way there.

    Holes (needles, the reference itself) are filled; the sheet's own rim is left out.
    """
    height, width = field.lab.shape[:2]
    shrink = min(1.0, _BACKGROUND_PX_PER_MM / field.px_per_mm)
    size = max(3, round(width * shrink)), max(3, round(height * shrink))
    small = cv2.medianBlur(cv2.resize(field.lab, size, interpolation=cv2.INTER_AREA), 3)
    same = _is_sheet(small.astype(np.float64), sheet).astype(np.uint8)
    # Needles cut the sheet in strips that hang together round their ends; a line across it does not.
    same = np.asarray(cv2.morphologyEx(same, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)), np.uint8)
    polygon = np.round((reference_px + 0.5) / field.factor * shrink - 0.5).astype(np.int32)
    cv2.fillPoly(same, [np.clip(polygon, -16000, 16000)], 1)
    _, label = cv2.connectedComponents(same, connectivity=4)
    middle = np.clip(polygon.mean(axis=0).astype(int), 0, np.array(size) - 1)
    mine = (label == label[middle[1], middle[0]]).astype(np.uint8)
    shapes, _ = cv2.findContours(mine, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    region = np.zeros_like(mine)
    cv2.drawContours(region, shapes, -1, 1, -1)
    # Needles that touch the picture's edge bite into the outline: its hull is the sheet's, within the frame.
    reach = 2 * round(_RIM_MM * field.px_per_mm * shrink) + 1
    closed = cv2.morphologyEx(
        cv2.copyMakeBorder(region, reach, reach, reach, reach, cv2.BORDER_REPLICATE),
        cv2.MORPH_CLOSE,
        np.ones((2 * reach + 1, 2 * reach + 1), np.uint8),
    )
    eroded = cv2.erode(closed, np.ones((reach, reach), np.uint8))[reach:-reach, reach:-reach]
    return np.asarray(cv2.resize(eroded, (width, height), interpolation=cv2.INTER_NEAREST), np.uint8)


def _is_sheet(lab: FloatArray, sheet: FloatArray) -> Mask:
    """Which colors (..., 3) are the sheet's, in light or shade."""
    # CIE 1976: light is ((L* + 16) / 116)^3; OpenCV's 8 bits hold 2.55 L*.
    light = ((lab[..., 0] / 2.55 + 16) / (sheet[0] / 2.55 + 16)) ** 3
    tint = np.hypot(lab[..., 1] - sheet[1], lab[..., 2] - sheet[2])
    return np.asarray((light > 1 / _MAX_SHADE) & (light < _MAX_SHADE) & (tint < _MAX_TINT))


def on_sheet(axis_px: FloatArray, half_px: float, field: Field) -> bool:
    """Whether beside most of a strand lies the field's sheet, lit or shaded.

    A leaf's veins, a twig before the sky and lines on a table have something else beside them. Other needles
    that cross or touch it for a part of its length do no harm.
    """
    tangent = np.gradient(axis_px, axis=0)
    tangent /= np.maximum(np.hypot(tangent[:, 0], tangent[:, 1]), 1e-9)[:, None]
    aside = np.column_stack([-tangent[:, 1], tangent[:, 0]]) * (half_px + _ASIDE_PX)
    beside = field.lab_at(np.vstack([axis_px + aside, axis_px - aside]))
    return bool(len(beside) and _is_sheet(beside, field.sheet).mean() > _MOST)


def strand_mask(field: Field, off: NDArray[np.float32]) -> Mask:
    """Pixels (h, w) that belong to things lying on the background; ``off`` is what differs from it."""
    contrast = np.sqrt(np.einsum("yxc,yxc->yx", off, off))
    few = contrast[::3, ::3][field.allowed[::3, ::3]]
    noise = 1.4826 * float(np.median(few)) if len(few) else 0.0
    floor = max(_LEAST, _NOISE_FACTOR * noise)
    reach = 2 * round(_NEAR_MM * field.px_per_mm) + 1
    crest = cv2.dilate(cv2.GaussianBlur(contrast, (3, 3), 0), np.ones((reach, reach), np.uint8))
    return np.asarray((contrast > np.maximum(floor, _HALF * crest)) & field.allowed)


def off_background(field: Field) -> NDArray[np.float32]:
    """Lab (h, w, 3) less the local background, which a wide median gives however the light falls."""
    height, width = field.allowed.shape
    shrink = min(1.0, _BACKGROUND_PX_PER_MM / field.px_per_mm)
    size = (max(3, round(width * shrink)), max(3, round(height * shrink)))
    small = cv2.resize(field.lab, size, interpolation=cv2.INTER_AREA)
    kernel = 2 * round(_BACKGROUND_MM * field.px_per_mm * shrink / 2) + 1
    wide = cv2.medianBlur(small, kernel)
    # The median of 8-bit values steps by one: smooth the steps away.
    background = cv2.GaussianBlur(wide.astype(np.float32), (0, 0), 2.0)
    off = cv2.GaussianBlur(field.lab, (3, 3), 0.6).astype(np.float32)
    for channel in range(3):  # one at a time: a third of the memory
        off[..., channel] -= np.asarray(cv2.resize(background[..., channel], (width, height)), np.float32)
    return np.asarray(off, np.float32)


def ruling_pitch_mm(field: Field, off: NDArray[np.float32], located: Located) -> float | None:
    """Distance between the lines that the sheet is ruled or squared with; None if it is plain.

    Straightened to the plane and turned until they stand upright, such lines are columns that are darker (or
    lighter) over nearly all of their length, at even distances; needles are not.
    The middle of the sheet is enough: lines go all over it.
    """
    rows, cols = (np.flatnonzero(field.allowed.any(axis=axis)) for axis in (1, 0))
    if not len(rows):
        return None
    half = _LOOK_MM / 2 * field.px_per_mm
    (top, bottom), (left, right) = (
        (max(int((line[0] + line[-1]) / 2 - half), 0), int((line[0] + line[-1]) / 2 + half) + 1)
        for line in (rows, cols)
    )
    allowed = field.allowed[top:bottom, left:right].astype(np.float32)
    light = np.clip(off[top:bottom, left:right, 0], -12, 12) * allowed
    height, width = light.shape
    corners = np.array([[0, 0], [width - 1, 0], [width - 1, height - 1], [0, height - 1]], np.float64)
    flat = located.plane.to_mm(field.to_photo(corners + np.array([left, top])))
    low, high = flat.min(axis=0), flat.max(axis=0)
    size = tuple(int(v) for v in np.ceil((high - low) * _FLAT_PX_PER_MM))
    to = ((flat - low) * _FLAT_PX_PER_MM).astype(np.float32)
    turn = cv2.getPerspectiveTransform(corners.astype(np.float32), to)
    level = np.asarray(cv2.warpPerspective(light, turn, size, flags=cv2.INTER_AREA), np.float32)
    known = np.asarray(cv2.warpPerspective(allowed, turn, size, flags=cv2.INTER_AREA), np.float32)
    for direction in _directions(level):
        pitches = [
            _upright_pitch_mm(level, known, direction + float(shift))
            for shift in np.arange(-0.9, 0.91, _TURN_DEG)
        ]
        found = [pitch for pitch in pitches if pitch is not None]
        if found:
            return float(np.median(found))
    return None


def _directions(level: NDArray[np.float32]) -> list[float]:
    """Directions in degrees across which an image (h, w) repeats most, best first."""
    window = np.outer(np.hanning(level.shape[0]), np.hanning(level.shape[1]))
    power = np.square(np.abs(np.fft.rfft2(level * window)))
    fy = np.fft.fftfreq(level.shape[0])[:, None] * _FLAT_PX_PER_MM
    fx = np.fft.rfftfreq(level.shape[1])[None] * _FLAT_PX_PER_MM
    frequency = np.hypot(fx, fy)
    # What is usual falls with the frequency; lines are as strong in their multiples.
    power = power * frequency**2 * ((frequency > 1 / _PITCH_MM[1]) & (frequency < 1.2))
    turn = np.round(np.degrees(np.arctan2(fy, np.maximum(fx, 1e-9)))).astype(int) + 90
    energy = np.bincount(turn.ravel(), power.ravel(), minlength=181)
    best: list[float] = []
    for at in np.argsort(-energy):
        if all(abs(at - 90 - other) > 2 for other in best):
            best.append(float(at - 90))
        if len(best) == _DIRECTIONS:
            break
    return best


def _upright_pitch_mm(
    level: NDArray[np.float32], known: NDArray[np.float32], direction_deg: float
) -> float | None:
    """Pitch of the columns that stand out once an image is turned so that a direction lies along its rows."""
    height, width = level.shape
    reach = int(np.hypot(height, width))
    turn = np.array(cv2.getRotationMatrix2D((width / 2, height / 2), direction_deg, 1.0), np.float64)
    turn[:, 2] += [reach / 2 - width / 2, reach / 2 - height / 2]
    # Every third row is enough for a median along a line.
    few = np.array([[1.0], [1 / 3]]) * turn
    upright = cv2.warpAffine(level, few, (reach, reach // 3))
    there = cv2.warpAffine(known, few, (reach, reach // 3)) > 0.99
    count = there.sum(axis=0)
    wide = count > _LINE_MM * _FLAT_PX_PER_MM / 3
    if wide.sum() < 2 * _PITCH_MM[1] * _FLAT_PX_PER_MM:
        return None
    middles = np.full(reach, np.nan)
    in_order = np.sort(np.where(there, upright, np.inf), axis=0)
    middles[wide] = in_order[(count[wide] * _ALL_ALONG).astype(int), np.flatnonzero(wide)]
    usual = np.nanmedian(middles)
    spread = max(1.4826 * float(np.nanmedian(np.abs(middles - usual))), _FAINTEST / _OVER)
    dark = np.nan_to_num(usual - middles, nan=0.0)
    peaks, _ = find_peaks(
        dark, height=_OVER * spread, distance=0.7 * _PITCH_MM[0] * _FLAT_PX_PER_MM, width=(None, 4)
    )
    if len(peaks) < _LEAST_LINES:
        return None
    gaps = np.diff(peaks) / _FLAT_PX_PER_MM
    pitch = float(np.median(gaps))
    off = np.abs(gaps / pitch - np.round(gaps / pitch)) * pitch
    even = (off < 0.5) & (gaps > 0.7 * pitch)
    return pitch if _PITCH_MM[0] <= pitch <= _PITCH_MM[1] and even.mean() > 0.7 else None


def glare_share(rgb: NDArray[np.uint8], field: Field) -> float:
    """Share of the field whose light is clipped in all three colors."""
    if not field.allowed.any():
        return 0.0
    view = cv2.resize(rgb, field.allowed.shape[::-1], interpolation=cv2.INTER_NEAREST)
    clipped = cv2.inRange(view, np.full(3, _CLIPPED), np.full(3, 255)) > 0
    return float(np.mean(clipped[field.allowed]))


def _polygon(polygon_px: FloatArray, factor: float) -> NDArray[np.int32]:
    # Far outside the picture is far enough: OpenCV's polygons take 16-bit coordinates.
    return np.clip(np.round((polygon_px + 0.5) / factor - 0.5), -16000, 16000).astype(np.int32)
