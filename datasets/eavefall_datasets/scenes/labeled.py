"""Photo-like scenes of houses, trees, branches and litter, with labels that are true by construction."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from eavefall_datasets.scenes.compose import SceneParts, compose
from eavefall_datasets.scenes.phone import phone_picture

UInt8 = NDArray[np.uint8]
Foliage = Literal["needle", "broad", "bare"]
Subject = Literal["tree", "foliage_closeup", "litter_ground", "house_scene", "forest_scene", "other"]

FORM_OF_NEEDLE: Final = ("long_needle", "short_needle", "scale_leaf")
_FORM_OF_BROAD: Final = ("broad_leaf", "small_leaflet")
# What may be asked for, and how often each is drawn when nothing is asked. Bare crowns and treeless scenes
# are frequent because openly licensed photos of them are scarce.
FOLIAGE_CHOICES: Final[dict[str, float]] = {
    "needle": 0.26,
    "broad": 0.16,
    "bare": 0.24,
    "none": 0.16,
    "needle+broad": 0.06,
    "needle+bare": 0.08,
    "broad+bare": 0.04,
}
_SUBJECTS: Final[dict[str, float]] = {
    "tree": 0.42,
    "foliage_closeup": 0.22,
    "house_scene": 0.22,
    "forest_scene": 0.06,
    "litter_ground": 0.08,
}
MANIFEST_COLUMNS: Final = (
    "file", "width", "height", "source", "commit", "source_path", "foliage", "form", "subject", "species",
    "licence", "credit", "credit_url", "unsure", "note",
)  # fmt: skip
_LICENCE: Final = "CC0-1.0 (made by eavefall's own code)"


@dataclass(frozen=True)
class SceneTruth:
    """Labels of a scene.

    ``foliage`` is what a person would find in it (empty: no tree); ``form`` the form of its leaves (``na``
    for bare and empty scenes, ``unclear`` where several forms are mixed); ``habit`` names what was drawn.
    ``mask`` (size, size) marks the pixels of trees, branches or litter.
    """

    foliage: frozenset[Foliage]
    form: str
    subject: Subject
    habit: str
    mask: NDArray[np.bool_]


@dataclass(frozen=True)
class Scene:
    """One picture, (size, size, 3) uint8 RGB, and its labels."""

    rgb: UInt8
    truth: SceneTruth


def _draw(rng: np.random.Generator, table: dict[str, float]) -> str:
    weight = np.array(list(table.values()))
    return list(table)[int(rng.choice(len(weight), p=weight / weight.sum()))]


def random_scene(
    seed: int,
    *,
    foliage: str | None = None,
    form: str | None = None,
    subject: str | None = None,
    size: int = 512,
) -> Scene:
    """One scene; what is not asked for is drawn from the seed.

    Parameters
    ----------
    foliage : a key of ``FOLIAGE_CHOICES``; several kinds are joined by ``+``, ``none`` has no tree.
    form : ``long_needle``, ``short_needle``, ``scale_leaf``, ``broad_leaf`` or ``small_leaflet``.
    subject : ``tree``, ``foliage_closeup``, ``house_scene``, ``forest_scene`` or ``litter_ground``.
    size : side of the square picture, px.

    Raises
    ------
    ValueError
        If a name is unknown, or form and foliage contradict each other.
    """
    rng = np.random.default_rng([seed, 40])
    if foliage is None and form is not None:
        foliage = "needle" if form in FORM_OF_NEEDLE else "broad"
    kind = foliage or _draw(rng, FOLIAGE_CHOICES)
    if kind not in FOLIAGE_CHOICES:
        raise ValueError(f"foliage {kind!r} is none of {', '.join(FOLIAGE_CHOICES)}")
    view = subject or _draw(rng, _SUBJECTS)
    if view not in _SUBJECTS:
        raise ValueError(f"subject {view!r} is none of {', '.join(_SUBJECTS)}")
    if subject is None and view == "litter_ground" and "bare" in kind:
        view = "tree"  # nothing falls from a bare tree that would show what it is
    names = [] if kind == "none" else kind.split("+")
    forms = {n: _form_for(rng, n, form if len(names) == 1 or n != "bare" else None) for n in names}
    parts = compose(rng, view, forms, round(size * float(rng.choice([1.5, 2.0]))))
    if rng.random() < 0.4:
        parts = _rolled(parts, float(rng.normal(0, 4)), float(rng.uniform(1.05, 1.35)))
    rgb = phone_picture(parts.canvas, rng, size)
    if rng.random() < 0.5:
        parts, rgb = _mirrored(parts), rgb[:, ::-1]
    mask = np.array(Image.fromarray(parts.mask).resize((size, size), Image.Resampling.NEAREST))
    shown = [f for f in forms.values() if f != "na"]
    truth = SceneTruth(
        foliage=frozenset(names),  # type: ignore[arg-type]
        form="na" if not shown else shown[0] if len(set(shown)) == 1 else "unclear",
        subject=parts.subject,  # type: ignore[arg-type]
        habit=parts.habit,
        mask=mask,
    )
    return Scene(np.ascontiguousarray(rgb), truth)


def _rolled(parts: SceneParts, angle_deg: float, zoom: float) -> SceneParts:
    """The picture as from a phone held a little askew and a little nearer."""
    side = parts.canvas.shape[0]
    # Zoom enough that no corner falls outside.
    least = abs(np.cos(np.radians(angle_deg))) + abs(np.sin(np.radians(angle_deg)))
    turn = cv2.getRotationMatrix2D((side / 2, side / 2), angle_deg, max(zoom, float(least)))
    canvas = cv2.warpAffine(parts.canvas, turn, (side, side), flags=cv2.INTER_LINEAR)
    mask = cv2.warpAffine(parts.mask.astype(np.uint8), turn, (side, side), flags=cv2.INTER_NEAREST)
    if parts.mask.any() and not mask.any():
        return parts
    return SceneParts(np.asarray(canvas, np.uint8), np.asarray(mask > 0), parts.habit, parts.subject)


def _mirrored(parts: SceneParts) -> SceneParts:
    return SceneParts(
        parts.canvas[:, ::-1], np.ascontiguousarray(parts.mask[:, ::-1]), parts.habit, parts.subject
    )


def _form_for(rng: np.random.Generator, foliage: str, wanted: str | None) -> str:
    if foliage == "bare":
        if wanted is not None:
            raise ValueError("a bare crown has no form of leaf")
        return "na"
    allowed = FORM_OF_NEEDLE if foliage == "needle" else _FORM_OF_BROAD
    if wanted is None:
        weights = (0.5, 0.3, 0.2) if foliage == "needle" else (0.72, 0.28)
        return allowed[int(rng.choice(len(allowed), p=weights))]
    if wanted not in allowed:
        raise ValueError(f"form {wanted!r} does not go with {foliage} foliage ({', '.join(allowed)})")
    return wanted


def _manifest_foliage(foliage: frozenset[Foliage]) -> str:
    if not foliage:
        return "none"
    return next(iter(foliage)) if len(foliage) == 1 else "mixed"


def write_dataset(out_dir: Path | str, n: int, seed: int = 0, size: int = 512) -> Path:
    """Write ``n`` scenes as JPEG and ``manifest.csv`` beside them; returns the manifest's path.

    The columns are those of the photo manifest. ``foliage`` may also be ``bare``; for ``mixed`` rows ``note``
    lists what is there as ``foliage=needle+bare``. ``species`` names the drawn habit, for splits by species.
    """
    folder = Path(out_dir)
    (folder / "photos").mkdir(parents=True, exist_ok=True)
    target = folder / "manifest.csv"
    with target.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, MANIFEST_COLUMNS, lineterminator="\n")
        writer.writeheader()
        for number in range(n):
            scene = random_scene(seed + number, size=size)
            name = f"photos/rendered_{seed + number:06d}.jpg"
            Image.fromarray(scene.rgb).save(folder / name, "JPEG", quality=90)
            truth = scene.truth
            writer.writerow({
                "file": name, "width": size, "height": size, "source": "eavefall-render", "commit": "",
                "source_path": f"random_scene(seed={seed + number}, size={size})",
                "foliage": _manifest_foliage(truth.foliage), "form": truth.form, "subject": truth.subject,
                "species": f"rendered {truth.habit}", "licence": _LICENCE, "credit": "eavefall renderer",
                "credit_url": "", "unsure": "0",
                "note": "foliage=" + ("+".join(sorted(truth.foliage)) or "none"),
            })  # fmt: skip
    return target
