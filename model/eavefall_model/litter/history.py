"""The house's own history as evidence: how full the gutter is, when it was cleaned, whether it ran over.

Every draw is a house that fits the survey. A draw whose litter would have filled the gutter as it was found
to be filled counts for more than one whose litter would not (importance weights, Bayes' rule), and the draws
are drawn again by weight. So what was seen at this gutter narrows everything that its litter decides: how
dense litter settles, what blows out, how much the trees shed and how far it flies.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from eavefall_model.species.draw import lognormal_through
from eavefall_model.survey import Survey
from eavefall_model.vocabulary import GuardKind

Array = NDArray[np.float64]
# Standard error of a filling or covering seen in fifths, as a share of the depth or the face: half a fifth of
# rounding, and litter lies unevenly. Our judgement.
FILL_ERROR: Final = 0.12
# What is seen is depth where the gutter is fullest, of litter that lies looser than it settles. A third of
# the depth is a quarter of the section there, and 0.16 of it all along the eave (``fill_share`` in the
# rules file); litter that has not lain long takes up to 41 / 13 times the room (loose leaves, see
# ``species/data/forms.csv``).
_ALONG: Final = 0.16 / 0.25
_DEEPENS: Final = math.log(1 / 3) / math.log(0.25)
_LOOSE: Final = lognormal_through(1.0, 41 / 13)
# Spread, in the logarithm, between how often a household cleans and how often it would be due. Our judgement:
# two thirds clean between half as often and twice as often as needed.
HABIT_ERROR: Final = 0.7
# A gutter runs over at about this filling, within this spread: water finds its way through loose litter, and
# an outlet may block before. Our judgement.
_OVERFLOW_AT: Final = 0.75
_OVERFLOW_SPREAD: Final = 0.2
# Share of answers that are mistaken or about another gutter, so that no draw is ruled out, and how likely
# each answer is then: any of six fillings, yes or no, a frequency between every other year and six times a
# year (in the logarithm). Our judgement.
MISTAKEN: Final = 0.03
_ANY_FILL: Final = 1 / 6
_EITHER: Final = 1 / 2
_ANY_HABIT: Final = 1 / math.log(6 / 0.5)
# Fillings are told in steps of a fifth.
STEP: Final = 0.2
# The weights are flattened until at least so many draws' worth remains.
_LEAST_SHARE: Final = 0.05
_LEAST_DRAWS: Final = 100


@dataclass(frozen=True)
class Observed:
    """What is known of one gutter's past; any of it may be missing.

    ``months_since`` months since the last cleaning up to the end of calendar month ``month`` (1 to 12; any
    month where it is not known),
    ``fill`` the share of the gutter's depth that is full then, ``cleanings_per_year`` how often it is
    cleaned, ``overflowed`` whether it has run over since (or between two cleanings). With a ``guard`` on it
    all of this is about the guard's face: when it was brushed, how much of it is covered, whether water ran
    over it. ``fill_sd`` is the standard error of ``fill``.
    """

    month: int | None = None
    months_since: float | None = None
    fill: float | None = None
    cleanings_per_year: float | None = None
    overflowed: bool | None = None
    guard: GuardKind | None = None
    fill_sd: float = FILL_ERROR


@dataclass(frozen=True)
class Weights:
    """``share`` (draws,) sums to 1; ``effective`` is the number of equal draws worth as much; ``power`` below
    1 says that the evidence was flattened to keep enough of them."""

    share: Array
    effective: float
    power: float


def looseness(normal: Array) -> Array:
    """How much more room litter takes in a gutter than it does settled, from standard normal values."""
    return np.asarray(np.exp(_LOOSE[0] + _LOOSE[1] * normal))


def seen_depth(fill: Array | float, loose: Array) -> Array:
    """Share of the depth that litter is seen to reach where it is deepest, which may exceed 1.

    ``fill`` is the share of the whole gutter that it takes when settled, :func:`fill_since_cleaning`.
    """
    return np.asarray((np.asarray(fill) * loose / _ALONG) ** _DEEPENS)


def fill_for_depth(depth: float) -> float:
    """How many times the litter it takes to be seen so many times as deep."""
    return float(depth ** (1 / _DEEPENS))


def fill_since_cleaning(
    monthly: Array, full: Array, years: Array, months_since: float, month: int | None
) -> Array:
    """Share of the gutter that has filled since the last cleaning, (draws,); may exceed 1.

    Parameters
    ----------
    monthly : (draws, 12)
        Litter that stays in the gutter in each calendar month of a mean year, kg per meter.
    full : (draws,)
        Litter that fills it to the brim, in the same unit.
    years : (draws, n)
        Factors of the years past on the mean year, the last twelve months first; the last column stands for
        all earlier years.
    months_since : float
        Months since the last cleaning, parts of a month counted.
    month : int, optional
        Calendar month (1 to 12) at whose end the gutter was looked at; litter is taken as even over the year
        where it is not known.
    """
    if month is None:
        monthly, month = np.repeat(monthly.mean(axis=1, keepdims=True), 12, axis=1), 12
    fallen = np.zeros(len(monthly))
    for back in range(math.ceil(months_since)):
        part = min(months_since - back, 1.0)
        year = years[:, min(back // 12, years.shape[1] - 1)]
        fallen += part * year * monthly[:, (month - 1 - back) % 12]
    return np.asarray(fallen / full)


def _normal(off: Array) -> Array:
    """Density of a standard normal value."""
    return np.asarray(np.exp(-0.5 * np.square(off)) / math.sqrt(2 * math.pi))


def overflow_chance(fill: Array) -> Array:
    """Chance that a gutter has run over that is seen so full at its fullest, or a screen so covered."""
    return np.asarray(1.0 / (1.0 + np.exp(-(fill - _OVERFLOW_AT) / (_OVERFLOW_SPREAD / 1.7))))


def log_likelihood(
    observed: Observed, depth: Array | None, due_per_year: Array, due_depth: Array | float = 0.5
) -> Array:
    """Logarithm of how likely each draw makes what was observed, (draws,), answers mistaken now and then.

    Parameters
    ----------
    observed : Observed
    depth : (draws,), optional
        Share of the depth that is full by :func:`seen_depth`, or of a guard's face that is covered;
        ``None`` where the time since the last cleaning is not known.
    due_per_year : (draws,)
        How often a cleaning would be due.
    due_depth : (draws,) or float
        The depth, or the share covered, at which it is due.
    """
    total = np.zeros(len(due_per_year))

    def heard(chance: Array, anyhow: float) -> None:
        np.add(total, np.log(MISTAKEN * anyhow + (1 - MISTAKEN) * chance), out=total)

    if observed.fill is not None and depth is not None:
        if observed.fill >= 0.99:  # full: as full as this or it would be fuller if it could
            heard(ndtr((depth - 0.9) / observed.fill_sd), _ANY_FILL)
        else:
            off = (np.minimum(depth, 1.2) - observed.fill) / observed.fill_sd
            heard(STEP * _normal(off) / observed.fill_sd, _ANY_FILL)
    cleanings = observed.cleanings_per_year
    if cleanings:
        heard(_normal(np.log(cleanings / due_per_year) / HABIT_ERROR) / HABIT_ERROR, _ANY_HABIT)
    if observed.overflowed is not None:
        between = depth
        if between is None and cleanings:
            between = due_per_year / cleanings * due_depth
        if between is not None:
            chance = overflow_chance(between)
            heard(chance if observed.overflowed else 1 - chance, _EITHER)
    return total


def observed_in(
    survey: Survey, guard: GuardKind | None = None, fill_sd: float = FILL_ERROR
) -> Observed | None:
    """What a survey tells of the past of an eave with ``guard`` on it; ``None`` where that is nothing."""
    told = survey.history
    if told.cleanings_per_year is None and told.last_cleaned_months_ago is None:
        return None
    on = None if guard == "none" else guard
    seen = told.now_full_fifths if on is None else told.now_covered_fifths
    return Observed(
        month=survey.month,
        months_since=told.last_cleaned_months_ago,
        fill=None if seen is None else seen / 5,
        cleanings_per_year=told.cleanings_per_year,
        overflowed=told.overflowed,
        guard=on,
        fill_sd=fill_sd,
    )


def weights_from(log_likelihoods: Array) -> Weights:
    """Weights by Bayes' rule, flattened by a power as little as leaves enough draws to count on."""
    count = len(log_likelihoods)
    least = min(max(_LEAST_DRAWS, _LEAST_SHARE * count), count / 2)

    def at(power: float) -> tuple[Array, float]:
        share = np.exp(power * (log_likelihoods - log_likelihoods.max()))
        share /= share.sum()
        return share, float(1.0 / np.square(share).sum())

    share, effective = at(1.0)
    if effective >= least:
        return Weights(share, effective, 1.0)
    low, high = 0.0, 1.0
    for _ in range(30):
        power = (low + high) / 2
        low, high = (power, high) if at(power)[1] >= least else (low, power)
    share, effective = at(low)
    return Weights(share, effective, low)


def resampled_rows(share: Array, uniform: float) -> NDArray[np.intp]:
    """As many draws as there are weights, each as often as its weight says to within one (systematic
    resampling).

    ``uniform`` in 0 to 1 sets where the comb starts.
    """
    count = len(share)
    edges = np.cumsum(share)
    comb = (np.arange(count) + uniform) / count * edges[-1]
    return np.asarray(np.minimum(np.searchsorted(edges, comb, side="right"), count - 1), dtype=np.intp)


def surprise(observed: float, predicted: Array, error: float) -> float:
    """Share of draws, each with its error of observation, farther out on the same side than what was seen.

    Below a hundredth the trees as described do not explain the gutter.
    """
    below = float(ndtr((observed - predicted) / error).mean())
    return min(below, 1.0 - below)
