"""How many surveys to check: acceptance plans by code letter, and a plan to estimate an error rate.

Tables: ISO 2859-1 / ANSI Z1.4 (both from MIL-STD-105E). Code letters for every level and the sequence of
acceptance numbers were read in a reprint of Tables I and II-A (found); the tightened sequence of Table II-B
is from memory. Operating characteristics are exact, never read off a chart.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from scipy.special import bdtr, bdtri, ndtri

from eavefall_model.intervals import wilson

Level = Literal["S-1", "S-2", "S-3", "S-4", "I", "II", "III"]
Severity = Literal["normal", "tightened"]

LETTERS: Final = "ABCDEFGHJKLMNPQR"
SAMPLE_SIZES: Final = (2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800, 1250, 2000)
AQLS: Final = (
    0.010,
    0.015,
    0.025,
    0.040,
    0.065,
    0.10,
    0.15,
    0.25,
    0.40,
    0.65,
    1.0,
    1.5,
    2.5,
    4.0,
    6.5,
    10.0,
)
_LOT_UP_TO: Final = (8, 15, 25, 50, 90, 150, 280, 500, 1200, 3200, 10_000, 35_000, 150_000, 500_000)
# One letter for each lot range, smallest first; the last is for more than 500,000.
_LEVELS: Final[dict[str, str]] = {
    "S-1": "AAAABBBBCCCCDDD",
    "S-2": "AAABBBCCCDDDEEE",
    "S-3": "AABBCCDDEEFFGGH",
    "S-4": "AABCCDEEFGGHJJK",
    "I": "AABCCDEFGHJKLMN",
    "II": "ABCDEFGHJKLMNPQ",
    "III": "BCDEFGHJKLMNPQR",
}
# Going down one column of the table from the row where Ac = 0: an upward arrow, a downward arrow, then these.
# The tables are diagonal: one letter further down is one AQL step finer. Key: rows below Ac = 0.
_NORMAL: Final = {0: 0, 3: 1, 4: 2, 5: 3, 6: 5, 7: 7, 8: 10, 9: 14, 10: 21}
_TIGHTENED: Final = {0: 0, 3: 1, 4: 2, 5: 3, 6: 5, 7: 8, 8: 12, 9: 18}


@dataclass(frozen=True)
class Plan:
    """Check ``sample_size`` surveys of a lot; up to ``accept`` wrong ones pass it, ``reject`` or more do not.

    ``letter`` is what the lot size asks for, ``plan_letter`` where the table's arrows led. ``everything``
    says that the plan is as large as the lot, so all of it is checked.
    """

    lot_size: int
    letter: str
    plan_letter: str
    sample_size: int
    accept: int
    aql_percent: float
    severity: Severity
    everything: bool

    @property
    def reject(self) -> int:
        """The smallest number of wrong surveys that fails the lot."""
        return self.accept + 1


def code_letter(lot_size: int, level: Level = "II") -> str:
    """Letter for a lot of ``lot_size`` surveys (2 or more) at an inspection level."""
    if lot_size < 2:
        raise ValueError(f"a lot of {lot_size} has no sampling plan; check it whole")
    place = next((i for i, top in enumerate(_LOT_UP_TO) if lot_size <= top), len(_LOT_UP_TO))
    return _LEVELS[level][place]


def _follow_arrows(row: int, zero: int, accepts: dict[int, int], *, up_after_zero: bool) -> int:
    """Row of the plan that the table's arrows lead to; ``zero`` is the row of Ac = 0, or off the table.

    In the normal table the cell below Ac = 0 points up and the next one down; in the tightened table both
    point down, else tightened inspection would be laxer than normal.
    """
    below = row - zero
    if below < 0 or (below == 1 and up_after_zero and zero >= 0):
        return max(zero, 0)
    if below in (1, 2):
        first_one = zero + 3
        return first_one if first_one < len(LETTERS) else zero
    return zero + min(below, max(accepts))


def single_plan(
    lot_size: int, aql_percent: float, level: Level = "II", severity: Severity = "normal"
) -> Plan:
    """Single sampling plan for a lot, following the table's arrows.

    ``aql_percent`` is one of ``AQLS`` (percent wrong that is still acceptable as a long-run average).
    """
    if aql_percent not in AQLS:
        raise ValueError(f"AQL {aql_percent} is not in the table; take one of {', '.join(map(str, AQLS))}")
    accepts = _NORMAL if severity == "normal" else _TIGHTENED
    letter = code_letter(lot_size, level)
    # Ac = 0 stands at letter A for AQL 6.5 (normal) and one step finer per letter; tightened is one step on.
    zero = (14 if severity == "normal" else 15) - AQLS.index(aql_percent)
    row = _follow_arrows(LETTERS.index(letter), zero, accepts, up_after_zero=severity == "normal")
    below = row - zero
    size = SAMPLE_SIZES[row]
    return Plan(
        lot_size=lot_size,
        letter=letter,
        plan_letter=LETTERS[row],
        sample_size=min(size, lot_size),
        accept=accepts[below],
        aql_percent=aql_percent,
        severity=severity,
        everything=size >= lot_size,
    )


def accept_probability(plan: Plan, share_wrong: float, *, finite: bool = False) -> float:
    """Operating characteristic: the chance that a lot with ``share_wrong`` passes.

    Binomial (a stream of lots) or, with ``finite``, hypergeometric for exactly this lot, whose number of
    wrong surveys is rounded to a whole one.
    """
    if finite:
        from scipy.stats import hypergeom  # slow to load, and seldom needed

        wrong = round(share_wrong * plan.lot_size)
        return float(hypergeom.cdf(plan.accept, plan.lot_size, wrong, plan.sample_size))
    return float(bdtr(plan.accept, plan.sample_size, share_wrong))


def limiting_quality(plan: Plan, chance: float = 0.10) -> float:
    """Share wrong at which a lot still passes with probability ``chance`` (binomial)."""
    if plan.accept >= plan.sample_size:
        return 1.0
    return float(bdtri(plan.accept, plan.sample_size, chance))


def estimation_size(
    half_width: float, level: float = 0.95, expected: float = 0.5, population: int | None = None
) -> int:
    """Smallest sample that estimates a share to plus or minus ``half_width``.

    The first guess is Cochran's ``z^2 p(1-p) / d^2`` (Cochran 1977, eq. 4.1, from memory); it is then moved
    until the Wilson interval at ``expected`` is just narrow enough, since that is the interval we show. With
    ``population`` the finite correction ``n / (1 + (n - 1)/N)`` follows.
    """
    if not 0 < half_width < 0.5 or not 0 <= expected <= 1:
        raise ValueError("half_width must lie between 0 and 0.5 and expected between 0 and 1")
    z = float(ndtri(0.5 + level / 2))
    size = max(1, math.ceil(z * z * expected * (1 - expected) / half_width**2))

    def narrow(n: int) -> bool:
        low, high = wilson(expected * n, n, level)
        return (high - low) / 2 <= half_width

    while not narrow(size):
        size += 1
    while size > 1 and narrow(size - 1):
        size -= 1
    if population is not None:
        size = min(population, math.ceil(size / (1 + (size - 1) / population)))
    return size
