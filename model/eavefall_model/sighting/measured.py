"""A length taken from the ground, with how it was taken and how sure it is."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from eavefall_model.language import translate, unit_name
from eavefall_model.survey import TakenBearing, TakenLength
from eavefall_model.units import compass, length_text
from eavefall_model.vocabulary import How, Language, Units

# Standard deviation of a length by the way it was taken: a part that does not grow with it (m), and a share
# of it. All judgement, beside what was found:
# - taped: a tape that sags and a reader who rounds.
# - paced: 1 in 100 is asked of foresters who pace all day over flat, open ground (University of Washington,
#   FE 345, Pacing); in a yard, over beds and round bushes, by people who seldom do it, far worse.
# - photo: what our own drawn scenes show, and a door that may not be standard.
# - angle: phones as hypsometers read 1.0 to 2.5 m off, root mean square, on forest pines, half of it an error
#   of calibration (Bijak and Sarzynski 2015, Folia Forestalia Polonica 57); a yard tree is shorter and has
#   its top in sight.
# - drawn: placed by eye.
_USUAL: Final[Mapping[How, tuple[float, float]]] = MappingProxyType(
    {
        "taped": (0.02, 0.01),
        "paced": (0.2, 0.08),
        "photo": (0.05, 0.04),
        "angle": (0.2, 0.06),
        "drawn": (0.6, 0.15),
    }
)
# A phone's compass outdoors, away from a car; a tree put on a plan by eye. Judgement.
BEARING_SD_DEG: Final[Mapping[How, float]] = MappingProxyType({"angle": 10.0, "drawn": 12.0})
# As it is said after a figure.
BY: Final[Mapping[How, str]] = MappingProxyType(
    {
        "typed": "typed", "taped": "by tape", "paced": "by paces", "photo": "by photo", "angle": "by angle",
        "drawn": "by eye on the plan", "default": "not measured",
    }
)  # fmt: skip
COMPASS: Final = "by compass"


@dataclass(frozen=True)
class Measured:
    """A length in meters, its standard deviation, and how it was taken."""

    value_m: float
    sd_m: float
    how: How


def usual_sd_m(how: How, value_m: float) -> float | None:
    """Standard deviation of a length taken in this way, m; ``None`` where the way says nothing of it."""
    if how not in _USUAL:
        return None
    fixed_m, share = _USUAL[how]
    return fixed_m + share * value_m


def length_sd_m(value_m: float, taken: TakenLength | None) -> float | None:
    """Standard deviation of a length of the survey, m; ``None`` where nobody said how it was taken."""
    if taken is None:
        return None
    return usual_sd_m(taken.how, value_m) if taken.sd_m is None else taken.sd_m


def bearing_sd_deg(taken: TakenBearing | None) -> float | None:
    """Standard deviation of a bearing of the survey; ``None`` where nobody said how it was taken."""
    if taken is None:
        return None
    return BEARING_SD_DEG.get(taken.how) if taken.sd_deg is None else taken.sd_deg


def length_taken_text(
    value_m: float, taken: TakenLength | None, units: Units, language: Language = "en"
) -> str:
    """A length with how it was taken and its standard deviation: ``32 ft, by angle, ± 2 ft``."""
    text = length_text(value_m, units, language)
    if taken is None or taken.how == "typed":
        return text
    sd_m = length_sd_m(value_m, taken)
    return f"{text}, {translate(language, BY[taken.how])}" + (
        "" if sd_m is None else f", ±\u00a0{_sd_text(sd_m, units, language)}"
    )


def bearing_taken_text(bearing_deg: float, taken: TakenBearing | None, language: Language = "en") -> str:
    """A bearing with how it was taken: ``NW, by compass, ± 10°``."""
    if taken is None or taken.how == "typed":
        return compass(bearing_deg, language)
    by = translate(language, COMPASS if taken.how == "angle" else BY[taken.how])
    sd_deg = bearing_sd_deg(taken)
    return f"{compass(bearing_deg, language)}, {by}" + ("" if sd_deg is None else f", ±\u00a0{sd_deg:.0f}°")


def _sd_text(sd_m: float, units: Units, language: Language) -> str:
    """To the inch or the centimeter, so that a small one is not said to be none; long ones to half a foot."""
    if units == "metric":
        return f"{max(round(sd_m * 100), 1)} cm" if sd_m < 0.995 else f"{sd_m:.1f} m"
    inches = max(round(sd_m / 0.0254), 1)
    if inches < 12:
        return f"{inches} {unit_name('in', inches == 1, language)}"
    feet = math.floor(inches / 6 + 0.5) / 2
    return f"{feet:g} {unit_name('ft', feet == 1, language)}"
