"""Widths of what falls at one house: species tables, and gauge photos where there are any."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from eavefall_model.advice import Advice
from eavefall_model.gauge.schema import GaugeResult
from eavefall_model.language import translate
from eavefall_model.litter.sources import kind_name
from eavefall_model.species.table import Taxon, find_taxon, generic_taxon
from eavefall_model.survey import Survey, Tree
from eavefall_model.vocabulary import Form, Language
from eavefall_service.plots.opening import WidthBar

# Wide pieces never decide an opening; the narrow ones of each tree do.
_PER_TREE = 2
_MOST = 5


def _taxon_of(tree: Tree, form: Form | Literal["unsure"]) -> Taxon | None:
    if tree.species:
        return find_taxon(tree.species)
    return None if form == "unsure" else generic_taxon(form)


def width_bars(
    survey: Survey, advice: Advice, gauges: Mapping[str, GaugeResult], language: Language = "en"
) -> tuple[WidthBar, ...]:
    """Measured widths, then the narrowest pieces of each kind of tree, narrowest first; at most five."""
    measured: list[WidthBar] = []
    for ref in survey.photos:
        gauge = gauges.get(ref.file)
        if gauge is not None and gauge.summary is not None:
            summary = gauge.summary
            name = ref.of or translate(language, "needles")
            measured.append(WidthBar(name, summary.width_p5_mm, summary.width_p95_mm, measured=True))
    forms = {kind.tree: kind.form for kind in advice.trees}
    known = [
        taxon
        for tree in survey.trees
        if (taxon := _taxon_of(tree, forms.get(tree.name, "unsure"))) is not None
    ]
    bars = [
        WidthBar(
            translate(
                language,
                "{tree} {part}",
                tree=kind_name(taxon, language),
                part=translate(language, part.part),
            ),
            *part.width_mm,
        )
        for taxon in {taxon.name: taxon for taxon in known}.values()
        for part in sorted(taxon.parts, key=lambda part: (part.width_mm[0], part.part))[:_PER_TREE]
    ]
    bars.sort(key=lambda bar: (bar.low_mm, bar.high_mm, bar.label))
    return tuple((measured + bars)[:_MOST])
