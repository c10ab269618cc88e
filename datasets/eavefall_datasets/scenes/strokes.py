"""Fast painting of very many strokes and leaves on an 8-bit picture (OpenCV's anti-aliasing needs 8 bits)."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[Any]
UInt8 = NDArray[np.uint8]
_SHIFT = 4
_ONE = 1 << _SHIFT


def ramp(color: tuple[float, float, float], rng: np.random.Generator, steps: int = 14) -> FloatArray:
    """Colors (steps, 3) 0..255 from deep shade to sunlit, the shade bluer and the light yellower."""
    level = np.linspace(0.0, 1.0, steps)[:, None]
    base = np.array(color) * 255.0
    dark, light = base * np.array([0.22, 0.26, 0.32]), base * np.array([1.5, 1.4, 1.15]) + 12.0
    out = np.where(
        level < 0.55, dark + (base - dark) * level / 0.55, base + (light - base) * (level - 0.55) / 0.45
    )
    return np.clip(out * rng.normal(1.0, 0.06, (steps, 3)), 0, 255)


def noise_field(
    rng: np.random.Generator, size: tuple[int, int], cell_px: float, octaves: int = 1
) -> NDArray[np.float32]:
    """Smooth noise (H, W), mean 0, standard deviation about 0.6 to 1; each octave halves the cell."""
    height, width = size
    out = np.zeros(size, np.float32)
    for octave in range(octaves):
        cell = max(cell_px / 2**octave, 1.0)
        coarse = rng.standard_normal((int(height / cell) + 3, int(width / cell) + 3), dtype=np.float32)
        out += cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC) * np.float32(0.6**octave)
    return out


def strokes(
    canvas: UInt8,
    lines: FloatArray,
    depth: FloatArray,
    shade: FloatArray,
    colors: FloatArray,
    thickness: int | NDArray[np.int_] = 1,
    layers: int = 8,
) -> None:
    """Paint polylines (N, K, 2) px back to front.

    ``depth`` grows toward the viewer, ``shade`` 0..1 picks from ``colors`` (steps, 3). Lines are grouped
    into ``layers`` of depth and one call per color, so the order within a layer is by color, dark first.
    """
    if len(lines) == 0:
        return
    points = np.clip(np.round(lines * _ONE), -(1 << 24), 1 << 24).astype(np.int32)
    order = np.argsort(np.argsort(depth))
    layer = order * layers // len(lines)
    step = np.clip(shade * len(colors), 0, len(colors) - 1).astype(int)
    wide = np.broadcast_to(np.asarray(thickness, int), (len(lines),))
    keys = (layer * len(colors) + step) * 64 + np.clip(wide, 1, 63)
    ranking = np.argsort(keys, kind="stable")
    cuts = np.flatnonzero(np.diff(keys[ranking])) + 1
    for group in np.split(ranking, cuts):
        key = int(keys[group[0]])
        color = colors[(key // 64) % len(colors)].tolist()
        cv2.polylines(canvas, list(points[group]), False, color, key % 64, cv2.LINE_AA, _SHIFT)


def tapered(
    canvas: UInt8, line: FloatArray, start: float, end: float, color: FloatArray, sun: float = 1.0
) -> None:
    """One limb (K, 2) whose width falls from ``start`` to ``end`` px, in stripes from lit to dark."""
    tangent = np.gradient(line, axis=0)
    tangent /= np.hypot(tangent[:, 0], tangent[:, 1])[:, None] + 1e-9
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    half = (np.linspace(start, end, len(line)) / 2)[:, None]
    count = int(np.clip(start / 3, 2, 9))
    cuts = np.linspace(-1, 1, count + 1)
    for k in range(count):
        ring = np.vstack(
            [line + normal * half * cuts[k], (line + normal * half * (cuts[k + 1] + 0.12))[::-1]]
        )
        facing = np.cos((cuts[k] + 1 / count) * 1.3 + 0.5 * sun)
        tone = np.clip(color * (0.45 + 0.7 * facing) * (1 + 0.10 * ((k * 7) % 3 - 1)), 0, 255)
        cv2.fillPoly(canvas, [np.round(ring * _ONE).astype(np.int32)], tone.tolist(), cv2.LINE_AA, _SHIFT)


def leaf_outline(kind: str, points: int = 14) -> FloatArray:
    """Outline (N, 2) of a leaf of length 1 along x, stalk at the origin. Kinds: oval, heart, lance, lobed,
    palmate."""
    t = np.linspace(0, 1, points)
    half = {
        "oval": 0.32 * np.sin(np.pi * t**0.85),
        "heart": 0.45 * np.sin(np.pi * t**0.6),
        "lance": 0.16 * np.sin(np.pi * t**0.8),
        "lobed": 0.30 * np.sin(np.pi * t**0.9) * (1 + 0.45 * np.sin(t * np.pi * 7)),
        "palmate": 0.55 * np.sin(np.pi * t**0.75) * (1 + 0.5 * np.sin(t * np.pi * 5 + 0.5)),
    }[kind]
    return np.vstack([np.column_stack([t, half]), np.column_stack([t, -half])[::-1]])


def leaves(
    canvas: UInt8,
    center: FloatArray,
    angle: FloatArray,
    length: FloatArray,
    squash: FloatArray,
    depth: FloatArray,
    shade: FloatArray,
    colors: FloatArray,
    outline: FloatArray,
    vein: bool = False,
) -> None:
    """Paint leaves back to front: ``center`` (N, 2) px, ``angle`` rad, ``length`` px, ``squash`` 0..1 turns
    the blade away from the viewer."""
    cos, sin = np.cos(angle)[:, None], np.sin(angle)[:, None]
    x = (outline[None, :, 0] - 0.5) * length[:, None]
    y = outline[None, :, 1] * (length * squash)[:, None]
    polygon = np.stack([x * cos - y * sin + center[:, :1], x * sin + y * cos + center[:, 1:]], axis=2)
    points = np.round(polygon * _ONE).astype(np.int32)
    step = np.clip(shade * len(colors), 0, len(colors) - 1).astype(int)
    palette = colors.tolist()
    convex = len(outline) <= 8
    for i in np.argsort(depth, kind="stable").tolist():
        if convex:
            cv2.fillConvexPoly(canvas, points[i], palette[step[i]], cv2.LINE_AA, _SHIFT)
        else:
            cv2.fillPoly(canvas, [points[i]], palette[step[i]], cv2.LINE_AA, _SHIFT)
        if vein:
            tip = len(outline) // 2 - 1
            tone = (colors[min(step[i] + 3, len(colors) - 1)]).tolist()
            cv2.polylines(canvas, [points[i][[0, tip]]], False, tone, 1, cv2.LINE_AA, _SHIFT)
            for part in (0.25, 0.45, 0.65):
                stem = points[i][0] + (points[i][tip] - points[i][0]) * part
                k = int(tip * min(part + 0.2, 0.95))
                for rim in (points[i][k], points[i][len(outline) - 1 - k]):
                    end = stem + (rim - stem) * 0.85
                    cv2.polylines(
                        canvas, [np.array([stem, end]).astype(np.int32)], False, tone, 1, cv2.LINE_AA, _SHIFT
                    )


def blobs(
    canvas: UInt8, center: FloatArray, radius: FloatArray, shade: FloatArray, colors: FloatArray
) -> None:
    """Round spots in the order given."""
    step = np.clip(shade * len(colors), 0, len(colors) - 1).astype(int)
    palette = colors.tolist()
    at = np.round(center * _ONE).astype(int).tolist()
    size = np.maximum(np.round(radius * _ONE), 8).astype(int).tolist()
    for i in range(len(at)):
        cv2.circle(canvas, (at[i][0], at[i][1]), size[i], palette[step[i]], -1, cv2.LINE_AA, _SHIFT)
