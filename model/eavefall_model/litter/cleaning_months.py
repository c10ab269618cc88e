"""Names of calendar months, and those in which most comes down."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

MONTHS: Final = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
    "November", "December",
)  # fmt: skip


def heaviest_months(monthly: NDArray[np.float64], count: int = 3) -> tuple[Sequence[int], float]:
    """The ``count`` heaviest months (1 to 12, in calendar order) and their share of the year."""
    total = float(monthly.sum())
    if total <= 0:
        return (), 0.0
    top = np.sort(np.argsort(-monthly, kind="stable")[:count])
    return [int(month) + 1 for month in top], float(monthly[top].sum() / total)
