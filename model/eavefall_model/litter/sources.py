"""Which kind each tree is in each draw, how much each kind sheds on each eave, and how thin its needles are.

A *source* is one taxon, or one taxon at one tree where that tree's needles were measured or drop-tested.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.debris.evidence import FoundPart, found_parts, needle_log_width, with_found_shares
from eavefall_model.debris.schema import Piece
from eavefall_model.gauge.schema import GaugeResult
from eavefall_model.house.contradictions import Contradiction, agree
from eavefall_model.house.house import House
from eavefall_model.house.reader import Uncertain
from eavefall_model.house.streams import Streams
from eavefall_model.house.tree_arrays import drawn_kinds
from eavefall_model.house.tree_kinds import Evidence
from eavefall_model.language import translate
from eavefall_model.screens.passage import bore_mm
from eavefall_model.shed.load import production_kg_year, share_per_meter
from eavefall_model.shed.visits import YEARS
from eavefall_model.shed.years import year_factor, year_sigma
from eavefall_model.species.blown_in import BLOWN_IN, COVERING_FACTOR, MOSSY_FACTOR
from eavefall_model.species.draw import lognormal_through
from eavefall_model.species.table import Part, Taxon
from eavefall_model.survey import DropTest, Tree
from eavefall_model.vocabulary import Foliage, Language

Array = NDArray[np.float64]
# Parts stiff and slender enough to go through end-on; their width decides the opening.
NEEDLE_PARTS: Final = frozenset({"needle", "scale", "spray"})
# Order of the year factors: needle trees differ far more from year to year.
FOLIAGE_OF_YEARS: Final[tuple[Foliage, ...]] = ("needle", "broad")
_TABLE_ERROR: Final = 0.06  # relative error of a table's width for one place's trees. Our judgement.
_SCALE_ERROR: Final = (
    0.02  # relative error left in a gauge photo's scale beside what it states. Our judgement.
)


GENERIC_WORDS: Final[Mapping[str, str]] = {
    "any long needle": "long-needled",
    "any short needle": "short-needled",
    "any scale leaf": "scale-leaved",
    "any broad leaf": "broadleaf",
    "any small leaflet": "small-leaved",
}


@dataclass(frozen=True)
class Source:
    """One kind of litter.

    ``load_kg_m`` (draws, eaves) is its litter at the eaves in a mean year; ``width_factor`` (draws,)
    multiplies the table's needle widths; ``thin_mm`` (draws,) is its thinnest needles' width, infinite if it
    has none. ``bore_share`` times that is the least square opening which they go through end-on: 1, less for
    flat needles, which turn to the diagonal. ``found`` are its parts that lay in a handful; its taxon then
    has the shares of parts that the handful speaks for.
    """

    name: str
    taxon: Taxon
    trees: tuple[str, ...]
    load_kg_m: Array
    width_factor: Array
    thin_mm: Array
    bore_share: float
    measured: bool
    drop_tests: tuple[DropTest, ...]
    found: tuple[FoundPart, ...] = ()


@dataclass(frozen=True)
class Sources:
    """All sources.

    ``tree_kg_m`` (draws, trees, eaves) is every tree's own litter at every eave in a year, ``production_kg``
    (draws, trees) what it sheds in all, ``kind_of_tree`` (draws, trees) indexes ``each``. ``years`` and
    ``past`` (2, draws, YEARS) are what the next years, and the last ones, latest first, bring of a mean
    year's needles and of its broadleaf litter: good years are good for all trees of a kind round a house.
    """

    each: tuple[Source, ...]
    tree_kg_m: Array
    production_kg: Array
    kind_of_tree: NDArray[np.intp]
    years: Array
    past: Array
    contradictions: tuple[Contradiction, ...]
    inputs: tuple[Uncertain, ...]

    def scaled(self, factor: float) -> Sources:
        """The same kinds with so many times the litter."""
        return replace(
            self,
            each=tuple(replace(one, load_kg_m=one.load_kg_m * factor) for one in self.each),
            tree_kg_m=self.tree_kg_m * factor,
            production_kg=self.production_kg * factor,
        )


def kind_words(taxon: Taxon) -> str:
    """How a taxon is called in a sentence: its common name, or the form of one that is not known."""
    return GENERIC_WORDS.get(taxon.name, taxon.common)


def kind_name(taxon: Taxon, language: Language = "en") -> str:
    """A taxon by its common name in the reader's language; by its scientific name where that has none."""
    name = translate(language, taxon.common)
    return taxon.name if language != "en" and name == taxon.common else name


def is_generic(taxon: Taxon) -> bool:
    """A tag or a genus rather than a species: its width range spans species, not needles of one tree."""
    return taxon.name.startswith("any ") or taxon.name == taxon.genus


def needle_part(taxon: Taxon) -> Part | None:
    """The thinnest needle-like part, or ``None`` for trees that shed none."""
    parts = [part for part in taxon.parts if part.part in NEEDLE_PARTS]
    return min(parts, key=lambda part: part.width_mm[0]) if parts else None


def _measured_log_width(gauges: Sequence[GaugeResult], pieces: Sequence[Piece]) -> tuple[float, float] | None:
    """Mean and standard deviation of log width of the thin needles (5th percentile), over gauge photos and
    handfuls."""
    weight = total = 0.0
    handful = needle_log_width(pieces)
    if handful is not None:
        weight, total = 1 / handful[1] ** 2, handful[0] / handful[1] ** 2
    for gauge in gauges:
        summary = gauge.summary
        if summary is None or summary.width_p5_mm <= 0:
            continue
        scale = (gauge.px_per_mm_sd or 0.0) / gauge.px_per_mm if gauge.px_per_mm else 0.0
        # Standard error of a 5th percentile of n normal values: about 2.1 sd / sqrt(n).
        spread = 2.1 * summary.width_sd_mm / summary.width_p5_mm / math.sqrt(max(summary.n, 1))
        variance = _SCALE_ERROR**2 + scale**2 + spread**2
        weight += 1 / variance
        total += math.log(summary.width_p5_mm) / variance
    return (total / weight, math.sqrt(1 / weight)) if weight else None


def _thin_width(
    key: str,
    taxon: Taxon,
    gauges: Sequence[GaugeResult],
    pieces: Sequence[Piece],
    streams: Streams,
    thin_kind_share: float,
) -> tuple[Array, Array, bool]:
    part = needle_part(taxon)
    if part is None:
        return np.ones(streams.draws), np.full(streams.draws, np.inf), False
    low, high = part.width_mm
    generic = is_generic(taxon)
    # Of a generic kind any species may stand there: the thin end of its needles lies anywhere in the range.
    top = high / 1.15 if generic else low
    mean, sd = (math.log(low) + math.log(max(top, low))) / 2, _TABLE_ERROR
    if generic:
        sd = max(math.log(max(top, low) / low) / math.sqrt(12), _TABLE_ERROR)
    measured = _measured_log_width(gauges, pieces)
    if (
        measured is not None
        and not generic
        and not agree(math.exp(mean), sd, math.exp(measured[0]), measured[1])
    ):
        # They cannot both be right: what was measured lies there, and a question is asked.
        log_thin = measured[0] + measured[1] * streams.normal(f"{key}.width")
    elif measured is not None:
        # Two normal beliefs of one log width: weights by precision.
        precision = 1 / sd**2 + 1 / measured[1] ** 2
        mean = (mean / sd**2 + measured[0] / measured[1] ** 2) / precision
        log_thin = mean + streams.normal(f"{key}.width") / math.sqrt(precision)
    elif generic:
        # Safe side: a stated chance that it is the thinnest kind there is, else anything in the range.
        place = streams.uniform(f"{key}.width")
        thinnest = streams.uniform(f"{key}.thinnest") < thin_kind_share
        log_thin = math.log(low) + np.where(thinnest, math.log(1.1), math.log(max(top, low) / low)) * place
    else:
        log_thin = mean + sd * streams.normal(f"{key}.width")
    thin = np.exp(log_thin)
    middle = math.sqrt(low * high)
    return (thin * 1.1 / middle if generic else thin / low), thin, bool(gauges) and measured is not None


def _against_the_table(known: Evidence, taxon: Taxon, tree: Tree, at: int) -> Contradiction | None:
    """Needles measured at a tree that are not those of the species it is said to be."""
    part, measured = needle_part(taxon), _measured_log_width(known.gauges, known.pieces)
    if part is None or measured is None or is_generic(taxon):
        return None
    table, found = part.width_mm[0], math.exp(measured[0])
    if agree(table, _TABLE_ERROR, found, measured[1]):
        return None
    return Contradiction(
        "gauge-and-species", tree.name, (f"trees[{at}].species",), (found, taxon.common, table)
    )


def _bore_share(taxon: Taxon) -> float:
    part = needle_part(taxon)
    return 1.0 if part is None or part.flatness is None else float(bore_mm(1.0, part.flatness))


def _blown_in(site: House, streams: Streams) -> tuple[Source, Uncertain]:
    """What comes without a tree: by roof area above the gutter and its covering, more where it is mossy."""
    low, typical, high = BLOWN_IN.litter_g_m2_year
    _, spread = lognormal_through(low, high)
    litter = typical * np.exp(spread * streams.normal("source.blown in.litter"))
    by_roof = np.array(
        [
            COVERING_FACTOR[eave.roof or "shingle"] * (MOSSY_FACTOR if eave.shaded_or_mossy else 1.0)
            for eave in site.survey.eaves
        ]
    )
    area_m2 = site.eaves.run_m + site.eaves.depth_m
    source = Source(
        name=BLOWN_IN.common,
        taxon=BLOWN_IN,
        trees=(),
        load_kg_m=litter[:, None] / 1000 * area_m2 * by_roof,
        width_factor=np.ones(streams.draws),
        thin_mm=np.full(streams.draws, np.inf),
        bore_share=1.0,
        measured=False,
        drop_tests=(),
    )
    return source, Uncertain("source.blown in.litter", litter, False)


def _years(streams: Streams, key: str) -> Array:
    """Factors of ``YEARS`` years on the mean year, by ``FOLIAGE_OF_YEARS``, (2, draws, YEARS)."""
    return np.stack(
        [
            np.stack(
                [
                    year_factor(streams.normal(f"{key}.{foliage}[{at}]"), year_sigma(foliage))
                    for at in range(YEARS)
                ],
                axis=1,
            )
            for foliage in FOLIAGE_OF_YEARS
        ]
    )


def build_sources(
    site: House, evidence: Sequence[Evidence], streams: Streams, thin_kind_share: float
) -> Sources:
    """Kinds, loads and needle widths for every draw; ``thin_kind_share`` as in the rules file's settings."""
    survey = site.survey
    draws, trees = streams.draws, len(survey.trees)
    keys: list[tuple[str, str]] = []
    facts: dict[tuple[str, str], tuple[Taxon, Evidence, tuple[DropTest, ...]]] = {}
    kind = np.zeros((draws, trees), dtype=np.intp)
    inputs: list[Uncertain] = []
    asked: list[Contradiction] = []
    for at, (tree, known) in enumerate(zip(survey.trees, evidence, strict=True)):
        tests = tuple(test for test in survey.drop_tests if test.tree in (tree.name, None))
        own = tree.name if known.gauges or known.pieces or tests else ""
        if len(known.candidates) == 1 and (known.gauges or known.pieces):
            odd = _against_the_table(known, known.candidates[0].taxon, tree, at)
            asked += [odd] if odd else []
        pick = drawn_kinds(at, known, streams)
        for number, candidate in enumerate(known.candidates):
            key = (candidate.taxon.name, own if known.pieces or candidate.taxon.foliage == "needle" else "")
            if key not in facts:
                keys.append(key)
                taxon = with_found_shares(candidate.taxon, known.pieces)
                facts[key] = (taxon, known, tests if key[1] and taxon.foliage == "needle" else ())
            kind[pick == number, at] = keys.index(key)
        if len(known.candidates) > 1:
            inputs.append(Uncertain(f"trees[{at}].species", pick.astype(np.float64), True))
    share = share_per_meter(site.crowns, site.eaves, site.roofs, site.wind)
    tree_kg_m = np.zeros_like(share)
    shed_kg = np.zeros((draws, trees))
    each: list[Source] = []
    for number, (name, own) in enumerate(keys):
        taxon, known, tests = facts[(name, own)]
        label = f"source.{name}.{own}"
        low, typical, high = taxon.litter_g_m2_year
        normal = streams.normal(f"{label}.litter")
        # Below and above the typical value the table's own bounds: a two-piece lognormal.
        sigma = (
            np.where(normal < 0, lognormal_through(low, typical)[1], lognormal_through(typical, high)[1]) * 2
        )
        litter = typical * np.exp(sigma * normal)
        here = kind == number
        factor, thin, measured = _thin_width(
            label, taxon, known.gauges if own else (), known.pieces if own else (), streams, thin_kind_share
        )
        crowns = site.crowns
        production = production_kg_year(crowns.radius_m, crowns.height_m, litter[:, None]) * site.counts
        own_kg = np.where(here, production, 0.0)
        shed_kg += own_kg
        part = own_kg[:, :, None] * share
        tree_kg_m += part
        each.append(
            Source(
                name=own or taxon.common,
                taxon=taxon,
                trees=tuple(tree.name for at, tree in enumerate(survey.trees) if here[:, at].any()),
                load_kg_m=part.sum(axis=1),
                width_factor=factor,
                thin_mm=thin,
                bore_share=_bore_share(taxon),
                measured=measured,
                drop_tests=tests,
                found=found_parts(
                    taxon, known.pieces, streams.generator(f"{label}.handful"), streams.draws, streams.rows
                ),
            )
        )
        inputs.append(Uncertain(f"{label}.litter", litter, False))
        if np.isfinite(thin).all():
            should_be = kind_words(taxon) if len(known.candidates) > 1 else None
            inputs.append(
                Uncertain(f"{label}.width", thin, not measured, trees=each[-1].trees, should_be=should_be)
            )
    blown, uncertain = _blown_in(site, streams)
    each.append(blown)
    inputs.append(uncertain)
    return Sources(
        tuple(each),
        tree_kg_m,
        shed_kg,
        kind,
        _years(streams, "year"),
        _years(streams, "past"),
        tuple(asked),
        tuple(inputs),
    )
