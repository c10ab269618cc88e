"""Measuring on photos against drawn truth: ``python -m eavefall_training.sighting_truth --per-group 800``.

For every known thing and every purpose, photos are drawn with exact truth (``scenes.sightings``, which shares
no measuring code) and measured as the pages do. Said are the error in the median and at the 95th percentile,
how many truths lie within one and 1.96 stated standard deviations (68 and 95 of 100 are promised), and how
many photos were refused. Photos from seed 0 on were looked at while the measuring was built; the default
first seed was used for the figures in ``model/eavefall_model/sighting/README.md`` and for nothing else.
"""

from __future__ import annotations

import argparse
import csv
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Final

import numpy as np
from PIL import Image

from eavefall_datasets.scenes.sightings import PURPOSES, REFERENCES, Purpose, Sighting, sighting
from eavefall_model.errors import SightingError
from eavefall_model.intervals import wilson
from eavefall_model.sighting.measured import Measured
from eavefall_model.sighting.picture import Camera, Known, Upright, known_thing, measure_uprights
from eavefall_model.sighting.taps import Tapped, measure_taps

HELD_OUT_SEED: Final = 700_000
PROMISED: Final = {1.0: 0.683, 1.96: 0.95}
_POLE_M: Final = 2.4384


@dataclass(frozen=True)
class Row:
    """One measure of one photo, m; ``found_m`` and ``sd_m`` are ``None`` where it was refused or left out."""

    known: str
    purpose: str
    measure: str
    seed: int
    askew_deg: float
    true_m: float
    found_m: float | None
    sd_m: float | None
    refused: str

    @property
    def share(self) -> float:
        """Error over the truth."""
        assert self.found_m is not None
        return abs(self.found_m - self.true_m) / self.true_m

    @property
    def off_sd(self) -> float:
        """Error over its stated standard deviation."""
        assert self.found_m is not None
        assert self.sd_m is not None
        return abs(self.found_m - self.true_m) / self.sd_m


def measured(photo: Sighting, seed: int) -> list[Row]:
    """What the pages would say of one photo."""
    known = _known(photo.known)
    behind = photo.behind
    tapped = Tapped(
        photo.purpose.partition(",")[0],
        photo.points,
        None if behind is None else Measured(behind, 0.2 + 0.1 * abs(behind), "paced"),
    )
    found, refused = {}, ""
    try:
        found = dict(
            measure_taps(
                Camera.from_exif(photo.width_px, photo.height_px, photo.focal_35mm),
                Upright.of_known(*photo.reference, known),
                known.height,
                tapped,
            )
        )
    except SightingError as error:
        refused = error.code
    rows = []
    for name, true_m in photo.truth.items():
        one = found.get(name)
        why = refused or ("" if one is not None else "left out")
        rows.append(
            Row(
                photo.known, photo.purpose, name, seed, photo.askew_deg, true_m,
                None if one is None else one.value_m, None if one is None else one.sd_m, why,
            )
        )  # fmt: skip
    return rows


def _known(name: str) -> Known:
    return known_thing(name, lambda _: _POLE_M)


def trials(
    first_seed: int, per_group: int, known: Sequence[str], purposes: Sequence[Purpose]
) -> Iterator[Row]:
    """Rows of ``per_group`` photos for every known thing and purpose."""
    for number, name in enumerate(known):
        for place, purpose in enumerate(purposes):
            for at in range(per_group):
                seed = first_seed + (number * len(PURPOSES) + place) * per_group + at
                yield from measured(sighting(seed, purpose, name), seed)


@dataclass(frozen=True)
class Figures:
    """Of one group: ``n`` measured, ``refused`` of all, errors as shares, truths within 1 and 1.96 sd."""

    group: str
    n: int
    refused: int
    median: float
    p95: float
    within: tuple[int, int]

    @property
    def told(self) -> str:
        """One line, with 95 % intervals of the coverage."""
        if not self.n:
            return f"{self.group:48} n=0, refused {self.refused}"
        cover = ", ".join(
            "{:.1f} ({:.0f} to {:.0f})".format(
                100 * hits / self.n, *(100 * each for each in wilson(hits, self.n))
            )
            for hits in self.within
        )
        return (
            f"{self.group:48} n={self.n}, refused {self.refused}; error {100 * self.median:.1f} % in the "
            f"median, {100 * self.p95:.1f} % at the 95th percentile; within 1 and 1.96 sd: {cover} %"
        )

    @property
    def worst(self) -> float:
        """How far the coverage is from what is promised, the larger of both."""
        return max(
            abs(hits / max(self.n, 1) - share)
            for hits, share in zip(self.within, PROMISED.values(), strict=True)
        )


def figures(group: str, rows: Iterable[Row]) -> Figures:
    """Figures of a group of rows."""
    every = list(rows)
    good = [row for row in every if row.found_m is not None]
    shares = np.array([row.share for row in good] or [np.nan])
    off = np.array([row.off_sd for row in good])
    one, two = (int((off < each).sum()) for each in PROMISED)
    return Figures(
        group, len(good), len(every) - len(good), float(np.median(shares)),
        float(np.quantile(shares, 0.95)), (one, two),
    )  # fmt: skip


def report(rows: Sequence[Row]) -> Iterator[str]:
    """Every group, those whose stated errors hold worst first; then all together."""
    groups: dict[str, list[Row]] = {}
    for row in rows:
        groups.setdefault(f"{row.known}: {row.purpose}, {row.measure}", []).append(row)
    told = [figures(name, group) for name, group in groups.items()]
    yield from (each.told for each in sorted(told, key=lambda each: -each.worst))
    for name in dict.fromkeys(row.known for row in rows):
        yield figures(f"all beside {name}", [row for row in rows if row.known == name]).told
    for purpose in dict.fromkeys(row.purpose for row in rows):
        yield figures(f"all of {purpose}", [row for row in rows if row.purpose == purpose]).told
    yield figures("all", rows).told


def photos(folder: Path) -> Iterator[str]:
    """Real photos whose taps are in ``sighting_taps.csv``: two passes of one person, compared.

    ``folder`` holds them, as ``../shared/imagery/photos``. Where courses of the same wall can be counted, the
    height is known as so many times the known thing, and is compared too.
    """
    with Path(__file__).with_name("sighting_taps.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    for name in dict.fromkeys(row["photo"] for row in rows):
        passes = []
        for row in (each for each in rows if each["photo"] == name):
            times = float(row["times_known"] or 0)
            try:
                found = _height_on_photo(folder / f"{name}.jpg", row)
            except SightingError as error:
                yield f"{name} pass {row['pass']}, {row['what']}: refused, {error}"
                continue
            passes.append(found.value_m / (times or 1.0))
            told = f"{name} pass {row['pass']}, {row['what']}: {found.value_m:.3f} ± {found.sd_m:.3f} m"
            true_m = times * _known(row["known"]).height_m
            yield told + (f"; counted {true_m:.3f}, off {found.value_m / true_m - 1:+.1%}" if times else "")
        if len(passes) == 2:
            one, two = passes
            yield f"{name}: the passes differ by {abs(one - two) / one:.1%}"


def _height_on_photo(photo: Path, row: Mapping[str, str]) -> Measured:
    """Height of an eave as the page measures it, or of courses of the wall itself."""
    at = [(float(row[f"{end}_x"]), float(row[f"{end}_y"])) for end in ("ref_top", "ref_foot", "top", "foot")]
    with Image.open(photo) as picture:
        camera = Camera.from_exif(*picture.size, None)
    known = _known(row["known"])
    reference = Upright.of_known(at[0], at[1], known)
    if not row["times_known"]:
        return measure_taps(camera, reference, known.height, Tapped("eave height", (at[2], at[3])))["height"]
    return measure_uprights(camera, reference, known.height, [Upright(at[2], at[3], 0.0, 0.02)]).heights[0]


def main() -> None:
    """Draw, measure, say."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--per-group", type=int, default=800)
    parser.add_argument("--first-seed", type=int, default=HELD_OUT_SEED)
    parser.add_argument("--known", nargs="*", default=list(REFERENCES))
    parser.add_argument("--purpose", nargs="*", default=list(PURPOSES))
    parser.add_argument("--out", type=Path, help="CSV file of every measure.")
    parser.add_argument("--photos", type=Path, help="Folder of the real photos, measured instead.")
    given = parser.parse_args()
    if given.photos is not None:
        print("\n".join(photos(given.photos)))
        return
    rows = list(trials(given.first_seed, given.per_group, given.known, given.purpose))
    if given.out is not None:
        with given.out.open("w", newline="") as file:
            writer = csv.DictWriter(file, [each.name for each in fields(Row)])
            writer.writeheader()
            writer.writerows(asdict(row) for row in rows)
    print("\n".join(report(rows)))


if __name__ == "__main__":
    main()
