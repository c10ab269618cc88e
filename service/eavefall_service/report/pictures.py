"""Which photos the report shows, with what was read from each, and the label of rendered pictures."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from eavefall_model.advice.say import joined, sentence_case
from eavefall_model.gauge.schema import GaugeResult
from eavefall_model.survey import PhotoRef, Survey
from eavefall_model.tags.schema import PhotoTags
from eavefall_model.units import MM_PER_INCH, opening_text, per_cent
from eavefall_model.vocabulary import Foliage
from eavefall_service.report.document import Picture
from eavefall_service.report.photos import PhotoPicture

RENDERED_LABEL: Final = "Rendered"
MOST_PICTURES: Final = 4
_SHOWS = {
    "tree": "tree",
    "closeup": "foliage close up",
    "litter": "litter",
    "house": "house",
    "gutter": "gutter",
    "gauge": "needle gauge",
    "handful": "handful of litter",
}
_FOLIAGE: dict[Foliage, str] = {"needle": "needle", "broad": "broadleaf", "bare": "bare crown"}


def _tag_words(tags: PhotoTags) -> str:
    verdict = tags.verdict
    states = verdict.foliage.model_dump()
    seen = [f"{_FOLIAGE[key]} {per_cent(tags.foliage[key])}" for key in _FOLIAGE if states[key] == "yes"]
    open_ = [_FOLIAGE[key] for key in _FOLIAGE if states[key] == "unsure"]
    parts = []
    if seen:
        parts.append(joined(seen))
    if open_:
        parts.append(f"unsure about {joined(open_)}")
    if not seen and not open_:
        parts.append("no tree seen")
    elif verdict.form == "unsure":
        parts.append("form unsure")
    else:
        parts.append(f"{verdict.form.replace('_', ' ')} {per_cent(tags.form[verdict.form])}")
    return "; ".join(parts)


def _gauge_words(gauge: GaugeResult) -> str:
    summary = gauge.summary
    if summary is None:
        return f"no measurement: {gauge.refused.message if gauge.refused else 'refused'}"
    needles = "needle" if summary.n == 1 else "needles"
    words = f"{summary.n} {needles}, {opening_text(summary.width_median_mm)} wide"
    if summary.length_median_mm is not None:
        words += f", {summary.length_median_mm:.0f} mm ({summary.length_median_mm / MM_PER_INCH:.1f} in) long"
    return words


def _picture(
    ref: PhotoRef, photo: PhotoPicture, tags: PhotoTags | None, gauge: GaugeResult | None
) -> Picture:
    subject = f"{ref.of}, {_SHOWS[ref.shows]}" if ref.of else _SHOWS[ref.shows]
    found = _gauge_words(gauge) if gauge else _tag_words(tags) if tags else ""
    kind = "Rendered picture" if photo.rendered else "Photo"
    return Picture(
        name=ref.file,
        caption=sentence_case(f"{subject}{f': {found}' if found else ''}"),
        alt=f"{kind} {ref.file}: {subject}{f'. Read as {found}' if found and tags else ''}",
        jpeg=photo.jpeg,
        width_px=photo.width_px,
        height_px=photo.height_px,
        label=RENDERED_LABEL if photo.rendered else "",
    )


def _worth_showing(tags: PhotoTags | None, gauge: GaugeResult | None) -> bool:
    """Only a photo from which something was read; a person in front of the lens is no tree."""
    if gauge is not None:
        return gauge.summary is not None
    return (
        tags is not None
        and max(tags.verdict.foliage.model_dump().values(), key=("no", "unsure", "yes").index) != "no"
    )


def _rank(ref: PhotoRef, tags: PhotoTags | None, earlier: list[PhotoRef]) -> tuple[int, int, int]:
    """A subject not shown yet first, then sharp and well lit photos, then sure ones."""
    again = sum(1 for one in earlier if (one.of, one.shows == "gauge") == (ref.of, ref.shows == "gauge"))
    poor = 0 if tags is None else len(tags.quality.problems)
    unsure = tags is not None and tags.verdict.form == "unsure"
    return again, poor, int(unsure)


def pictures_of(
    survey: Survey,
    photos: Mapping[str, PhotoPicture],
    tags: Mapping[str, PhotoTags],
    gauges: Mapping[str, GaugeResult],
) -> tuple[Picture, ...]:
    """At most four photos in the order of the survey, each of another tree or place as far as possible.

    Left out are photos that could not be read, gauge photos that gave no measurement, and photos in which no
    tree was seen.
    """
    left = [
        ref
        for ref in survey.photos
        if ref.file in photos and _worth_showing(tags.get(ref.file), gauges.get(ref.file))
    ]
    chosen: list[PhotoRef] = []
    while left and len(chosen) < MOST_PICTURES:
        best = min(left, key=lambda ref: _rank(ref, tags.get(ref.file), chosen))
        chosen.append(best)
        left.remove(best)
    return tuple(
        _picture(ref, photos[ref.file], tags.get(ref.file), gauges.get(ref.file))
        for ref in survey.photos
        if ref in chosen
    )
