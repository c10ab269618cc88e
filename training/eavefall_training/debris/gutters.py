"""Fits the reader of gutters on gutters drawn by our own code, and measures it on gutters never fitted on.

python -m eavefall_training.debris.gutters draw FOLDER --scenes 240
python -m eavefall_training.debris.gutters fit FOLDER
python -m eavefall_training.debris.gutters measure --scenes 200
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Final

import cv2
import numpy as np
import typer
from numpy.typing import NDArray

from eavefall_datasets.handfuls.gutters import GutterView, draw_gutter
from eavefall_model.debris.gutter import (
    BLOCKS,
    SURFACES,
    Level,
    block_features,
    levelled,
    litter_features,
    read_gutter,
)
from eavefall_model.debris.schema import GutterFill
from eavefall_model.intervals import wilson
from eavefall_model.photo import decode
from eavefall_model.vocabulary import GUTTER_LITTER

app = typer.Typer(no_args_is_help=True, help=__doc__)
Array = NDArray[np.float64]
FITTED_ON: Final = 700_000
LOOKED_AT: Final = 750_000
HELD_OUT: Final = 900_000  # 800,000 to 800,244 were looked at since
_ROWS: Final = 60  # taken of each picture, else neighbors say the same again


def _truth_rows(view: GutterView, level: Level) -> NDArray[np.intp]:
    """What each block of each level row mostly shows, (rows, blocks); -1 where it is mixed."""
    height, width = level.rgb.shape[:2]
    rows, columns = np.meshgrid(np.arange(height), np.arange(width), indexing="ij")
    y = rows + (columns - level.middle) * (level.turn * rows + level.tilt)
    flat = cv2.remap(
        view.surface, (columns / level.shrink).astype(np.float32), (y / level.shrink).astype(np.float32),
        cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    edges = np.linspace(0, width, BLOCKS + 1).astype(int)
    counts = np.stack(
        [np.add.reduceat((flat == k).astype(np.float32), edges[:-1], axis=1) for k in range(len(SURFACES))],
        axis=-1,
    )
    best: NDArray[np.intp] = counts.argmax(axis=-1)
    return np.where(counts.max(axis=-1) > 0.6 * counts.sum(axis=-1), best, -1)


@app.command()
def draw(
    folder: Path,
    scenes: Annotated[int, typer.Option()] = 240,
    first_seed: Annotated[int, typer.Option()] = FITTED_ON,
) -> None:
    """Draw gutters and keep the numbers of their rows and of their litter."""
    folder.mkdir(parents=True, exist_ok=True)
    for seed in range(first_seed, first_seed + scenes):
        path = folder / f"{seed}.npz"
        if path.exists():
            continue
        view = draw_gutter(seed)
        level = levelled(decode(view.jpeg_bytes, name=str(seed)).rgb)
        if level is None:
            print(seed, "has no level lines", flush=True)
            continue
        features, held = block_features(level)
        truth = _truth_rows(view, level)
        rng = np.random.default_rng([seed, 48])
        use = np.zeros(truth.shape, bool)
        use[rng.choice(len(truth), min(_ROWS, len(truth)), replace=False)] = True
        use &= held & (truth >= 0)
        inside = (truth == 1) | (truth == 2) | (truth == 3)
        some = inside.mean(axis=1) > 0.5
        lies = None
        if some.any():
            back, lip = float(np.flatnonzero(some)[0]), float(np.flatnonzero(some)[-1])
            # Where the wall ends, by the truth: the floor's first row in each block.
            line = np.where(
                ((truth == 2) | (truth == 3)).any(axis=0), ((truth == 2) | (truth == 3)).argmax(axis=0), lip
            )
            scale = (lip - back) / max(view.size.width_mm * np.sin(np.radians(view.elevation_deg)), 1.0)
            lies = (
                litter_features(level, back, lip, line.astype(float), float(scale))
                if view.covered > 0.15
                else None
            )
        np.savez_compressed(
            path, features=features[use].astype(np.float16), truth=truth[use].astype(np.int8),
            lies=np.zeros(0) if lies is None else lies, litter=GUTTER_LITTER.index(view.litter), wet=view.wet,
        )  # fmt: skip


@app.command()
def fit(
    folder: Path, out: Annotated[Path, typer.Option()] = Path("model/eavefall_model/debris/gutter.npz")
) -> None:
    """Fit the net of surfaces and the two small ones of what lies there."""
    from sklearn.linear_model import LogisticRegression
    from sklearn.neural_network import MLPClassifier

    kept = [np.load(path) for path in sorted(folder.glob("*.npz"))]
    x = np.concatenate([each["features"] for each in kept]).astype(np.float64)
    y = np.concatenate([each["truth"] for each in kept]).astype(int)
    of = np.concatenate([np.full(len(each["truth"]), at) for at, each in enumerate(kept)])
    mean, spread = x.mean(axis=0), x.std(axis=0) + 1e-6
    z = np.clip((x - mean) / spread, -5, 5)
    held = of % 6 == 0
    net = MLPClassifier(
        (32, 16), alpha=1e-3, max_iter=12, batch_size=400, learning_rate_init=3e-3, random_state=0
    )
    use = np.flatnonzero(~held)[::2]
    net.fit(z[use], y[use])
    print(
        f"surfaces right in pictures left out: {(net.predict(z[held]) == y[held]).mean():.3f} of {held.sum()}"
    )
    weights: dict[str, Any] = {"mean": mean, "spread": spread}
    for at, (w, b) in enumerate(zip(net.coefs_, net.intercepts_, strict=True), 1):
        weights |= {f"w{at}": w, f"b{at}": b}
    lying = [each for each in kept if len(each["lies"])]
    numbers = np.array([each["lies"] for each in lying])
    litter, wet = (
        np.array([int(each["litter"]) for each in lying]),
        np.array([bool(each["wet"]) for each in lying]),
    )
    lies_mean, lies_spread = numbers.mean(axis=0), numbers.std(axis=0) + 1e-6
    scaled = np.clip((numbers - lies_mean) / lies_spread, -4, 4)
    out_of = np.arange(len(litter)) % 5 == 0
    for name, target in (("litter", litter), ("wet", wet)):
        model = LogisticRegression(C=0.3, max_iter=2000).fit(scaled[~out_of], target[~out_of])
        print(f"{name} right: {model.score(scaled[out_of], target[out_of]):.3f} of {out_of.sum()}")
    kinds = LogisticRegression(C=0.3, max_iter=2000).fit(scaled, litter)
    wetness = LogisticRegression(C=0.3, max_iter=2000).fit(scaled, wet)
    weights |= {
        "lies_mean": lies_mean, "lies_spread": lies_spread, "lies_w": kinds.coef_.T,
        "lies_b": kinds.intercept_,
        "wet_w": wetness.coef_[0], "wet_b": wetness.intercept_[0], "lies_sure": 0.6,
    }  # fmt: skip
    kept_as: dict[str, Any] = {name: np.asarray(value, np.float32) for name, value in weights.items()}
    np.savez_compressed(out, **kept_as)


@app.command()
def measure(
    scenes: Annotated[int, typer.Option()] = 200,
    first_seed: Annotated[int, typer.Option()] = HELD_OUT,
) -> None:
    """Read gutters never fitted on, and print how far off the reader is, by group, worst first."""
    rows: list[tuple[GutterView, GutterFill | None]] = []
    for seed in range(first_seed, first_seed + scenes):
        view = draw_gutter(seed)
        result = read_gutter(decode(view.jpeg_bytes, name=str(seed)), view.size.name, name=str(seed))
        rows.append((view, result.fill))
        said = "refused" if result.fill is None else f"{result.fill.full_share:.2f}"
        print(
            f"{seed} {view.size.name} {view.litter} at {view.elevation_deg:.0f} deg: full {view.full:.2f}, "
            f"said {said}",
            flush=True,
        )
    print("\n".join(summary_lines(rows)))


def summary_lines(rows: list[tuple[GutterView, GutterFill | None]]) -> list[str]:
    """All together, then every group, the worst first."""
    lines = _lines("all", rows)
    groups: dict[str, list[tuple[GutterView, GutterFill | None]]] = {}
    for view, fill in rows:
        names = (
            view.size.profile, f"{view.size.width_mm / 25.4:.0f} in", f"litter of {view.litter}",
            "wet" if view.wet else "dry",
            f"{int(view.full * 4.999) * 20} to {int(view.full * 4.999) * 20 + 20} % full",
            "seen under 45 deg" if view.elevation_deg < 45 else "seen over 45 deg",
        )  # fmt: skip
        for name in names:
            groups.setdefault(name, []).append((view, fill))

    def hits(name: str) -> float:
        read = [abs(fill.full_share - view.full) <= 0.2 for view, fill in groups[name] if fill is not None]
        return float(np.mean(read)) if read else 0.0

    for name in sorted(groups, key=hits):
        lines += _lines(name, groups[name])[:1]
    return lines


def _lines(name: str, rows: list[tuple[GutterView, GutterFill | None]]) -> list[str]:
    read = [(view, fill) for view, fill in rows if fill is not None]
    near = [abs(fill.full_share - view.full) <= 0.2 for view, fill in read]
    held = [fill.full_low <= view.full <= fill.full_high for view, fill in read]
    error = np.array([fill.full_share - view.full for view, fill in read])
    cover = np.array([fill.covered_share - view.covered for view, fill in read])
    kinds = [(fill.kind, view.litter) for view, fill in read if fill.kind is not None]
    wet = [(fill.wet == "seen", view.wet) for view, fill in read if fill.wet != "unsure"]
    if not read:
        return [f"{name}: none of {len(rows)} read"]
    return [
        f"{name}: {_share('within a fifth', near)}, refused {len(rows) - len(read)} of {len(rows)}, "
        f"bias {error.mean():+.3f}, median off {np.median(np.abs(error)):.3f}",
        f"  {_share('80 % ranges hold', held)}; cover off by {np.median(np.abs(cover)):.3f} (median)",
        f"  {_share('kind right', [a == b for a, b in kinds])}, answered {len(kinds)} of {len(read)}",
        f"  {_share('wet right', [a == b for a, b in wet])}, answered {len(wet)} of {len(read)}",
    ]


def _share(name: str, yes: list[bool]) -> str:
    if not yes:
        return f"{name}: n = 0"
    low, high = wilson(sum(yes), len(yes))
    return f"{name} {sum(yes)} of {len(yes)} = {sum(yes) / len(yes):.1%} ({low:.1%} to {high:.1%})"


if __name__ == "__main__":
    app()
