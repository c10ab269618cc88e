"""The needle gauge against rendered truth: ``python -m eavefall_training.gauge_truth --scenes 200``.

Scenes are drawn by our renderer, which shares no code with the gauge. Seeds below 1000 were used while the
gauge was built, 100000 to 100199 and 110000 to 110127 to set its stated errors, and 200000 to 200203,
300000 to 300215 and 400000 to 400215 once each for trials; the default first seed lies above them.
"""

from __future__ import annotations

import argparse
import csv
import math
import pickle
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
from PIL import Image

from eavefall_datasets.render.needles import NeedleScene, NeedleTruth, random_spec, render
from eavefall_model.gauge.measure import measure
from eavefall_model.gauge.schema import GaugeResult, Needle
from eavefall_model.intervals import wilson
from eavefall_model.photo import decode

__all__ = [
    "HELD_OUT_SEED",
    "Row",
    "compare",
    "evaluate",
    "main",
    "photo_bytes",
    "scene_for",
    "summary_lines",
]

HELD_OUT_SEED: Final = 500_000
_REFERENCES: Final = ("card", "coin", "sheet", "page")
# Cards and coins, the harder ones, more often; a whole page takes long to draw.
_TURNS: Final = ("card", "coin", "sheet", "card", "coin", "page", "card", "coin")
_SIZES: Final = {"card": (1900, 1425), "coin": (1500, 1125), "sheet": (2900, 2175), "page": (2900, 2175)}
_SCALES: Final = {"card": (11.0, 16.0), "coin": (11.0, 17.0), "sheet": (9.0, 12.0), "page": (8.6, 9.2)}
_KINDS: Final = ("single", "crossing", "bundle", "touching", "cut", "twigs", "single", "crossing")
_WRITTEN_FOCAL_SD: Final = 0.03  # focusing close, and what the maker calls the view: judgement
_NEAR_WIDTHS: Final = 0.75
_ON_TRUTH: Final = 0.8


@dataclass(frozen=True)
class Row:
    """One true needle, or one found thing that is none (``truth`` empty), of one scene.

    ``status`` is ``found``, ``missed``, ``refused`` (the whole photo), ``ghost`` (no needle there) or
    ``fragment`` (a second find on one needle). ``company`` is what lies with the needle: ``none``,
    ``crossing``, ``touching`` or ``bundle``. Lengths and widths in mm.
    """

    seed: int
    reference: str
    background: str
    kind: str
    tilt_deg: float
    rotation_deg: float
    px_per_mm: float
    status: str
    reason: str
    company: str
    focal_written: bool
    clean: bool
    complete: bool
    said_complete: bool
    direction_deg: float
    true_length_mm: float
    length_mm: float
    length_sd_mm: float
    true_width_mm: float
    width_mm: float
    width_sd_mm: float
    true_thin_mm: float
    thin_mm: float
    bundle_size: int
    bundle_found: bool
    seconds: float


def scene_for(seed: int) -> tuple[dict[str, Any], NeedleScene]:
    """The scene of a seed and what was asked for: references, kinds and tilts of 0 to 30 degrees in turn."""
    rng = np.random.default_rng([seed, 77])
    reference = _TURNS[seed % len(_TURNS)]
    kind = _KINDS[(seed // len(_TURNS)) % len(_KINDS)]
    asked: dict[str, Any] = {
        "tilt_deg": float(rng.uniform(0, 30)),
        "size": _SIZES[reference],
        "px_per_mm": float(rng.uniform(*_SCALES[reference])),
        "reference": reference if reference != "page" else ("a4", "letter")[int(rng.integers(2))],
    }
    if reference in ("card", "coin"):
        asked["background"] = ("light", "dark")[int(rng.integers(2))]
    if kind == "crossing":
        asked["crossings"] = True
    elif kind == "bundle":
        asked["bundle"] = (2, 3, 5)[int(rng.integers(3))]
    elif kind in ("touching", "cut", "twigs"):
        asked[kind] = True
    return {**asked, "kind": kind}, render(random_spec(seed, **asked))


def compare(
    seed: int, asked: dict[str, Any], scene: NeedleScene, result: GaugeResult, seconds: float
) -> list[Row]:
    """Rows of one scene."""
    base: dict[str, Any] = {
        "seed": seed,
        "reference": "page" if asked["reference"] in ("a4", "letter") else asked["reference"],
        "background": scene.spec.background if asked["reference"] in ("card", "coin") else "light",
        "kind": asked["kind"],
        "tilt_deg": scene.truth.tilt_deg,
        "rotation_deg": scene.spec.camera.rotation_deg % 360,
        "px_per_mm": scene.truth.px_per_mm,
        "focal_written": _writes_focal(seed),
        "seconds": seconds,
    }
    if result.refused is not None:
        return [_row(base, truth, None, "refused", result.refused.reason) for truth in scene.truth.needles]
    best: dict[int, Needle] = {}
    spare: list[tuple[str, Needle]] = []
    for needle in sorted(result.needles, key=lambda n: -n.length_mm):
        index = _match(needle, scene.truth.needles)
        if index is None:
            spare.append(("ghost", needle))
        elif index in best:
            spare.append(("fragment", needle))
        else:
            best[index] = needle
    rows = [
        _row(base, truth, best.get(truth.index), "found" if truth.index in best else "missed", "")
        for truth in scene.truth.needles
    ]
    return rows + [_row(base, None, needle, status, "") for status, needle in spare]


def _match(needle: Needle, truths: Iterable[NeedleTruth]) -> int | None:
    """The true needle that this one's axis runs along, or None."""
    axis = np.array(needle.axis_px)
    best: tuple[float, int] | None = None
    for truth in truths:
        distance = np.hypot(*(axis[:, None] - truth.axis_px[None]).transpose(2, 0, 1)).min(axis=1)
        scale = float(np.hypot(*np.diff(truth.axis_px, axis=0).T).sum()) / truth.length_mm
        limit = max(4.0, _NEAR_WIDTHS * truth.width_mm * scale)
        if np.mean(distance < limit) >= _ON_TRUTH and (best is None or float(distance.mean()) < best[0]):
            best = (float(distance.mean()), truth.index)
    return None if best is None else best[1]


def _row(
    base: dict[str, Any], truth: NeedleTruth | None, needle: Needle | None, status: str, reason: str
) -> Row:
    ends = np.array(needle.axis_px if needle is not None else truth.axis_px if truth is not None else [])
    across, down = ends[-1] - ends[0]
    return Row(
        **base,
        status=status,
        reason=reason,
        company=_company(truth),
        clean=truth is not None and truth.clean,
        complete=truth is not None and truth.complete,
        said_complete=needle is not None and needle.complete,
        direction_deg=math.degrees(math.atan2(down, across)) % 180,
        true_length_mm=truth.length_mm if truth is not None else math.nan,
        length_mm=needle.length_mm if needle is not None else math.nan,
        length_sd_mm=needle.length_sd_mm if needle is not None else math.nan,
        true_width_mm=truth.width_mm if truth is not None else math.nan,
        width_mm=needle.width_mm if needle is not None else math.nan,
        width_sd_mm=needle.width_sd_mm if needle is not None else math.nan,
        true_thin_mm=truth.thin_width_mm if truth is not None else math.nan,
        thin_mm=needle.thin_width_mm if needle is not None else math.nan,
        bundle_size=truth.bundle_size if truth is not None else 0,
        bundle_found=needle is not None and needle.bundle is not None,
    )


def _company(truth: NeedleTruth | None) -> str:
    if truth is None or not (truth.bundle_size > 1 or truth.crosses or truth.touches):
        return "none"
    return "bundle" if truth.bundle_size > 1 else "crossing" if truth.crosses else "touching"


def _writes_focal(seed: int) -> bool:
    """Half of the photos carry a focal length, as phones write it; sent on by others, they often do not."""
    return bool(np.random.default_rng([seed, 78]).random() < 0.5)


def photo_bytes(scene: NeedleScene, seed: int) -> bytes:
    """The scene's JPEG, in half of the scenes with a focal length in its EXIF that is 3 % off or so."""
    if not _writes_focal(seed):
        return scene.jpeg_bytes
    camera = scene.spec.camera
    off = float(np.random.default_rng([seed, 79]).normal(0.0, _WRITTEN_FOCAL_SD))
    diagonal_px = math.hypot(camera.width_px, camera.height_px)
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA405] = round(camera.focal_px * math.exp(off) / diagonal_px * math.hypot(36, 24))
    block = exif.tobytes()
    # An APP1 segment right after the start of the picture: marker, length, content.
    segment = b"\xff\xe1" + (len(block) + 2).to_bytes(2, "big") + block
    return scene.jpeg_bytes[:2] + segment + scene.jpeg_bytes[2:]


def kept_scene(seed: int, folder: Path | None) -> tuple[dict[str, Any], NeedleScene]:
    """The scene of a seed, from ``folder`` if it was drawn before (drawing takes longer than measuring)."""
    if folder is None:
        return scene_for(seed)
    path = folder / f"{seed}.pickle"
    if not path.exists():
        asked, scene = scene_for(seed)
        folder.mkdir(parents=True, exist_ok=True)
        # The picture before compression is large and not measured.
        path.write_bytes(pickle.dumps((asked, replace(scene, rgb=scene.rgb[:1, :1]))))
    kept: tuple[dict[str, Any], NeedleScene] = pickle.loads(path.read_bytes())
    return kept


def evaluate(
    seeds: Iterable[int], tell: Callable[[str], None] | None = None, folder: Path | None = None
) -> Iterator[Row]:
    """Render, measure and compare scene after scene; drawn scenes are kept in ``folder``."""
    for seed in seeds:
        asked, scene = kept_scene(seed, folder)
        coin = scene.spec.references[0].diameter_mm
        reference = f"coin:{coin:g}" if asked["reference"] == "coin" else asked["reference"]
        photo = decode(photo_bytes(scene, seed), name=str(seed))
        start = time.process_time()
        result = measure(photo, reference, name=str(seed))
        seconds = time.process_time() - start
        if tell is not None:
            said = result.refused.reason if result.refused else f"{len(result.needles)} needles"
            tell(f"{seed} {asked['reference']} {asked['kind']}: {said} of {len(scene.truth.needles)}")
        yield from compare(seed, asked, scene, result, seconds)


def summary_lines(rows: list[Row]) -> list[str]:
    """What a reader wants to know, with n beside every figure."""
    scenes = {row.seed for row in rows}
    refused = {row.seed: row.reason for row in rows if row.status == "refused"}
    lines = [f"scenes {len(scenes)}, refused {len(refused)} ({_counts(refused.values())})"]
    measured = [row for row in rows if row.status != "refused"]
    clean = [row for row in measured if row.clean]
    found = [row for row in measured if row.status == "found"]
    false = [row for row in measured if row.status in ("ghost", "fragment")]
    lines.append(_share("clean needles found", sum(row.status == "found" for row in clean), len(clean)))
    true = [row for row in measured if row.status in ("found", "missed")]
    lines.append(_share("all true needles found", len(found), len(true)))
    ghosts = sum(row.status == "ghost" for row in false)
    lines.append(_share("finds that are no needle", ghosts, len(found) + len(false)))
    lines.append(_share("finds that repeat a needle", len(false) - ghosts, len(found) + len(false)))
    bundled = [row for row in found if row.bundle_size > 1]
    lines.append(
        _share("bundled needles known as such", sum(row.bundle_found for row in bundled), len(bundled))
    )
    alone = [row for row in found if row.clean]
    groups: list[tuple[str, list[Row]]] = [("clean", alone)]
    groups += [(f"clean, {name}", group) for name, group in _split(alone)]
    groups.append(("not clean", [row for row in found if not row.clean]))
    for company in ("crossing", "touching", "bundle"):
        groups.append((f"not clean, {company}", [row for row in found if row.company == company]))
    groups.append(
        ("not clean, cut or hidden only", [r for r in found if not r.clean and r.company == "none"])
    )
    groups.append(("all together", found))
    lines.append("length, complete needles (error in mm; the limit is 1 mm or 1.5 %, 2.5 mm or 4 %)")
    for name, group in groups:
        both = [row for row in group if row.complete and row.said_complete]
        lines.append(_errors(name, [(r.length_mm - r.true_length_mm, r.length_sd_mm) for r in both]))
    wrong = [row for row in found if row.said_complete and not row.complete]
    said = [row for row in found if row.said_complete]
    lines.append(_share("said to be complete and are not", len(wrong), len(said)))
    lines.append("width (error in mm)")
    fine = [row for row in alone if row.px_per_mm >= 15]
    lines.append(
        _errors("clean, 15 px/mm and more", [(r.width_mm - r.true_width_mm, r.width_sd_mm) for r in fine])
    )
    for name, group in groups:
        lines.append(_errors(name, [(r.width_mm - r.true_width_mm, r.width_sd_mm) for r in group]))
    thin = [(r.thin_mm - r.true_thin_mm, r.width_sd_mm) for r in found if r.clean]
    lines.append(_errors("thin part, clean", thin))
    seconds = sorted({row.seed: row.seconds for row in rows}.values())
    lines.append(f"processor seconds per photo: median {np.median(seconds):.2f}, longest {seconds[-1]:.2f}")
    return lines


def _split(rows: list[Row]) -> Iterator[tuple[str, list[Row]]]:
    for reference in _REFERENCES:
        yield reference, [row for row in rows if row.reference == reference]
    coins = [row for row in rows if row.reference == "coin"]
    yield "coin, focal length written", [row for row in coins if row.focal_written]
    yield "coin, focal length unknown", [row for row in coins if not row.focal_written]
    for background in ("light", "dark"):
        yield f"{background} background", [row for row in rows if row.background == background]
    for low in (0, 10, 20):
        yield f"tilt {low} to {low + 10}", [row for row in rows if low <= row.tilt_deg < low + 10]
    for low in (0, 45, 90, 135):
        yield f"lying at {low} to {low + 45}°", [row for row in rows if low <= row.direction_deg < low + 45]
    for low in (0, 90, 180, 270):
        yield f"camera turned {low} to {low + 90}°", [r for r in rows if low <= r.rotation_deg < low + 90]


def _counts(values: Iterable[str]) -> str:
    listed = list(values)
    return ", ".join(f"{listed.count(value)} {value}" for value in sorted(set(listed))) or "none"


def _share(name: str, part: int, whole: int) -> str:
    """A share with its 95 % Wilson interval."""
    if whole == 0:
        return f"{name}: n = 0"
    p = part / whole
    low, high = (100 * end for end in wilson(part, whole))
    return f"{name}: {part} of {whole} = {100 * p:.1f} % ({low:.1f} to {high:.1f})"


def _errors(name: str, pairs: list[tuple[float, float]]) -> str:
    """n, bias with its 95 % interval, spread, median and 95th percentile of the size, worst, coverage."""
    if len(pairs) < 2:
        return f"  {name:34s} n = {len(pairs)}"
    error, sd = np.array(pairs).T
    size = np.abs(error)
    half = 1.96 * float(np.std(error, ddof=1)) / math.sqrt(len(error))
    return (
        f"  {name:34s} n = {len(error):4d}  bias {error.mean():+.3f} ± {half:.3f}"
        f"  sd {np.std(error, ddof=1):.3f}"
        f"  median {np.median(size):.3f}  95th {np.percentile(size, 95):.3f}  worst {size.max():.3f}"
        f"  within 1 sd {100 * np.mean(size < sd):.0f} %, 2 sd {100 * np.mean(size < 2 * sd):.0f} %"
    )


def write_csv(path: Path, rows: list[Row]) -> None:
    """All rows, for a second look."""
    with path.open("w", newline="") as file:
        writer = csv.DictWriter(file, [field.name for field in fields(Row)])
        writer.writeheader()
        writer.writerows(asdict(row) for row in rows)


def main(arguments: list[str] | None = None) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scenes", type=int, default=200)
    parser.add_argument("--first-seed", type=int, default=HELD_OUT_SEED)
    parser.add_argument("--csv", type=Path, default=Path("gauge_truth.csv"))
    parser.add_argument(
        "--scene-folder", type=Path, help="Keep drawn scenes here, and use those that are there."
    )
    options = parser.parse_args(arguments)
    seeds = range(options.first_seed, options.first_seed + options.scenes)
    rows = list(evaluate(seeds, lambda line: print(line, flush=True), options.scene_folder))
    write_csv(options.csv, rows)
    print("\n".join(summary_lines(rows)))


if __name__ == "__main__":
    main()
