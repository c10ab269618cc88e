"""The demo's photos: one invented house under white pines with an oak, drawn by this package.

Every picture carries the word ``rendered`` in its corner.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from eavefall_datasets.render.needle_spec import random_spec
from eavefall_datasets.render.needles import NeedleScene, render
from eavefall_datasets.render.sensor import encode_jpeg, expose, linear_from_srgb
from eavefall_datasets.scenes import closeups, litter
from eavefall_datasets.scenes.broad_trees import Placement, bare_tree, leafy_tree
from eavefall_datasets.scenes.conifers import pine_tree
from eavefall_datasets.scenes.houses import HouseBox, draw_house
from eavefall_datasets.scenes.surroundings import blurred_greens, lawn, sky

UInt8 = NDArray[np.uint8]
MAX_BYTES: Final = 150_000
_SIZE: Final = (1500, 2000)  # painted at twice the size of the photo
_HORIZON: Final = 1120
_HOUSE: Final = 7  # one number, one house: the same walls, roof and windows from both sides
_TO_LINEAR: Final = linear_from_srgb(np.arange(256) / 255.0).astype(np.float32)


def _yard(seed: int) -> tuple[UInt8, np.random.Generator]:
    rng = np.random.default_rng([seed, 50])
    canvas = sky(rng, _SIZE)
    canvas[_HORIZON:] = lawn(np.random.default_rng([_HOUSE, 51]), (_SIZE[0] - _HORIZON, _SIZE[1]))
    return canvas, rng


def _house(canvas: UInt8, left: float, wide: float, eave: float) -> None:
    box = HouseBox(left, left + wide, _HORIZON + 24, eave, eave - wide * 0.2)
    draw_house(canvas, np.random.default_rng([_HOUSE, 52]), box)


def _back_pines() -> UInt8:
    canvas, rng = _yard(100)
    pine_tree(canvas, Placement(1180, _HORIZON + 5, 1000, -1.0, 0.8), rng)
    _house(canvas, 420, 1080, 800)
    for x, foot, tall in ((250, 60, 1130), (1600, 90, 1200)):
        pine_tree(canvas, Placement(x, _HORIZON + foot, tall, -1.0, 0.95), rng)
    return canvas


def _front_oak() -> UInt8:
    canvas, rng = _yard(5)
    _house(canvas, 120, 1150, 780)
    leafy_tree(canvas, Placement(1560, _HORIZON + 110, 1180, 1.0, 1.0), rng, "oak", autumn=False, density=1.3)
    return canvas


def _winter_maple() -> UInt8:
    canvas, rng = _yard(8)
    bare_tree(canvas, Placement(1000, _HORIZON + 200, 1420, 1.0, 0.9), rng, "maple")
    return canvas


def _pine_branch() -> UInt8:
    rng = np.random.default_rng([21, 50])
    canvas = blurred_greens(rng, _SIZE)
    closeups.pine_branch(canvas, rng, bundle=5)
    return canvas


def _gutter() -> UInt8:
    rng = np.random.default_rng([9, 50])
    canvas = litter.empty_gutter(rng, _SIZE)
    litter.scatter_needles(canvas, rng, 1400, 330, (0.40, 0.85), bundle=5)
    litter.scatter_leaves(canvas, rng, 14, 190, (0.45, 0.8))
    litter.scatter_needles(canvas, rng, 350, 330, (0.42, 0.83), bundle=5)
    litter.scatter_needles(canvas, rng, 120, 330, (0.02, 0.40), bundle=5)
    return canvas


def _needle_scene() -> NeedleScene:
    """Three bundles of five beside a card: white pine, about 0.6 mm by 75 to 95 mm."""
    spec = random_spec(
        20,
        size=(2400, 1800),
        px_per_mm=12.6,
        reference="card",
        tilt_deg=6.0,
        background="light",
        count=3,
        bundle=5,
        length_mm=(75.0, 108.0),
        width_mm=(0.57, 0.66),
    )
    return render(dataclasses.replace(spec, grain=0.006, noise=0.004, blur_px=0.8, jpeg_quality=82))


_DRAWN: Final[dict[str, Callable[[], UInt8]]] = {
    "back-pines.jpg": _back_pines,
    "front-oak.jpg": _front_oak,
    "winter-maple.jpg": _winter_maple,
    "pine-branch.jpg": _pine_branch,
    "gutter.jpg": _gutter,
}
NEEDLES: Final = "needles-card.jpg"
DEMO_PHOTOS: Final = (*_DRAWN, NEEDLES)


def draw(name: str) -> UInt8:
    """RGB of one demo photo before compression, labeled."""
    if name == NEEDLES:
        return draw_needles()[0]
    canvas = _DRAWN[name]()
    small = cv2.resize(_TO_LINEAR[canvas], (_SIZE[1] // 2, _SIZE[0] // 2), interpolation=cv2.INTER_AREA)
    light = np.asarray(small, np.float32)
    rng = np.random.default_rng([len(name), 53])
    return _label(expose(light, rng, blur_px=0.6, noise=0.006))


def _label(rgb: UInt8, plate: bool = True) -> UInt8:
    """The word ``rendered`` in the lower left corner, on a dark plate or straight on a light sheet."""
    scale = rgb.shape[1] / 1600
    bold = max(round(2 * scale), 1)
    (wide, high), _ = cv2.getTextSize("rendered", cv2.FONT_HERSHEY_SIMPLEX, scale, bold)
    foot = rgb.shape[0] - 1
    if plate:
        cv2.rectangle(rgb, (0, foot - 2 * high), (wide + high, foot), (30, 30, 30), -1)
    ink = (235, 235, 235) if plate else (70, 70, 70)
    at = (high // 2, foot - high // 2)
    cv2.putText(rgb, "rendered", at, cv2.FONT_HERSHEY_SIMPLEX, scale, ink, bold, cv2.LINE_AA)
    return rgb


def draw_needles() -> tuple[UInt8, dict[str, Any]]:
    """The needle close-up, labeled, and what it shows, for ``needles-card.truth.json``."""
    scene = _needle_scene()
    truth = scene.truth
    # No plate here: its straight edge would be one more thing for a gauge to reject.
    return _label(scene.rgb.copy(), plate=False), {
        "photo": NEEDLES,
        "rendered": True,
        "reference": truth.reference,
        "px_per_mm": truth.px_per_mm,
        "tilt_deg": truth.tilt_deg,
        "needles": [
            {
                "length_mm": round(n.length_mm, 3),
                "width_mm": round(n.width_mm, 4),
                "thin_width_mm": round(n.thin_width_mm, 4),
                "bundle": n.bundle,
                "complete": n.complete,
                "base_px": [round(float(v), 1) for v in n.axis_px[0]],
                "tip_px": [round(float(v), 1) for v in n.axis_px[-1]],
            }
            for n in truth.needles
        ],
    }


def _compressed(rgb: UInt8) -> bytes:
    for quality in range(90, 40, -2):
        data = encode_jpeg(rgb, quality)
        if len(data) < MAX_BYTES:
            return data
    raise ValueError("the picture is too detailed to fit the size limit")


def write(out_dir: Path | str) -> list[Path]:
    """Write all demo photos and the needles' truth; returns the paths."""
    folder = Path(out_dir)
    folder.mkdir(parents=True, exist_ok=True)
    close_up, truth = draw_needles()
    out = []
    for name in DEMO_PHOTOS:
        (folder / name).write_bytes(_compressed(close_up if name == NEEDLES else draw(name)))
        out.append(folder / name)
    target = folder / "needles-card.truth.json"
    target.write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")
    return [*out, target]
