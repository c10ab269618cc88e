"""The needle gauge against rendered truth: ``python -m eavefall_training.gauge_truth --per-group 12``.

Scenes are drawn by our renderer in groups, each of which is one thing that goes wrong on other people's
tables (``needle_trials``); it shares no measuring code with the gauge. Seeds from 1000, 700,000 and
950,000 were seen while the gauge was built; the default first seed was used once, for the figures in the
gauge's README.
"""

from __future__ import annotations

import argparse
import csv
import math
import pickle
from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
from PIL import Image

from eavefall_datasets.render.needle_trials import GROUPS, Trial, trial
from eavefall_datasets.render.needles import NeedleScene, NeedleTruth, render
from eavefall_model.gauge.measure import measure
from eavefall_model.gauge.schema import GaugeResult, Needle
from eavefall_model.intervals import wilson
from eavefall_model.photo import decode

HELD_OUT_SEED: Final = 800_000
_WRITTEN_FOCAL_SD: Final = 0.03  # focusing close, and what the maker calls the view: judgement
_NEAR_WIDTHS: Final = 0.75
_ON_TRUTH: Final = 0.8
_WRONG_SCALE: Final = 0.03
# What a user who follows the instructions takes: a refusal there is a fault.
ORDINARY: Final = ("plain", "sheet", "page", "colored paper", "cloth", "paper on a table", "printed card")


@dataclass(frozen=True)
class Row:
    """One true needle, or one found thing that is none (``truth`` empty), of one scene; or an empty scene.

    ``status`` is ``found``, ``missed``, ``refused`` (the whole photo), ``ghost`` (no needle there),
    ``fragment`` (a second find on one needle) or ``empty``. ``company`` is what lies with the needle:
    ``none``, ``crossing``, ``touching`` or ``bundle``. Lengths and widths in mm.
    """

    group: str
    seed: int
    reference: str
    scale_true: bool
    tilt_deg: float
    px_per_mm: float
    status: str
    reason: str
    company: str
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


def compare(seed: int, made: Trial, scene: NeedleScene, result: GaugeResult) -> list[Row]:
    """Rows of one scene."""
    base: dict[str, Any] = {
        "group": made.group,
        "seed": seed,
        "reference": made.reference,
        "scale_true": made.scale_true,
        "tilt_deg": scene.truth.tilt_deg,
        "px_per_mm": scene.truth.px_per_mm,
    }
    truths = scene.truth.needles
    if result.refused is not None:
        reason = result.refused.reason
        return [_row(base, truth, None, "refused", reason) for truth in truths or (None,)]
    best: dict[int, Needle] = {}
    spare: list[tuple[str, Needle]] = []
    for needle in sorted(result.needles, key=lambda n: -n.length_mm):
        index = _match(needle, truths)
        if index is None:
            spare.append(("ghost", needle))
        elif index in best:
            spare.append(("fragment", needle))
        else:
            best[index] = needle
    rows = [_row(base, t, best.get(t.index), "found" if t.index in best else "missed", "") for t in truths]
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
    ends = np.array(
        needle.axis_px if needle is not None else truth.axis_px if truth is not None else [[0, 0]]
    )
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
    )


def _company(truth: NeedleTruth | None) -> str:
    if truth is None or not (truth.bundle_size > 1 or truth.crosses or truth.touches):
        return "none"
    return "bundle" if truth.bundle_size > 1 else "crossing" if truth.crosses else "touching"


def photo_bytes(scene: NeedleScene, seed: int) -> bytes:
    """The scene's JPEG, in half of the scenes with a focal length in its EXIF that is 3 % off or so.

    Phones write it; photos that others sent on have often lost it.
    """
    rng = np.random.default_rng([seed, 78])
    if rng.random() < 0.5:
        return scene.jpeg_bytes
    camera = scene.spec.camera
    off = float(rng.normal(0.0, _WRITTEN_FOCAL_SD))
    diagonal_px = math.hypot(camera.width_px, camera.height_px)
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA405] = round(camera.focal_px * math.exp(off) / diagonal_px * math.hypot(36, 24))
    block = exif.tobytes()
    # An APP1 segment right after the start of the picture: marker, length, content.
    segment = b"\xff\xe1" + (len(block) + 2).to_bytes(2, "big") + block
    return scene.jpeg_bytes[:2] + segment + scene.jpeg_bytes[2:]


def _kept(group: str, seed: int, folder: Path | None) -> tuple[Trial, NeedleScene]:
    """The scene of a group and a seed, from ``folder`` if it was drawn before."""
    path = folder / f"{seed}.pickle" if folder is not None else None
    if path is not None and path.exists():
        kept: tuple[Trial, NeedleScene] = pickle.loads(path.read_bytes())
        return kept
    made = trial(group, seed)
    scene = render(made.spec)
    if path is not None:
        path.parent.mkdir(parents=True, exist_ok=True)
        # The picture before compression is large and not measured.
        path.write_bytes(pickle.dumps((made, replace(scene, rgb=scene.rgb[:1, :1]))))
    return made, scene


def evaluate(
    groups: Iterable[str],
    first_seed: int,
    per_group: int,
    tell: Callable[[str], None] | None = None,
    folder: Path | None = None,
) -> Iterator[Row]:
    """Render, measure and compare scene after scene, one of each group in turn."""
    order = {group: k for k, group in enumerate(GROUPS)}
    chosen = list(groups)
    for k in range(per_group):
        for group in chosen:
            seed = first_seed + 100 * k + order[group]
            made, scene = _kept(group, seed, folder)
            photo = decode(photo_bytes(scene, seed), name=str(seed))
            result = measure(photo, made.reference, name=str(seed))
            if tell is not None:
                said = result.refused.reason if result.refused else f"{len(result.needles)} needles"
                tell(f"{seed} {group}, {made.reference}: {said} of {len(scene.truth.needles)}")
            yield from compare(seed, made, scene, result)


def _scale_errors(rows: list[Row]) -> dict[int, float]:
    """Relative error of the scale of each answered photo: the median over its complete needles.

    Where the reference named is not there, what the needles say is still compared with their true length;
    a photo whose needles are all incomplete is judged by their widths.
    """
    errors: dict[int, float] = {}
    for seed in {row.seed for row in rows}:
        mine = [row for row in rows if row.seed == seed and row.status == "found"]
        lengths = [r.length_mm / r.true_length_mm for r in mine if r.complete and r.said_complete]
        widths = [r.width_mm / r.true_width_mm for r in mine]
        if mine:
            errors[seed] = float(np.median(lengths or widths)) - 1
    return errors


def summary_lines(rows: list[Row]) -> list[str]:
    """What a reader wants to know, by group, with n and an interval beside every figure."""
    groups = sorted({row.group for row in rows})
    lines = ["all groups together"]
    lines += _group_lines(rows)
    ordinary = [row for row in rows if row.group in ORDINARY]
    refused = {row.seed for row in ordinary if row.status == "refused"}
    lines.append("  " + _share("ordinary scenes refused", len(refused), len({r.seed for r in ordinary})))
    for group in sorted(groups, key=lambda g: -_badness([r for r in rows if r.group == g])):
        lines.append(group)
        lines += _group_lines([row for row in rows if row.group == group])
    return lines


def _badness(rows: list[Row]) -> float:
    """Worst first: by how far the widths are off in sum, then by what is no needle."""
    found = [r for r in rows if r.status == "found"]
    ghosts = sum(r.status == "ghost" for r in rows)
    wrong = sum(abs(e) > _WRONG_SCALE for e in _scale_errors(rows).values())
    bias = abs(float(np.mean([r.width_mm - r.true_width_mm for r in found]))) if found else 0.0
    return 10 * wrong + ghosts + 100 * bias


def _group_lines(rows: list[Row]) -> list[str]:
    scenes = {row.seed for row in rows}
    refused = {row.seed: row.reason for row in rows if row.status == "refused"}
    lines = [f"  scenes {len(scenes)}, refused {len(refused)} ({_counts(refused.values())})"]
    measured = [row for row in rows if row.status != "refused"]
    if not measured:
        return lines
    clean = [row for row in measured if row.clean]
    found = [row for row in measured if row.status == "found"]
    false = [row for row in measured if row.status in ("ghost", "fragment")]
    errors = _scale_errors(rows)
    wrong = sum(abs(e) > _WRONG_SCALE for e in errors.values())
    said = [row for row in found if row.said_complete]
    both = [row for row in said if row.complete]
    return [
        *lines,
        "  " + _share("answered with a scale over 3 % off", wrong, len(errors)),
        "  " + _share("clean needles found", sum(r.status == "found" for r in clean), len(clean)),
        "  " + _share("finds that are no needle, or repeat one", len(false), len(found) + len(false)),
        "  " + _share("said to be complete and are not", len(said) - len(both), len(said)),
        _errors("length", [(r.length_mm - r.true_length_mm, r.length_sd_mm) for r in both]),
        _errors("width", [(r.width_mm - r.true_width_mm, r.width_sd_mm) for r in found]),
    ]


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
    """n, bias with its 95 % interval, spread, median and 95th percentile of the size, worst, coverage.

    Needles of one photo share its scale and light, so the intervals are lower limits.
    """
    if len(pairs) < 2:
        return f"  {name}: n = {len(pairs)}"
    error, sd = np.array(pairs).T
    size = np.abs(error)
    half = 1.96 * float(np.std(error, ddof=1)) / math.sqrt(len(error))
    within = [_within(int((size < times * sd).sum()), len(size)) for times in (1, 2)]
    return (
        f"  {name}: n = {len(error)}, bias {error.mean():+.3f} ± {half:.3f}, sd {np.std(error, ddof=1):.3f}, "
        f"median {np.median(size):.3f}, 95th {np.percentile(size, 95):.3f}, worst {size.max():.3f}; "
        f"within 1 sd {within[0]}, 2 sd {within[1]}"
    )


def _within(part: int, whole: int) -> str:
    low, high = (100 * end for end in wilson(part, whole))
    return f"{100 * part / whole:.0f} % ({low:.0f} to {high:.0f})"


def keep_rows(path: Path, rows: Iterable[Row]) -> list[Row]:
    """Write rows as they come: a run that is stopped leaves what it has measured."""
    kept: list[Row] = []
    with path.open("w", newline="") as file:
        writer = csv.DictWriter(file, [field.name for field in fields(Row)])
        writer.writeheader()
        for row in rows:
            writer.writerow(asdict(row))
            file.flush()
            kept.append(row)
    return kept


def main(arguments: list[str] | None = None) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--per-group", type=int, default=12)
    parser.add_argument("--groups", nargs="*", default=list(GROUPS), choices=list(GROUPS))
    parser.add_argument("--first-seed", type=int, default=HELD_OUT_SEED)
    parser.add_argument("--csv", type=Path, default=Path("gauge_truth.csv"))
    parser.add_argument("--scene-folder", type=Path, help="Keep drawn scenes here, and use those there.")
    options = parser.parse_args(arguments)
    scenes = evaluate(
        options.groups,
        options.first_seed,
        options.per_group,
        lambda line: print(line, flush=True),
        options.scene_folder,
    )
    rows = keep_rows(options.csv, scenes)
    print("\n".join(summary_lines(rows)))


if __name__ == "__main__":
    main()
