"""What each tree sheds: taxa and their parts, read once from the CSV tables beside this file.

``taxa.csv`` lists the trees, ``names.csv`` their other names by region, ``parts.csv`` what falls from them
(rows of ``genus:Pinus`` belong to every taxon of that genus that has no row of its own for the part),
``seasons.csv`` the yearly course of a part (north), ``litter.csv`` the litter of a crown, ``sources.csv`` the
keys that stand in the source columns. A mark says ``found`` (text read), ``from memory`` or ``judgement``;
length, width and thickness have their own, since floras print lengths far more often than widths.

Where sources differ, primary floras win over old handbooks and these over copies, and the row keeps the
whole range of those that were used. Litter shares are judgement, held to the three quarters of foliage in
pine litter (Gresham 1982), 0.86 of leaf in alder (Radwan et al 1984) and 0.7 to 0.9 in beech (Atlantic beech
time sequence, 2001).
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import Final, cast

from eavefall_model.errors import SurveyError
from eavefall_model.species.mass import piece_mass_mg
from eavefall_model.tables import read_rows
from eavefall_model.vocabulary import FORMS, Foliage, Form, Hemisphere, Mark

_WEAKER: Final[tuple[Mark, ...]] = ("found", "from memory", "judgement")
# The parts that are leaves in the wide sense; the rest is fruit, flower and wood.
FOLIAGE_PARTS: Final = frozenset({"needle", "bundle", "spray", "scale", "leaf", "leaflet", "leaf stalk"})
_PACKAGE: Final = "eavefall_model.species"
# Names this alike are one name mistyped: one or two letters of a species' name. Our judgement.
_SLIP: Final = 0.85
_MONTHS: Final = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")


@dataclass(frozen=True, slots=True)
class Part:
    """One thing a tree sheds.

    ``length_mm``, ``width_mm`` and ``mass_mg`` (oven-dry, of one piece, computed from its size) are the range
    that nearly all pieces lie in: the 5th and 95th percentile for
    :func:`eavefall_model.species.draw.sample_part`. ``thickness_mm`` stands for flat needles only (fir,
    hemlock, yew and the like); a needle without it is about as thick as wide. ``mark`` is the weaker of the
    marks of length and width. ``month_share`` is January first, northern hemisphere, and sums to 1.
    ``litter_share`` is this part's share of the taxon's yearly litter mass; over the parts of one taxon it
    sums to 1.
    """

    taxon: str
    part: str
    form: Form
    length_mm: tuple[float, float]
    width_mm: tuple[float, float]
    thickness_mm: tuple[float, float] | None
    mass_mg: tuple[float, float]
    month_share: tuple[float, ...]
    litter_share: float
    source: str
    length_mark: Mark
    width_mark: Mark
    thickness_mark: Mark | None

    @property
    def flatness(self) -> float | None:
        """Thickness over width of a flat needle; ``None`` for what is about as thick as wide."""
        if self.thickness_mm is None:
            return None
        flat = self.thickness_mm[0] * self.thickness_mm[1] / (self.width_mm[0] * self.width_mm[1])
        return min(math.sqrt(flat), 1.0)

    @property
    def mark(self) -> Mark:
        return max(self.length_mark, self.width_mark, key=_WEAKER.index)


@dataclass(frozen=True, slots=True)
class Taxon:
    """A species, a genus, or a tag without species. ``needles_per_bundle`` is 0 for broadleaf trees.

    ``litter_g_m2_year`` is dry litter per m2 of crown area and year of a tree of 16 m: low, typical, high.
    """

    name: str
    common: str
    genus: str
    form: Form
    foliage: Foliage
    evergreen: bool
    needles_per_bundle: int
    litter_g_m2_year: tuple[float, float, float]
    litter_source: str
    litter_mark: Mark
    parts: tuple[Part, ...]


def _range(row: dict[str, str], side: str) -> tuple[float, float] | None:
    low, high = row[f"{side}_lo_mm"], row[f"{side}_hi_mm"]
    return (float(low), float(high)) if low else None


def _shares(percent: Sequence[float]) -> tuple[float, ...]:
    """Percentages, rounded in the table, as shares that sum to 1."""
    total = sum(percent)
    return tuple(each / total for each in percent)


@cache
def load_taxa() -> Mapping[str, Taxon]:
    """All taxa by scientific name (generic ones by ``any long needle`` and the like), read-only."""
    seasons = {
        row["season"]: _shares([float(row[m]) for m in _MONTHS]) for row in read_rows(_PACKAGE, "seasons.csv")
    }
    litter = {row["key"]: row for row in read_rows(_PACKAGE, "litter.csv")}
    part_rows: dict[str, list[dict[str, str]]] = {}
    for row in read_rows(_PACKAGE, "parts.csv"):
        part_rows.setdefault(row["taxon"], []).append(row)

    def part(taxon: str, form: Form, row: dict[str, str]) -> Part:
        length, width = _range(row, "length"), _range(row, "width")
        if length is None or width is None:
            raise ValueError(f"parts.csv: {row['taxon']} {row['part']} has no length or no width")
        thickness = _range(row, "thickness")
        return Part(
            taxon=taxon,
            part=row["part"],
            form=form,
            length_mm=length,
            width_mm=width,
            thickness_mm=thickness,
            mass_mg=piece_mass_mg(row["part"], length, width, thickness),
            month_share=seasons[row["season"]],
            litter_share=float(row["litter_share"]),
            source=row["source"],
            length_mark=cast(Mark, row["length_mark"]),
            width_mark=cast(Mark, row["width_mark"]),
            thickness_mark=cast(Mark, row["thickness_mark"]) if thickness else None,
        )

    taxa: dict[str, Taxon] = {}
    for row in read_rows(_PACKAGE, "taxa.csv"):
        name, genus, form = row["name"], row["genus"], cast(Form, row["form"])
        own = list(part_rows[name])
        named = {each["part"] for each in own}
        own += [each for each in part_rows.get(f"genus:{genus}", ()) if each["part"] not in named]
        # The narrowest key that has a row decides the yearly litter.
        crown = litter[next(key for key in (name, genus, form, row["foliage"]) if key in litter)]
        taxa[name] = Taxon(
            name=name,
            common=row["common"],
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


@dataclass(frozen=True, slots=True)
class _Name:
    """A spelling's trees: taxon to the regions where it is called so (empty for everywhere)."""

    spelling: str
    regions: Mapping[str, str]


@cache
def _names() -> Mapping[str, _Name]:
    """Plain spelling of every name to the trees that bear it; scientific and our own names come first."""
    found: dict[str, _Name] = {}
    for row in read_rows(_PACKAGE, "names.csv"):
        plain = _plain(row["name"])
        known = found[plain].regions if plain in found else {}
        found[plain] = _Name(row["name"], {**known, row["taxon"]: row["region"].replace("|", ", ")})
    for taxon in load_taxa().values():
        for own in (taxon.common, taxon.name):
            found[_plain(own)] = _Name(own, {taxon.name: ""})
    return MappingProxyType(found)


def names_of(taxon: Taxon) -> tuple[str, ...]:
    """All spellings that mean this tree and no other, our own common name first."""
    own = (taxon.common, taxon.name)
    others = [
        name.spelling
        for name in _names().values()
        if set(name.regions) == {taxon.name} and name.spelling not in own
    ]
    return (*dict.fromkeys(own), *others)


def trees_meant(text: str) -> tuple[Taxon, ...]:
    """The different trees that one name can mean, such as sycamore; none where it means one tree or genus."""
    name, taxa = _names().get(_plain(text)), load_taxa()
    trees = () if name is None else tuple(taxa[each] for each in name.regions)
    return trees if len({tree.genus for tree in trees}) > 1 else ()


def find_taxon(text: str) -> Taxon:
    """The taxon of a scientific name, common name or regional name, whatever its case or hyphens.

    A name that several trees of one genus bear is taken as that genus, whose ranges cover them all; so is the
    scientific name of a species that we lack (Quercus shumardii), unless it looks like a slip for one that we
    have. A name for trees of different kinds, such as sycamore, is not guessed.

    Raises
    ------
    SurveyError
        ``survey-wrong-value`` when there is none, naming the nearest spellings, or when the name means
        different trees, naming each.
    """
    names, taxa = _names(), load_taxa()
    name = names.get(_plain(text))
    if name is None:
        genus, *epithet = text.split() or [""]
        like = difflib.get_close_matches(_plain(text), names, n=1, cutoff=_SLIP)
        if len(epithet) in (1, 2) and not like and genus.capitalize() in taxa:
            return taxa[genus.capitalize()]
        near = difflib.get_close_matches(_plain(text), names, n=3, cutoff=0.6)
        hint = (
            f"Did you mean {' or '.join(names[each].spelling for each in near)}? "
            "If not, leave species out and give form."
            if near
            else f"Leave species out and give form: {', '.join(FORMS)}."
        )
        raise SurveyError("survey-wrong-value", f"We have no tree called {text!r}.", hint)
    trees = [taxa[each] for each in name.regions]
    if len(trees) == 1:
        return trees[0]
    genera = {tree.genus for tree in trees}
    if len(genera) == 1 and (genus := genera.pop()) in taxa:
        return taxa[genus]
    meant = " or ".join(
        f"{tree.common} ({', '.join(filter(None, (tree.name, name.regions[tree.name])))})" for tree in trees
    )
    raise SurveyError(
        "survey-wrong-value",
        f"{text!r} can mean different trees: {meant}.",
        f"Write {' or '.join(tree.common for tree in trees)}.",
    )


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
