"""From draws to an answer: no guard, or the class that is fine enough in all but a safe share of draws."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.advice.schema import Interval, MarketOpening, Opening
from eavefall_model.screens.catalogue import openings_in_class
from eavefall_model.screens.classes import class_borders_mm, class_bounds_mm
from eavefall_model.screens.standards import nearest_astm, nearest_iso, sieves_between
from eavefall_model.vocabulary import FINENESS_CLASSES, ClassAnswer

Array = NDArray[np.float64]
_WIDEST_MM: Final = 12.7
_FINEST_MM: Final = 0.25
# Tables round openings: one a thousandth wider is the same. No more than a handful is worth naming.
_SAME: Final = 1.001
_MOST_SOLD: Final = 6
# An open gutter is good enough when two draws in three, or nearly, wait as long as the owner accepts; where
# as many do not, a guard is worth it; between, it could go either way. Our judgement.
ENOUGH: Final = 0.65


@dataclass(frozen=True)
class Answer:
    """The class, the widest opening that is safe, and the share of draws for which no guard is enough."""

    fineness_class: ClassAnswer
    index: int
    opening_mm: float
    no_guard_share: float


def rounded(value: float, digits: int = 4) -> float:
    """Value to so many significant digits, so that output reads well and stays the same bytes."""
    return float(f"{value:.{digits}g}")


def interval(months: Array) -> Interval:
    """10th, 50th and 90th percentile of months, to a tenth of a month."""
    low, typical, high = (round(float(each), 1) for each in np.quantile(months, (0.1, 0.5, 0.9)))
    return Interval(low=low, typical=typical, high=high)


def safe_classes(needed_index: NDArray[np.intp], safe_shares: Sequence[float]) -> tuple[int, ...]:
    """For each share, the index of the coarsest class that is fine enough in all but that share of draws."""
    enough = np.bincount(needed_index, minlength=len(FINENESS_CLASSES)).cumsum()
    wanted = [(1 - share) * len(needed_index) - 1e-9 for share in safe_shares]
    return tuple(int(index) for index in enough.searchsorted(wanted))


def decided_class(
    needed_index: NDArray[np.intp], enough: NDArray[np.bool_], safe_share: float
) -> ClassAnswer:
    """The class alone; arguments as in :func:`decide`."""
    if float(enough.mean()) > ENOUGH:
        return "no-guard-needed"
    return FINENESS_CLASSES[safe_classes(needed_index, (safe_share,))[0]]


def decide(
    needed_mm: Array, needed_index: NDArray[np.intp], enough: NDArray[np.bool_], safe_share: float
) -> Answer:
    """The answer over draws.

    Parameters
    ----------
    needed_mm, needed_index : (draws,)
        Widest opening that serves in each draw, and its class (0 open to 4 extra-fine).
    enough : (draws,)
        Whether an open gutter waits as long as the owner accepts.
    safe_share : float
        Share of draws in which a finer class than the one given may be needed.
    """
    (index,) = safe_classes(needed_index, (safe_share,))
    above_mm, most_mm = class_borders_mm(FINENESS_CLASSES[index])
    fits = needed_mm[needed_index == index]
    # Within the class, the opening that serves in all but the safe share of the draws that ask for the class
    # or a finer one stands for it.
    opening = float(np.quantile(needed_mm, safe_share, method="lower"))
    if not above_mm < opening <= most_mm:
        opening = float(fits.min()) if fits.size else most_mm
    name = decided_class(needed_index, enough, safe_share)
    return Answer(name, index, opening, float(enough.mean()))


def class_probability(needed_index: NDArray[np.intp], enough: NDArray[np.bool_]) -> dict[str, float]:
    """Share of draws for every class and for no guard; sums to 1 up to rounding."""
    result = {"no-guard-needed": rounded(float(enough.mean()))}
    for number, name in enumerate(FINENESS_CLASSES):
        result[name] = rounded(float(((needed_index == number) & ~enough).mean()))
    return result


def opening_of(answer: Answer) -> Opening:
    """Range of clear opening to ask for: from the class's finer limit up to the widest that is safe.

    With the standard sizes in it, and what the trade sells of that class in that range: of cloth finer than
    the class the open area falls and brushing grows, so nothing finer is named.
    """
    name = FINENESS_CLASSES[answer.index]
    high = min(answer.opening_mm, _WIDEST_MM)
    low = min(max(class_bounds_mm(name)[0], _FINEST_MM), high)
    sizes = sieves_between(low, high) or sieves_between(low * 0.999, high)
    sold = openings_in_class(name, low, high * _SAME)[:_MOST_SOLD]
    return Opening(
        low_mm=rounded(low),
        high_mm=rounded(high),
        designation_iso=nearest_iso(high),
        designation_astm=nearest_astm(high),
        standard_sizes=tuple(
            sieve.designation + (f" ({sieve.astm})" if sieve.astm else "") for sieve in reversed(sizes)
        )[:_MOST_SOLD],
        on_market=tuple(
            MarketOpening(
                kind=opening.kind,
                designation=opening.designation,
                opening_mm=rounded(opening.clear_mm),
                open_area=rounded(opening.open_area, 2),
            )
            for opening in sold
        ),
    )
