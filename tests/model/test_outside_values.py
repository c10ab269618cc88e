"""Values from outside this project: standards, handbooks, floras, litter studies, worked examples.

``outside_values.csv`` has one row per value. ``ours`` is how we compute it, in our own functions and table
look-ups; ``expected`` comes from the source and never from our output. ``compare`` says how:

``abs`` and ``rel``  within the tolerance, absolute or as a share;
``overlap``          two ranges ``low..high`` meet (sources differ by 30 % on one species, so never equality);
``within``           our number lies inside the source's range, or our range holds the source's number.
"""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest

from eavefall_model import intervals
from eavefall_model.screens import drop_test, open_area, passage, standards
from eavefall_model.screens.standards import load_sieves
from eavefall_model.shed.kernel import height_factor
from eavefall_model.shed.years import year_sigma
from eavefall_model.species.habit import crown_line
from eavefall_model.species.table import FOLIAGE_PARTS, Part, find_taxon
from eavefall_model.units import MM_PER_INCH
from eavefall_model.water import gutter, inlet, outlet, roof
from eavefall_model.water.gutter import beij_half_round_l_s, gutter_capacity_l_s
from eavefall_model.water.outlet import L_S_PER_GPM, wyly_eaton_l_s
from eavefall_model.water.roof import rational_l_s

ROWS = list(
    csv.DictReader(Path(__file__).with_name("outside_values.csv").read_text(encoding="utf-8").splitlines())
)
SQ_FT_M2 = 0.3048**2
CFS_L_S = 0.3048**3 * 1000
TOPICS = {
    "openings", "open area", "hydraulics", "needles", "broadleaf", "parts", "crowns", "litterfall",
    "binomial", "buffon",
}  # fmt: skip


def _part(name: str, part: str) -> Part:
    return next(each for each in find_taxon(name).parts if each.part == part)


def needle_mm(name: str) -> tuple[float, float]:
    """Length range of a species' needle (or scale) in our table."""
    return _part(name, "needle").length_mm


def needle_width_mm(name: str) -> tuple[float, float]:
    """Width range of a species' needle in our table."""
    return _part(name, "needle").width_mm


def part_mm(name: str, part: str) -> tuple[float, float]:
    """Length range of any part in our table."""
    return _part(name, part).length_mm


def part_width_mm(name: str, part: str) -> tuple[float, float]:
    """Width range of any part in our table."""
    return _part(name, part).width_mm


def crown_m(name: str, height_m: float) -> float:
    """Middle crown radius of a tree in the open of that height."""
    return float(crown_line(find_taxon(name)).radius_m(np.array(height_m)))


def litter(name: str, height_m: float = 20.0) -> tuple[float, float]:
    """Low to high litter of a crown, g/m2 and year, in a grown stand of about 20 m."""
    low, _, high = find_taxon(name).litter_g_m2_year
    factor = float(height_factor(np.array(height_m)))
    return low * factor, high * factor


def foliage_share(name: str) -> float:
    """Share of a taxon's litter that is foliage."""
    return sum(part.litter_share for part in find_taxon(name).parts if part.part in FOLIAGE_PARTS)


def months_share(name: str, part: str, *months: int) -> float:
    """Share of a part's fall that comes in some calendar months."""
    return sum(_part(name, part).month_share[month - 1] for month in months)


def wire_mm(opening_mm: float) -> float:
    """Nominal wire of an ISO 3310-1 size in our table."""
    return next(sieve.wire_mm for sieve in load_sieves() if sieve.opening_mm == opening_mm)


def half_round_sq_ft(width_in: float) -> float:
    """Roof drained at 1 in/h by a level half-round gutter."""
    return float(beij_half_round_l_s(width_in * 0.0254)) / float(rational_l_s(SQ_FT_M2, MM_PER_INCH))


def k_style_sq_ft(width_in: float) -> float:
    """Roof drained at 1 in/h by a level K-style gutter 0.7 as deep as wide, 40 ft to the outlet."""
    width_m = width_in * 0.0254
    flow = float(gutter_capacity_l_s("k_style", width_m, 0.7 * width_m, 12.192))
    return flow / float(rational_l_s(SQ_FT_M2, MM_PER_INCH))


def leader_gpm(diameter_in: float) -> float:
    """Vertical leader 7/24 full, US gal/min."""
    return float(wyly_eaton_l_s(diameter_in * 0.0254)) / L_S_PER_GPM


def pitch_deg(rise_in_12: float) -> float:
    """Roof pitch from its rise in 12."""
    return math.degrees(math.atan(rise_in_12 / 12))


# What the expressions in the file may use: our public functions, the look-ups above, and a few constants.
MODULES = (intervals, drop_test, open_area, passage, standards, gutter, inlet, outlet, roof)
NAMES = {
    **{name: each for module in MODULES for name, each in vars(module).items() if not name.startswith("_")},
    "math": math,
    "pi": math.pi,
    "SQ_FT_M2": SQ_FT_M2,
    "CFS_L_S": CFS_L_S,
    "needle_mm": needle_mm,
    "needle_width_mm": needle_width_mm,
    "part_mm": part_mm,
    "part_width_mm": part_width_mm,
    "crown_m": crown_m,
    "year_sigma": year_sigma,
    "litter": litter,
    "foliage_share": foliage_share,
    "months_share": months_share,
    "wire_mm": wire_mm,
    "half_round_sq_ft": half_round_sq_ft,
    "k_style_sq_ft": k_style_sq_ft,
    "leader_gpm": leader_gpm,
    "pitch_deg": pitch_deg,
}


def _range(text: str) -> tuple[float, float]:
    low, high = text.split("..")
    return float(low), float(high)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["id"])
def test_ours_agrees_with_the_outside_value(row: dict[str, str]) -> None:
    ours = eval(row["ours"], {"__builtins__": {}}, NAMES)
    if row["compare"] == "overlap":
        low, high = _range(row["expected"])
        assert ours[0] <= high, row
        assert low <= ours[1], row
    elif row["compare"] == "within" and ".." in row["expected"]:
        low, high = _range(row["expected"])
        assert low <= float(ours) <= high, row
    elif row["compare"] == "within":
        assert ours[0] <= float(row["expected"]) <= ours[1], row
    elif row["compare"] == "text":
        assert ours == row["expected"], row
    else:
        expected, slack = float(row["expected"]), float(row["tolerance"])
        if row["compare"] == "rel":
            slack *= abs(expected)
        assert abs(float(ours) - expected) <= slack, row


def test_the_check_file_is_complete_and_plain() -> None:
    assert len(ROWS) >= 60
    assert len({row["id"] for row in ROWS}) == len(ROWS)
    for row in ROWS:
        assert row["topic"] in TOPICS
        assert row["source"].strip()
        assert row["edition"].strip()
        assert row["mark"] in ("found", "from memory")
        assert row["how"].strip()
        assert row["compare"] in ("abs", "rel", "overlap", "within", "text")
    assert {row["topic"] for row in ROWS} == TOPICS


def test_every_comparison_can_fail() -> None:
    # A number twice as large must be noticed, or the tolerance is too wide to check anything.
    for row in ROWS:
        if row["compare"] == "abs":
            assert float(row["tolerance"]) < max(abs(float(row["expected"])), 1e-3), row
        elif row["compare"] == "rel":
            assert float(row["tolerance"]) <= 0.3, row
