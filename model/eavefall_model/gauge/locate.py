"""Finds the reference in a photo and turns it into a plane, or says why not."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from eavefall_model.gauge.coin import Rim, find_coins, fit_rim
from eavefall_model.gauge.fit_pose import PoseFit
from eavefall_model.gauge.flat_reference import find_flat, outline_mm
from eavefall_model.gauge.markers import find_sheet
from eavefall_model.gauge.outlines import ellipses, outlines, quads
from eavefall_model.gauge.plane import Plane
from eavefall_model.gauge.pose import FocalPrior
from eavefall_model.gauge.references import Reference, parse_reference
from eavefall_model.gauge.sheet_layout import SheetLayout

__all__ = ["Located", "locate"]

FloatArray = NDArray[np.float64]

_AWAY_MM: Final = 2.0  # kept clear of the reference: its own shadow
_PAPER_INSET_MM: Final = 4.0
_SURE_CARD: Final = 0.85
_SURE_TILT_DEG: Final = 45.0
# What all of a coin's rim has in common (rounding, shadow at its foot): fitted on rendered scenes.
_RIM_SD_PX: Final = 0.4
_AGREE: Final = 0.03  # two references may differ by this much in scale


@dataclass(frozen=True)
class Located:
    """The plane, where strands may lie and must not (photo px polygons), and what else was seen."""

    plane: Plane
    inside: FloatArray | None
    outside: tuple[FloatArray, ...]
    disagreement: str | None
    notes: tuple[str, ...]


def locate(
    rgb: NDArray[np.uint8], light: NDArray[np.float32], reference: Reference, focal: FocalPrior
) -> Located | None:
    """Locate the reference; None if it is not there."""
    grey = np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), np.uint8)
    sheet = find_sheet(grey, light, focal)
    if reference.kind == "sheet":
        return None if sheet is None else _on_sheet(sheet)
    contours, factor, view_px = outlines(rgb)
    boxes = quads(contours, factor, view_px)
    if reference.kind in ("card", "paper"):
        fit = find_flat(light, boxes, reference, focal)
        if fit is None:
            return None
        found = _flat(fit, reference)
    else:
        rims = find_coins(light, ellipses(contours, factor))
        if not rims:
            return None
        found = _coin(rims[0], reference, (light.shape[1], light.shape[0]), focal)
    if sheet is not None and sheet[2] >= 2:
        return _checked(found, reference, "gauge sheet", sheet[0])
    if reference.kind == "coin":
        card = find_flat(light, boxes, parse_reference("card"), focal)
        if card is not None and card.agree > _SURE_CARD and card.pose.tilt_deg < _SURE_TILT_DEG:
            return _checked(found, reference, "card", card)
    return found


def _flat(fit: PoseFit, reference: Reference) -> Located:
    outline = outline_mm(reference)
    plane = Plane((fit.pose,), (1.0,), _rel_sd(fit, reference), _origin(fit, reference))
    if reference.kind == "paper":
        shrink = 1 - 2 * _PAPER_INSET_MM / np.array(reference.size_mm)
        return Located(plane, _edge_px(fit, outline * shrink, 0.0), (), None, ())
    grow = 1 + 2 * _AWAY_MM / np.array(reference.size_mm)
    return Located(plane, None, (_edge_px(fit, outline * grow, 0.0),), None, ())


def _coin(rim: Rim, reference: Reference, size_px: tuple[int, int], focal: FocalPrior) -> Located:
    fits = fit_rim(rim, reference, size_px, focal)
    rel = math.hypot(max(_rel_sd(fit, reference) for fit, _ in fits), _RIM_SD_PX / rim.ellipse[2])
    plane = Plane(
        tuple(fit.pose for fit, _ in fits), tuple(weight for _, weight in fits), rel, rim.ellipse[:2]
    )
    around = np.linspace(0, 2 * math.pi, 72, endpoint=False)
    circle = np.column_stack([np.cos(around), np.sin(around)]) * (reference.size_mm[0] / 2 + _AWAY_MM)
    return Located(plane, None, (plane.best.project(circle),), None, ())


def _on_sheet(sheet: tuple[PoseFit, SheetLayout, int]) -> Located:
    fit, layout, count = sheet
    reference = parse_reference("sheet")
    left, top, right, bottom = layout.field
    corners = np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
    inset = np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]]) * 0.8  # the dotted line itself is no needle
    middle = tuple(float(v) for v in fit.pose.project(corners.mean(axis=0)[None])[0])
    plane = Plane((fit.pose,), (1.0,), _rel_sd(fit, reference), (middle[0], middle[1]))
    return Located(
        plane, _edge_px(fit, corners + inset, 0.0), (), None, (f"{count} markers of the sheet used",)
    )


def _edge_px(fit: PoseFit, corners_mm: FloatArray, height_mm: float) -> FloatArray:
    share = np.linspace(0, 1, 12, endpoint=False)[:, None]
    line = np.vstack(
        [a + share * (b - a) for a, b in zip(corners_mm, np.roll(corners_mm, -1, 0), strict=True)]
    )
    return fit.pose.project(line, height_mm)


def _rel_sd(fit: PoseFit, reference: Reference) -> float:
    """Manufacture of the reference, and how well the height of its rim is known against the distance."""
    distance = abs(float(fit.pose.camera_mm[2]))
    return math.hypot(reference.size_rel_sd, reference.thick_sd_mm / max(distance, 1.0))


def _origin(fit: PoseFit, reference: Reference) -> tuple[float, float]:
    x, y = fit.pose.project(np.zeros((1, 2)), reference.thick_mm)[0]
    return float(x), float(y)


def _scale_at(plane: Plane, origin: FloatArray) -> float:
    return plane.mean(lambda pose: float(pose.px_per_mm(origin)[0]))


def _checked(found: Located, reference: Reference, other: str, fit: PoseFit) -> Located:
    """Compare with a second reference in the same photo."""
    origin = np.array([found.plane.origin_px])
    mine = _scale_at(found.plane, origin)
    theirs = float(fit.pose.px_per_mm(origin)[0])
    # Coins differ in size by less than two: a scale farther off is of something that is no reference.
    if abs(mine / theirs - 1) <= _AGREE or not 0.5 < mine / theirs < 2:
        return found
    text = f"The {reference.name} gives {mine:.1f} pixels per mm, the {other} in the same photo {theirs:.1f}."
    return replace(found, disagreement=text)
