"""One photo read: its tags, its needles, pieces or gutter measured, or why there is nothing. The same
pixels for all."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import cv2
import numpy as np

from eavefall_model.debris.drop import sorted_by_hand
from eavefall_model.debris.schema import DebrisResult, GutterResult
from eavefall_model.errors import EavefallError
from eavefall_model.gauge.schema import GaugeResult
from eavefall_model.photo import Photo, decode
from eavefall_model.tags.schema import FoliageVerdict, PhotoTags, Verdict
from eavefall_model.vocabulary import FOLIAGE, FORMS, NEED_REFERENCE, DebrisKind, Foliage, Form, Shows

if TYPE_CHECKING:
    from eavefall_model.tags.tagger import Tagger

# A person on the spot is taken at their word, but not as certain (judgement).
_PERSON_SURE: Final = 0.97
# A close-up is measured at no more, as most phones take it: measuring takes up to 36 bytes for each.
_MEASURED_PIXELS: Final = 12_600_000
# The commonest gutter of North America; and what reading one looks at: short side, pixels.
USUAL_GUTTER: Final = "k_style:5in"
_GUTTER_PX: Final = 700


@dataclass(frozen=True)
class NotRead:
    """Why a photo gave nothing: a stable code, what was wrong, what would do."""

    code: str
    message: str
    hint: str = ""


@dataclass(frozen=True)
class Reading:
    """What one photo of a survey says.

    ``photo`` is its name in the survey. Of ``tags``, ``gauge``, ``debris``, ``gutter`` and ``failure`` one is
    set; none of them for a photo of a gutter that does not name its reference.
    """

    photo: str
    tags: PhotoTags | None = None
    gauge: GaugeResult | None = None
    debris: DebrisResult | None = None
    gutter: GutterResult | None = None
    failure: NotRead | None = None

    def sorted_by_hand(self, kinds: Mapping[int, DebrisKind], by: str) -> Reading:
        """A handful as a person sees it: their kinds, by the pieces' numbers, stand for the sorter's."""
        return self if self.debris is None else replace(self, debris=sorted_by_hand(self.debris, kinds, by))

    def corrected(self, foliage: Collection[Foliage], form: Form | None, by: str) -> Reading:
        """As a person sees the photo: their word stands for the tagger's; ``by`` says whose it is."""
        if self.tags is None:
            return self
        rest = (1 - _PERSON_SURE) / (len(FORMS) - 1)
        said: dict[str, object] = {
            "foliage": {each: _PERSON_SURE if each in foliage else 1 - _PERSON_SURE for each in FOLIAGE},
            "model": f"{self.tags.model}; corrected by {by}",
        }
        if form is not None:
            said["form"] = {each: _PERSON_SURE if each == form else rest for each in FORMS}
        said["verdict"] = Verdict(
            foliage=FoliageVerdict(
                needle="yes" if "needle" in foliage else "no",
                broad="yes" if "broad" in foliage else "no",
                bare="yes" if "bare" in foliage else "no",
            ),
            form=form or self.tags.verdict.form,
            form_set=(form,) if form else self.tags.verdict.form_set,
        )
        return replace(self, tags=self.tags.model_copy(update=said))


def decode_to_read(
    data: bytes, *, name: str, shows: Shows, tagger: Tagger, sha256: str | None = None
) -> Photo:
    """The pixels that are read of a photo: a phone's full size to measure, what the tagger looks at to tag.

    Raises as :func:`eavefall_model.photo.decode`.
    """
    if shows not in NEED_REFERENCE:
        fit_px = _GUTTER_PX if shows == "gutter" else tagger.fit_px
        return decode(data, name=name, fit_px=fit_px, sha256=sha256)
    photo = decode(data, name=name, sha256=sha256)
    height_px, width_px = photo.rgb.shape[:2]
    shrink = (_MEASURED_PIXELS / (height_px * width_px)) ** 0.5
    if shrink >= 1:
        return photo
    size = (int(width_px * shrink), int(height_px * shrink))
    return replace(photo, rgb=np.asarray(cv2.resize(photo.rgb, size, interpolation=cv2.INTER_AREA), np.uint8))


def read_decoded(
    photo: Photo, *, name: str, shows: Shows, reference: str | None = None, tagger: Tagger
) -> Reading:
    """Read a photo that :func:`decode_to_read` decoded for the same ``shows``.

    Raises :class:`GaugeError` ``gauge-reference-unknown`` for a reference that we do not know.
    """
    # What measures is slow to load, and most photos are only tagged.
    if shows == "gauge":
        from eavefall_model.gauge.measure import measure

        return Reading(name, gauge=measure(photo, reference or "card", name=name))
    if shows == "handful":
        from eavefall_model.debris.read import read_debris

        return Reading(name, debris=read_debris(photo, reference or "sheet", name=name))
    if shows == "gutter":
        # From the ground nothing shows of the inside: only who names the gutter's size means to look into it.
        if reference is None:
            return Reading(name)
        from eavefall_model.debris.gutter import read_gutter

        return Reading(name, gutter=read_gutter(photo, reference, name=name))
    return Reading(name, tags=tagger.tag(photo, name))


def read_photo(
    data: bytes, *, name: str, shows: Shows = "tree", reference: str | None = None, tagger: Tagger
) -> Reading:
    """Decode and read one photo; what cannot be read comes back as a reading with a ``failure``.

    Parameters
    ----------
    data : bytes
        The file as it came.
    name : str
        Its name in the survey.
    shows : Shows
        What it was taken of; ``gauge``, ``handful`` and ``gutter`` photos are measured, others
        tagged.
    reference : str, optional
        What lies beside the needles of a gauge photo, a card where it is not said; what a handful lies on
        or beside, the gauge sheet where it is not said; of a look into a gutter
        its profile and opening, without which nothing is read of it.
    """
    try:
        photo = decode_to_read(data, name=name, shows=shows, tagger=tagger)
        return read_decoded(photo, name=name, shows=shows, reference=reference, tagger=tagger)
    except EavefallError as error:
        return Reading(name, failure=NotRead(error.code, error.message, error.hint))
