"""Which photos the report shows, with what was read from each, and the label of rendered pictures."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from eavefall_model.advice.say import FOLIAGE as FOLIAGE_SAID
from eavefall_model.advice.say import sentence_case
from eavefall_model.gauge.schema import GaugeResult
from eavefall_model.language import listed, mark, translate, translate_count, unit_name
from eavefall_model.survey import PhotoRef, Survey
from eavefall_model.tags.schema import PhotoTags
from eavefall_model.units import MM_PER_INCH, opening_text, per_cent
from eavefall_model.vocabulary import FOLIAGE, Language
from eavefall_service.report.document import Picture
from eavefall_service.report.photos import PhotoPicture

RENDERED_LABEL: Final = mark("Rendered")
MOST_PICTURES: Final = 4
SHOWS: Final = {
    "tree": "tree",
    "closeup": "foliage close up",
    "litter": "litter",
    "house": "house",
    "gutter": "gutter",
    "gauge": "needle gauge",
    "handful": "handful of litter",
}


def _tag_words(tags: PhotoTags, language: Language) -> str:
    verdict = tags.verdict
    states = verdict.foliage.model_dump()
    names = {key: translate(language, FOLIAGE_SAID[key]) for key in FOLIAGE}
    seen = [f"{names[key]} {per_cent(tags.foliage[key], language)}" for key in names if states[key] == "yes"]
    open_ = [names[key] for key in names if states[key] == "unsure"]
    parts = []
    if seen:
        parts.append(listed(seen, language))
    if open_:
        kinds = listed(open_, language)
        parts.append(translate(language, "unsure about {kinds}", kinds=kinds))
    if not seen and not open_:
        parts.append(translate(language, "no tree seen"))
    elif verdict.form == "unsure":
        parts.append(translate(language, "form unsure"))
    else:
        form = translate(language, verdict.form.replace("_", " "))
        parts.append(f"{form} {per_cent(tags.form[verdict.form], language)}")
    return "; ".join(parts)


def _gauge_words(gauge: GaugeResult, language: Language) -> str:
    summary = gauge.summary
    if summary is None:
        why = translate(language, gauge.refused.retake) if gauge.refused else ""
        return translate(language, "no measurement: {why}", why=why)
    width = opening_text(summary.width_median_mm, language=language)
    words = translate_count(
        language, "{n} needle, {width} wide", "{n} needles, {width} wide", summary.n, width=width
    )
    if summary.length_median_mm is not None:
        inches = f"{summary.length_median_mm / MM_PER_INCH:.1f} {unit_name('in', False, language)}"
        length = f"{summary.length_median_mm:.0f} mm ({inches})"
        long = translate(language, "{length} long", length=length)
        words += f", {long}"
    return words


def _picture(
    ref: PhotoRef,
    photo: PhotoPicture,
    tags: PhotoTags | None,
    gauge: GaugeResult | None,
    language: Language,
) -> Picture:
    shows = translate(language, SHOWS[ref.shows])
    subject = f"{ref.of}, {shows}" if ref.of else shows
    found = _gauge_words(gauge, language) if gauge else _tag_words(tags, language) if tags else ""
    kind = translate(language, "Rendered picture") if photo.rendered else translate(language, "Photo")
    alt = f"{kind} {ref.file}: {subject}"
    if found and tags:
        read_as = translate(language, "Read as {found}", found=found)
        alt += f". {read_as}"
    return Picture(
        name=ref.file,
        caption=sentence_case(f"{subject}{f': {found}' if found else ''}"),
        alt=alt,
        jpeg=photo.jpeg,
        width_px=photo.width_px,
        height_px=photo.height_px,
        label=translate(language, RENDERED_LABEL) if photo.rendered else "",
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
    language: Language = "en",
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
        _picture(ref, photos[ref.file], tags.get(ref.file), gauges.get(ref.file), language)
        for ref in survey.photos
        if ref in chosen
    )
