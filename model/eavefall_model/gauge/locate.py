"""Finds the reference in a photo and turns it into a plane with millimeters, or says why not.

``locate_reference`` is all that another reader of the same sheet needs: pixels to millimeters and back, the
scale with its standard deviation, and where things may lie.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from eavefall_model.gauge.coin import Rim, find_coins, fit_rim
from eavefall_model.gauge.flat_reference import Flat, find_flat, outline_mm
from eavefall_model.gauge.markers import find_sheet
from eavefall_model.gauge.outlines import Box, Contour, ellipses, outlines, quads
from eavefall_model.gauge.pose import FocalPrior, Plane, PoseFit, expected_focal
from eavefall_model.gauge.references import COINS, PAPERS_MM, Reference, SheetLayout, parse_reference
from eavefall_model.gauge.schema import MAX_TILT_DEG, MIN_PX_PER_MM, Refusal, refusal
from eavefall_model.photo import Photo

FloatArray = NDArray[np.float64]

_AWAY_MM: Final = 2.0  # kept clear of the reference: its own shadow
_PAPER_INSET_MM: Final = 4.0
_SURE: Final = 0.85  # agreement of a card that may object to another reference
_SURE_TILT_DEG: Final = 45.0
# What all of a coin's rim has in common (rounding, shadow at its foot): fitted on rendered scenes.
_RIM_SD_PX: Final = 0.4
_AGREE: Final = 0.03  # two references may differ by this much in scale
_SAME_COIN: Final = 0.012
_MOST_LISTED: Final = 5
# A print may be said to be off from here on; nobody prints a sheet at less than three quarters.
_MISPRINT: Final = 0.01
_PRINTS: Final = (0.75, 1.33)
# Printing "to fit" makes a sheet 3 to 6 % smaller (common practice, no source). Unchecked, that is open.
_UNCHECKED_SD: Final = 0.02


@dataclass(frozen=True)
class Located:
    """A reference found.

    Attributes
    ----------
    reference : Reference
    plane : Plane
        Millimeters of the plane that things lie on, in the photo's pixels.
    outline_px : (N, 2) array
        The reference as it was used, for drawing.
    inside : (N, 2) array or None
        Things may lie only inside this polygon (px), if it is set.
    outside : tuple of (N, 2) arrays
        And never inside these.
    notes : tuple of str
        What was seen and done besides.
    weakest : str
        What limits the scale most, in a few words.
    """

    reference: Reference
    plane: Plane
    outline_px: FloatArray
    inside: FloatArray | None
    outside: tuple[FloatArray, ...]
    notes: tuple[str, ...] = ()
    weakest: str = ""


@dataclass(frozen=True)
class _Seen:
    """What the search goes through: outlines in a shrunken view, and the focal length expected."""

    rgb: NDArray[np.uint8]
    focal: FocalPrior
    contours: list[Contour]
    boxes: list[Box]
    factor: float


def locate_reference(
    photo: Photo, reference: Reference | str, *, name: str = "The photo"
) -> Located | Refusal:
    """Find the reference and the plane that it lies on.

    Parameters
    ----------
    photo : Photo
        Decoded at full size.
    reference : Reference or str
        ``card``, ``coin:24.26``, ``coin:us-quarter``, ``sheet``, ``a4`` or ``letter``.
    name : str
        What the photo is called in a message.

    Returns
    -------
    Located, or Refusal with reason ``no-reference``, ``references-disagree``, ``too-tilted`` or
    ``too-coarse``.

    Raises
    ------
    GaugeError
        ``gauge-reference-unknown``.
    """
    wanted = parse_reference(reference) if isinstance(reference, str) else reference
    rgb = photo.rgb
    focal = expected_focal((rgb.shape[1], rgb.shape[0]), photo.focal_35mm)
    contours, factor, view_px = outlines(rgb)
    seen = _Seen(rgb, focal, contours, quads(contours, factor, view_px), factor)
    sheet = find_sheet(rgb, focal)
    if wanted.kind == "sheet":
        found = _sheet(sheet, wanted, seen, name)
    elif wanted.kind == "coin":
        found = _coin(wanted, seen, sheet, name)
    else:
        found = _flat(wanted, seen, sheet, name)
    if isinstance(found, Refusal):
        return found
    return _usable(found, name)


def _usable(found: Located, name: str) -> Located | Refusal:
    plane, wanted = found.plane, found.reference
    if plane.tilt_deg > MAX_TILT_DEG:
        message = f"{name} was taken at {plane.tilt_deg:.0f}° from straight above; the limit is"
        return refusal("too-tilted", f"{message} {MAX_TILT_DEG:.0f}°.", wanted)
    if plane.px_per_mm < MIN_PX_PER_MM:
        message = f"{name} has {plane.px_per_mm:.1f} pixels per mm at the {wanted.name}; measuring needs"
        return refusal("too-coarse", f"{message} {MIN_PX_PER_MM:.0f} or more.")
    return found


def _flat(
    wanted: Reference, seen: _Seen, sheet: tuple[PoseFit, SheetLayout, int] | None, name: str
) -> Located | Refusal:
    flat = find_flat(seen.rgb, seen.boxes, wanted, seen.focal)
    if flat is None or flat.objection:
        return refusal("no-reference", _why_no_flat(wanted, flat, seen, name), wanted)
    outline = outline_mm(wanted)
    plane = Plane((flat.fit.pose,), (1.0,), _rel_sd(flat.fit, wanted), _origin(flat.fit, wanted))
    shown = _edge_px(flat.fit, outline, wanted.thick_mm)
    if wanted.kind == "paper":
        shrink = 1 - 2 * _PAPER_INSET_MM / np.array(wanted.size_mm)
        inner = _edge_px(flat.fit, outline * shrink, 0.0)
        found = Located(wanted, plane, shown, inner, (), (), "the paper must be whole and cut to size")
    else:
        grow = 1 + 2 * _AWAY_MM / np.array(wanted.size_mm)
        found = Located(wanted, plane, shown, None, (_edge_px(flat.fit, outline * grow, 0.0),))
    # The sheet's own print may be off: a card on it is right, the sheet is not.
    if sheet is not None and sheet[2] >= 2 and wanted.kind == "paper":
        return _checked(found, "gauge sheet", sheet[0])
    return found


def _why_no_flat(wanted: Reference, flat: Flat | None, seen: _Seen, name: str) -> str:
    what = "card" if wanted.kind == "card" else f"{wanted.name} page"
    if flat is not None:
        return f"Something with four straight edges lies in {name}, but {flat.objection}: it is no {what}."
    if any(not all(box.seen) for box in seen.boxes):
        return f"What may be the {what} in {name} is cut off by the edge of the picture."
    small = any(np.hypot(*(np.roll(b.corners, -1, 0) - b.corners).T).min() < 60 for b in seen.boxes)
    if small:
        return f"What may be the {what} in {name} is too small in the picture."
    message = f"Nothing of the shape of a {what} with four clear edges was found in {name};"
    return message + " it may be too like what it lies on."


def _coin(
    wanted: Reference, seen: _Seen, sheet: tuple[PoseFit, SheetLayout, int] | None, name: str
) -> Located | Refusal:
    rims = find_coins(seen.rgb, ellipses(seen.contours, seen.factor))
    if not rims:
        message = f"No whole coin with a crisp rim was found in {name}; it may be cut off, small, or too like"
        return refusal("no-reference", message + " what it lies on.", wanted)
    size_px = (seen.rgb.shape[1], seen.rgb.shape[0])
    found = _on_coin(rims[0], wanted, size_px, seen.focal)
    if len(rims) > 1:
        chosen = _only_one_size(found, rims, name)
        if isinstance(chosen, Refusal):
            return chosen
        found = chosen
    if sheet is not None and sheet[2] >= 2:
        checked = _checked(found, "gauge sheet", sheet[0])
        if isinstance(checked, Refusal):
            return checked
        # The print around the field is no litter.
        return replace(checked, inside=_sheet_field(sheet[0], sheet[1])[1])
    card = find_flat(seen.rgb, seen.boxes, parse_reference("card"), seen.focal)
    if card is None or card.objection or card.agree < _SURE or card.fit.pose.tilt_deg > _SURE_TILT_DEG:
        return found
    checked = _checked(found, "card", card.fit)
    if isinstance(checked, Refusal):
        return checked
    # Both agree: the card shows the tilt, which a coin hardly does.
    mine = parse_reference("card")
    plane = Plane((card.fit.pose,), (1.0,), _rel_sd(card.fit, mine), _origin(card.fit, mine))
    grow = 1 + 2 * _AWAY_MM / np.array(mine.size_mm)
    away = (*found.outside, _edge_px(card.fit, outline_mm(mine) * grow, 0.0))
    note = "the card in the photo agrees with the coin and gives the plane"
    return replace(found, plane=plane, outside=away, notes=(*found.notes, note), weakest="")


def _on_coin(rim: Rim, wanted: Reference, size_px: tuple[int, int], focal: FocalPrior) -> Located:
    fits = fit_rim(rim, wanted, size_px, focal)
    rel = math.hypot(max(_rel_sd(fit, wanted) for fit, _ in fits), _RIM_SD_PX / rim.ellipse[2])
    poses, weights = tuple(fit.pose for fit, _ in fits), tuple(weight for _, weight in fits)
    plane = Plane(poses, weights, rel, (rim.ellipse[0], rim.ellipse[1]))
    around = np.linspace(0, 2 * math.pi, 72, endpoint=False)
    circle = np.column_stack([np.cos(around), np.sin(around)]) * wanted.size_mm[0] / 2
    shown = plane.best.project(circle, wanted.thick_mm)
    grown = plane.to_px(circle * (1 + 2 * _AWAY_MM / wanted.size_mm[0]))
    return Located(wanted, plane, shown, None, (grown,), (), "the scale rests on a coin alone")


def _only_one_size(found: Located, rims: list[Rim], name: str) -> Located | Refusal:
    """The coin found first, if all round things are of its size; what they are is said."""
    sizes_mm = [2 * _radius_mm(found.plane, rim) for rim in rims]
    sizes_mm = [found.reference.size_mm[0] * size / sizes_mm[0] for size in sizes_mm]
    listed = ", ".join(_coin_name(size) for size in sizes_mm)
    if len(sizes_mm) > _MOST_LISTED:
        listed = f"{min(sizes_mm):.1f} to {max(sizes_mm):.1f} mm"
    if max(sizes_mm) / min(sizes_mm) - 1 > 2 * _SAME_COIN:
        message = f"{len(rims)} round things of different size lie in {name}; if the first is the coin named,"
        return refusal("references-disagree", f"{message} they are {listed} across.", found.reference)
    others = tuple(found.plane.to_px(_circle(found.plane, rim)) for rim in rims[1:])
    return replace(found, notes=(f"{len(rims)} coins seen: {listed}",), outside=found.outside + others)


def _radius_mm(plane: Plane, rim: Rim) -> float:
    points = plane.to_mm(rim.points)
    return float(np.median(np.hypot(*(points - np.median(points, axis=0)).T)))


def _circle(plane: Plane, rim: Rim) -> FloatArray:
    points = plane.to_mm(rim.points)
    middle = points.mean(axis=0)
    around = np.linspace(0, 2 * math.pi, 48, endpoint=False)
    circle = np.column_stack([np.cos(around), np.sin(around)]) * (_radius_mm(plane, rim) + _AWAY_MM)
    return np.asarray(middle + circle)


def _coin_name(size_mm: float) -> str:
    near = [coin for coin, (size, _) in COINS.items() if abs(size_mm / size - 1) < _SAME_COIN]
    return f"{size_mm:.1f} mm" + (f" ({' or '.join(near)})" if near else "")


def _sheet(
    sheet: tuple[PoseFit, SheetLayout, int] | None, wanted: Reference, seen: _Seen, name: str
) -> Located | Refusal:
    if sheet is None:
        message = f"No marker of the gauge sheet was found in {name}; show two or more, whole and sharp."
        return refusal("no-reference", message, wanted)
    fit, layout, count = sheet
    outline, inner, middle = _sheet_field(fit, layout)
    plane = Plane((fit.pose,), (1.0,), _rel_sd(fit, wanted), (float(middle[0]), float(middle[1])))
    found = Located(wanted, plane, outline, inner, (), (f"{count} markers of the sheet used",))
    check = _print_check(fit, layout, seen)
    if check is None:
        unchecked = replace(plane, rel_sd=math.hypot(plane.rel_sd, _UNCHECKED_SD))
        weak = "the sheet's print was not checked: lay a card on it"
        return replace(found, plane=unchecked, weakest=weak)
    what, times, rel_sd, away = check
    note = f"the sheet's print was checked by the {what} on it: {100 * times:.1f} % of true size"
    if abs(times - 1) > _MISPRINT:
        note = f"the sheet was printed at {100 * times:.1f} % of true size, by the {what}; this is corrected"
    # The check is as good as the other reference is; where both agree, so do they together.
    plane = replace(plane, poses=(fit.pose.scaled(times),), rel_sd=math.hypot(rel_sd, 0.001))
    return replace(found, plane=plane, notes=(*found.notes, note), outside=away)


def _sheet_field(fit: PoseFit, layout: SheetLayout) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The sheet's measuring field in the photo: its outline, what lies inside its dotted line, its middle."""
    left, top, right, bottom = layout.field
    corners = np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
    inset = np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]]) * 0.8  # the dotted line itself is no needle
    middle = fit.pose.project(corners.mean(axis=0)[None])[0]
    return _edge_px(fit, corners, 0.0), _edge_px(fit, corners + inset, 0.0), middle


def _print_check(
    fit: PoseFit, layout: SheetLayout, seen: _Seen
) -> tuple[str, float, float, tuple[FloatArray, ...]] | None:
    """What lies on or is the sheet, the print's scale by it, that scale's sd, and what to keep clear of."""
    for other in ("card", *sorted(PAPERS_MM, key=lambda paper: paper != layout.paper)):
        reference = parse_reference(other)
        flat = find_flat(seen.rgb, _of_size(seen.boxes, fit, reference), reference, seen.focal)
        if flat is None or flat.objection or (reference.kind == "card" and flat.agree < _SURE):
            continue
        times, rel_sd = _times(fit, flat, reference)
        if _PRINTS[0] < times < _PRINTS[1]:
            if reference.kind == "paper":
                return f"{other} paper's edge", times, rel_sd, ()
            grow = 1 + 2 * _AWAY_MM / np.array(reference.size_mm)
            return other, times, rel_sd, (_edge_px(flat.fit, outline_mm(reference) * grow, 0.0),)
    return None


def _of_size(boxes: list[Box], fit: PoseFit, reference: Reference) -> list[Box]:
    """Those outlines that are about as large as the reference, by the sheet's own markers."""
    true = float(np.prod(reference.size_mm))
    areas = [float(cv2.contourArea(fit.pose.to_plane(box.corners).astype(np.float32))) for box in boxes]
    low, high = _PRINTS[0] ** 2, _PRINTS[1] ** 2
    return [
        box
        for box, area in zip(boxes, areas, strict=True)
        if low < true / max(area, 1e-6) < high or not all(box.seen)
    ]


def _times(fit: PoseFit, flat: Flat, other: Reference) -> tuple[float, float]:
    """True size over what the sheet's markers say of another reference, and its standard deviation."""
    corners = fit.pose.to_plane(flat.corners_px, other.thick_mm)
    sides = np.hypot(*(np.roll(corners, -1, 0) - corners).T)
    true = np.hypot(*(np.roll(outline_mm(other), -1, 0) - outline_mm(other)).T)
    edge_sd = 0.3 / float(np.median(fit.pose.px_per_mm(flat.corners_px))) / float(true.mean())
    return float(true.sum() / sides.sum()), math.hypot(_rel_sd(flat.fit, other), edge_sd)


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


def _checked(found: Located, other: str, fit: PoseFit) -> Located | Refusal:
    """Compare with a second reference in the same photo."""
    mine = found.plane.px_per_mm
    theirs = float(fit.pose.px_per_mm(np.array([found.plane.origin_px]))[0])
    # Coins differ in size by less than two: a scale farther off is of something that is no reference.
    if abs(mine / theirs - 1) <= _AGREE or not 0.5 < mine / theirs < 2:
        return found
    text = f"The {found.reference.name} gives {mine:.1f} pixels per mm, the {other} in the same photo"
    return refusal("references-disagree", f"{text} {theirs:.1f}.", found.reference)
