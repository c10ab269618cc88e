"""Fits the sorter of litter pieces on handfuls drawn by our own code, and measures it on handfuls never
fitted on.

    python -m eavefall_training.debris.fit_sorter draw --scenes 120 --first-seed 0 --out pieces.npz
    python -m eavefall_training.debris.fit_sorter fit pieces.npz --test test.npz
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Final

import cv2
import numpy as np
import typer
from numpy.typing import NDArray
from rich.progress import track

from eavefall_datasets.handfuls.scenes import Handful, draw_handful
from eavefall_datasets.render.camera import Camera
from eavefall_model.debris.cut import cut_out, flatten, told_apart
from eavefall_model.debris.shape import FEATURES, shape_of
from eavefall_model.gauge.locate import Located
from eavefall_model.gauge.references import parse_reference
from eavefall_model.intervals import wilson
from eavefall_model.photo import decode
from eavefall_model.vocabulary import DEBRIS_KINDS

app = typer.Typer(no_args_is_help=True, help=__doc__)
Array = NDArray[np.float64]
SORTED: Final = tuple(kind for kind in DEBRIS_KINDS if kind != "other")
CLUMP: Final = "clump"
_LARGE: Final = (
    "bundle", "shoot", "leaf", "spray", "catkin", "stalk", "cone", "twig", "leaf piece", "needle",
)  # fmt: skip


class _KnownPlane:
    """The drawn camera in the place of a reference that was found: this is not about finding one."""

    def __init__(self, camera: Camera) -> None:
        self._camera = camera
        self.px_per_mm = camera.px_per_mm
        self.tilt_deg = camera.tilt_deg

    def to_mm(self, points_px: Array) -> Array:
        return self._camera.unproject(points_px)

    def to_px(self, points_mm: Array) -> Array:
        return self._camera.project(points_mm)


@dataclass(frozen=True)
class Known:
    """Numbers of one cut and what it is: a kind, or ``clump`` and of how many pieces."""

    features: Array
    kind: str
    count: int


def pieces_of(handful: Handful, located: Located) -> list[Known]:
    """All cuts of a drawn handful, and the parts that an outline shows in them, with what they truly are.

    A cut that holds most of two or more pieces is a clump; one that is not mostly one whole piece is left
    out.
    """
    photo = decode(handful.jpeg_bytes, name="a handful")
    flat = flatten(photo.rgb, located)
    if flat is None:
        return []
    area = np.bincount(handful.owner[handful.owner >= 0], minlength=len(handful.pieces))
    known: list[Known] = []
    for whole in cut_out(flat):
        parts = told_apart(whole, flat.px_per_mm)
        for cut in (whole, *(parts if len(parts) > 1 else ())):
            shape = shape_of(flat, cut)
            if shape is None:
                continue
            inside = np.zeros(handful.owner.shape, np.uint8)
            outline = located.plane.to_px(flat.to_mm(shape.outline))
            cv2.fillPoly(inside, [np.round(outline).astype(np.int32)], 1)
            owners = handful.owner[inside > 0]
            held = np.bincount(owners[owners >= 0], minlength=len(handful.pieces))
            within = np.flatnonzero(held > 0.5 * np.maximum(area, 1))
            if len(within) > 1:
                known.append(Known(shape.features, CLUMP, len(within)))
            elif len(within) == 1 and held.max() > 0.8 * held.sum():
                true = handful.pieces[int(within[0])]
                if true.complete:
                    known.append(Known(shape.features, true.outline.kind, 1))
    return known


@app.command()
def draw(
    out: Path,
    scenes: Annotated[int, typer.Option()] = 120,
    first_seed: Annotated[int, typer.Option()] = 0,
    count: Annotated[int, typer.Option(help="Pieces tried in each.")] = 55,
    large: Annotated[
        bool, typer.Option(help="Only kinds that need room, which are few among the others.")
    ] = False,
) -> None:
    """Draw handfuls and keep the numbers of their pieces."""
    known: list[Known] = []
    for seed in track(range(first_seed, first_seed + scenes), "Handfuls"):
        rng = np.random.default_rng([seed, 41])
        width = int(rng.choice([1600, 1900]))
        handful = draw_handful(
            seed,
            count=count,
            kinds=_LARGE if large else SORTED,
            size=(width, width * 3 // 4),
            reference="card",
            across_mm=200.0,
            crowded=float(rng.choice([0.05, 0.15, 0.3])),
            hard=seed % 3 == 0,
        )
        located = Located(
            parse_reference("card"), _KnownPlane(handful.spec.camera), np.zeros((0, 2)), None,  # type: ignore[arg-type]
            (_card_px(handful),),
        )  # fmt: skip
        known += pieces_of(handful, located)
        np.savez_compressed(
            out,
            features=np.array([each.features for each in known]),
            kinds=np.array([each.kind for each in known]),
            counts=np.array([each.count for each in known]),
        )


def _card_px(handful: Handful) -> Array:
    from eavefall_datasets.render.references import footprint_mm

    return handful.spec.camera.project(footprint_mm(handful.spec.references[0], 2.0))


@app.command()
def fit(
    pieces: list[Path],
    test: Annotated[list[Path], typer.Option()],
    out: Annotated[Path, typer.Option()] = Path("model/eavefall_model/debris"),
    sure: Annotated[float, typer.Option(help="Below this chance the kind is left open.")] = 0.65,
) -> None:
    """Fit, calibrate by one temperature on a fifth that was left out, and print the figures on the test
    pieces.
    """
    from sklearn.neural_network import MLPClassifier, MLPRegressor

    known, checked = _together(pieces), _together(test)
    classes = [*SORTED, CLUMP]
    x, y = known["features"], np.array([classes.index(kind) for kind in known["kinds"]])
    mean, spread = x.mean(axis=0), x.std(axis=0) + 1e-6

    def scaled(features: Array) -> Array:
        return np.asarray(np.clip((features - mean) / spread, -5, 5))

    z = scaled(x)
    held = np.arange(len(z)) % 5 == 0
    net = MLPClassifier(
        (64,), alpha=3e-3, max_iter=400, random_state=0, early_stopping=True, n_iter_no_change=25
    )
    net.fit(z[~held], y[~held])
    several = y == len(SORTED)
    counter = MLPRegressor(hidden_layer_sizes=(16,), alpha=1e-2, max_iter=2000, random_state=0)
    counter.fit(z[several], np.log(known["counts"][several]))
    weights: dict[str, Any] = {
        "mean": mean, "spread": spread, "w1": net.coefs_[0], "b1": net.intercepts_[0], "w2": net.coefs_[1],
        "b2": net.intercepts_[1], "c1": counter.coefs_[0], "d1": counter.intercepts_[0],
        "c2": counter.coefs_[1], "d2": counter.intercepts_[1],
    }  # fmt: skip

    def scores(features: Array) -> Array:
        hidden = np.maximum(scaled(features) @ weights["w1"] + weights["b1"], 0)
        return np.asarray(hidden @ weights["w2"] + weights["b2"])

    def loss(temperature: float) -> float:
        s = scores(x[held]) / temperature
        s -= s.max(axis=1, keepdims=True)
        return float(-(s[np.arange(held.sum()), y[held]] - np.log(np.exp(s).sum(axis=1))).mean())

    temperature = min((float(each) for each in np.arange(0.6, 3.0, 0.05)), key=loss)
    s = scores(checked["features"]) / temperature
    chances = np.exp(s - s.max(axis=1, keepdims=True))
    chances /= chances.sum(axis=1, keepdims=True)
    truth = np.array([classes.index(kind) for kind in checked["kinds"]])
    one = truth < len(SORTED)
    said_several = chances[:, -1] >= 0.5
    answered = (chances.max(axis=1) >= sure) & ~said_several
    right = chances.argmax(axis=1) == truth
    lines = [_line("all", answered[one], right[one])]
    lines += [_line(kind, answered[truth == k], right[truth == k]) for k, kind in enumerate(SORTED)]
    lines += [
        f"clumps seen as such: {_part(said_several[~one])}",
        f"single pieces taken for a clump: {_part(said_several[one])}",
    ]
    counts = checked["counts"][~one]
    told = np.exp(np.maximum(scaled(checked["features"][~one]) @ weights["c1"] + weights["d1"], 0)
                  @ weights["c2"] + weights["d2"])[:, 0]  # fmt: skip
    lines.append(f"pieces counted in clumps: {told.sum():.0f} of {counts.sum()} in {len(counts)} clumps")
    print("\n".join(lines))
    np.savez(
        out / "sorter.npz",
        temperature=temperature,
        sure=sure,
        **{k: v.astype(np.float32) for k, v in weights.items()},
    )
    figures = {
        "kinds": classes,
        "features": FEATURES,
        "fitted_on": len(x),
        "tested_on": len(truth),
        "figures": lines,
    }
    (out / "sorter.json").write_text(json.dumps(figures, indent=1) + "\n")


def _together(files: list[Path]) -> dict[str, NDArray[Any]]:
    each = [np.load(file) for file in files]
    return {name: np.concatenate([one[name] for one in each]) for name in ("features", "kinds", "counts")}


def _part(yes: NDArray[np.bool_]) -> str:
    k, n = int(yes.sum()), len(yes)
    low, high = wilson(k, n) if n else (0.0, 1.0)
    return f"{k} of {n} ({low:.1%} to {high:.1%})"


def _line(name: str, answered: NDArray[np.bool_], right: NDArray[np.bool_]) -> str:
    n, k = int(answered.sum()), int((answered & right).sum())
    if not len(answered):
        return f"{name}: none"
    low, high = wilson(k, n) if n else (0.0, 1.0)
    share = k / n if n else float("nan")
    told = f"answered {answered.mean():.1%} of {len(answered)}"
    return f"{name}: right {share:.1%} ({low:.1%} to {high:.1%}, n = {n}), {told}"


if __name__ == "__main__":
    app()
