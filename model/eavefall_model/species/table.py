"""What each tree sheds: taxa and their parts, read once from the CSV tables beside this file.

``taxa.csv`` names the trees, ``parts.csv`` what falls from them (rows of ``genus:Pinus`` belong to every
taxon of that genus), ``seasons.csv`` the yearly course of a part (north), ``litter.csv`` the litter of a
crown. Every row carries its source and a mark: ``found`` (text read), ``from memory``, ``judgement``.

A part's mark is about its size. Litter shares are judgement, held to the three quarters of foliage in pine
litter (Gresham 1982), 0.86 of leaf in alder (Radwan et al 1984) and 0.7 to 0.9 in beech (Atlantic beech time
sequence, 2001). Masses are judgement too: dry tissue of 0.45 mg/mm3 on 0.4 width squared (pine) or 0.5 mm of
thickness (other needles), and leaves of 0.08 mg/mm2 on 0.65 of their box.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import Final, cast

from eavefall_model.errors import SurveyError
from eavefall_model.tables import read_rows
from eavefall_model.vocabulary import FORMS, Foliage, Form, Hemisphere, Mark

__all__ = [
    "FOLIAGE_PARTS", "Part", "Taxon", "find_taxon", "generic_taxon", "load_taxa", "month_share_for",
]  # fmt: skip

# The parts that are leaves in the wide sense; the rest is fruit, flower and wood.
FOLIAGE_PARTS: Final = frozenset({"needle", "bundle", "spray", "scale", "leaf", "leaflet", "leaf stalk"})
_PACKAGE: Final = "eavefall_model.species"
_MONTHS: Final = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")


@dataclass(frozen=True, slots=True)
class Part:
    """One thing a tree sheds.

    ``length_mm``, ``width_mm`` and ``mass_mg`` (oven-dry, of one piece) are the range that nearly all
    pieces lie in: the 5th and 95th percentile for :func:`eavefall_model.species.draw.sample_part`.
    ``month_share`` is January first, northern hemisphere, and sums to 1. ``litter_share`` is this part's
    share of the taxon's yearly litter mass; over the parts of one taxon it sums to 1.
    """

    taxon: str
    part: str
    form: Form
    length_mm: tuple[float, float]
    width_mm: tuple[float, float]
    mass_mg: tuple[float, float] | None
    month_share: tuple[float, ...]
    litter_share: float
    source: str
    mark: Mark


@dataclass(frozen=True, slots=True)
class Taxon:
    """A species, a genus, or a tag without species. ``needles_per_bundle`` is 0 for broadleaf trees.

    ``litter_g_m2_year`` is dry litter per m2 of crown area and year: low, typical, high.
    """

    name: str
    common: str
    aliases: tuple[str, ...]
    genus: str
    form: Form
    foliage: Foliage
    evergreen: bool
    needles_per_bundle: int
    litter_g_m2_year: tuple[float, float, float]
    litter_source: str
    litter_mark: Mark
    parts: tuple[Part, ...]


def _range(row: dict[str, str], low: str, high: str) -> tuple[float, float] | None:
    return (float(row[low]), float(row[high])) if row[low] else None


@cache
def load_taxa() -> Mapping[str, Taxon]:
    """All taxa by scientific name (generic ones by ``any long needle`` and the like), read-only."""
    seasons = {
        row["season"]: tuple(int(row[m]) / 100 for m in _MONTHS) for row in read_rows(_PACKAGE, "seasons.csv")
    }
    litter = {row["key"]: row for row in read_rows(_PACKAGE, "litter.csv")}
    part_rows: dict[str, list[dict[str, str]]] = {}
    for row in read_rows(_PACKAGE, "parts.csv"):
        part_rows.setdefault(row["taxon"], []).append(row)

    def part(taxon: str, form: Form, row: dict[str, str]) -> Part:
        return Part(
            taxon=taxon,
            part=row["part"],
            form=form,
            length_mm=(float(row["length_lo_mm"]), float(row["length_hi_mm"])),
            width_mm=(float(row["width_lo_mm"]), float(row["width_hi_mm"])),
            mass_mg=_range(row, "mass_lo_mg", "mass_hi_mg"),
            month_share=seasons[row["season"]],
            litter_share=float(row["litter_share"]),
            source=row["source"],
            mark=cast(Mark, row["mark"]),
        )

    taxa: dict[str, Taxon] = {}
    for row in read_rows(_PACKAGE, "taxa.csv"):
        name, genus, form = row["name"], row["genus"], cast(Form, row["form"])
        own = [*part_rows[name], *part_rows.get(f"genus:{genus}", ())]
        # The narrowest key that has a row decides the yearly litter.
        crown = litter[next(key for key in (name, genus, form, row["foliage"]) if key in litter)]
        taxa[name] = Taxon(
            name=name,
            common=row["common"],
            aliases=tuple(filter(None, row["aliases"].split("|"))),
            genus=genus,
            form=form,
            foliage=cast(Foliage, row["foliage"]),
            evergreen=row["evergreen"] == "yes",
            needles_per_bundle=int(row["needles_per_bundle"]),
            litter_g_m2_year=(
                float(crown["low_g_m2"]), float(crown["typical_g_m2"]), float(crown["high_g_m2"]),
            ),
            litter_source=crown["source"],
            litter_mark=cast(Mark, crown["mark"]),
            parts=tuple(part(name, form, each) for each in own),
        )  # fmt: skip
    return MappingProxyType(taxa)


def _plain(text: str) -> str:
    return " ".join(text.casefold().replace("-", " ").replace("×", "x").replace(".", " ").split())


@cache
def _names() -> Mapping[str, str]:
    """Plain spelling of every scientific name, common name and alias, to the taxon's name."""
    names: dict[str, str] = {}
    for taxon in load_taxa().values():
        for spelling in (taxon.name, taxon.common, *taxon.aliases):
            names.setdefault(_plain(spelling), taxon.name)
    return names


def find_taxon(text: str) -> Taxon:
    """The taxon of a scientific name, common name or alias, whatever its case or hyphens.

    Raises
    ------
    SurveyError
        ``survey-wrong-value`` when there is none, naming the nearest spellings.
    """
    names = _names()
    name = names.get(_plain(text))
    if name is None:
        near = difflib.get_close_matches(_plain(text), names, n=3, cutoff=0.6)
        hint = (
            f"Did you mean {' or '.join(near)}?"
            if near
            else f"Leave species out and give form: {', '.join(FORMS)}."
        )
        raise SurveyError("survey-wrong-value", f"We have no tree called {text!r}.", hint)
    return load_taxa()[name]


def generic_taxon(form: Form) -> Taxon:
    """The taxon that stands for a tag without species; its ranges cover the spread of that form.

    For a long needle that runs from the thinnest white pines (0.5 mm) to longleaf (1.5 mm and more), so that
    an unknown pine is answered on the safe side.
    """
    return load_taxa()[f"any {form.replace('_', ' ')}"]


def month_share_for(part: Part, hemisphere: Hemisphere) -> tuple[float, ...]:
    """Twelve shares, January first; in the south the course is six months later."""
    share = part.month_share
    return share if hemisphere == "north" else share[6:] + share[:6]
