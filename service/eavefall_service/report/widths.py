"""Widths of what falls at one house: species tables, and gauge photos where there are any."""

from __future__ import annotations

from collections.abc import Mapping
from typing import cast

from eavefall_model.errors import SurveyError
from eavefall_model.gauge.schema import GaugeResult
from eavefall_model.species.table import Taxon, find_taxon, generic_taxon
from eavefall_model.survey import Survey, Tree
from eavefall_model.vocabulary import Form
from eavefall_service.plots.opening import WidthBar

__all__ = ["taxon_of", "width_bars"]

# Wide pieces never decide an opening; the narrow ones of each tree do.
_PER_TREE = 2
_MOST = 10


def taxon_of(tree: Tree, forms: Mapping[str, str]) -> Taxon | None:
    """What a tree is taken for: its species, else its form, else the form in ``forms``; else nothing."""
    if tree.species:
        try:
            return find_taxon(tree.species)
        except SurveyError:
            pass
    form = tree.form or cast("Form | None", forms.get(tree.name))
    return generic_taxon(form) if form else None


def width_bars(
    survey: Survey, gauges: Mapping[str, GaugeResult], forms: Mapping[str, str]
) -> tuple[WidthBar, ...]:
    """Measured widths, then the narrowest pieces of each kind of tree, narrowest first; at most ten."""
    measured: list[WidthBar] = []
    for ref in survey.photos:
        gauge = gauges.get(ref.file)
        if gauge is not None and gauge.summary is not None:
            summary = gauge.summary
            name = ref.of or "needles"
            measured.append(WidthBar(name, summary.width_p5_mm, summary.width_p95_mm, measured=True))
    known = [taxon for tree in survey.trees if (taxon := taxon_of(tree, forms)) is not None]
    bars = [
        WidthBar(f"{taxon.common} {part.part}", *part.width_mm)
        for taxon in {taxon.name: taxon for taxon in known}.values()
        for part in sorted(taxon.parts, key=lambda part: (part.width_mm[0], part.part))[:_PER_TREE]
    ]
    bars.sort(key=lambda bar: (bar.low_mm, bar.high_mm, bar.label))
    return tuple((measured + bars)[:_MOST])
