"""Which stated licences a picture may have to be trained on for weights under CC BY-SA 4.0.

Judgement, written down so that it can be argued with: a picture enters shipped weights only when its licence
is stated, or stands with its author on a named page of Wikimedia Commons, is free, and may flow into
CC BY-SA 4.0. Everything else may still be looked at, to test a model that never saw it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass


@dataclass(frozen=True)
class LicenceVerdict:
    """``trainable`` and the reason, in words for the credit table."""

    trainable: bool
    reason: str


# First match wins, so refusals stand before permissions.
_RULES: tuple[tuple[str, bool, str], ...] = (
    (r"\bNC\b|non.?commercial", False, "forbids commercial use"),
    (r"\bND\b|no.?deriv", False, "forbids derived works"),
    (
        r"free licence \(Wikimedia Commons; see file page\)",
        True,
        "Wikimedia Commons hosts free licences only; credited by the page that states author and licence",
    ),
    (r"see file page|free licence", False, "exact licence and author not stated"),
    (r"unsplash", False, "rests on a third party's word about a site with terms of its own"),
    (r"\bA?L?GPL", False, "copyleft that does not flow into CC BY-SA 4.0"),
    (r"\bGFDL\b", False, "does not flow into CC BY-SA 4.0"),
    (r"CC.?BY.?SA.?1\.0", False, "version 1.0 does not allow later versions"),
    (r"CC0", True, "no rights reserved"),
    (r"CC.?BY.?SA.?(2\.0|2\.5|3\.0|4\.0)", True, "later versions of the same licence are allowed"),
    (r"CC.?BY.?(2\.0|2\.5|3\.0|4\.0)", True, "attribution kept in the credit table"),
    (r"\bMIT\b|\bBSD\b|Apache", True, "notice kept in the credit table"),
    (r"\bPD\b|public domain", True, "no rights reserved"),
    (r"own code", True, "made by our own code"),
    (
        r"consent to train",
        True,
        "the sender agreed; for that office's own model, never for weights handed on",
    ),
)


def judge(licence: str) -> LicenceVerdict:
    """Judge one licence as stated; an unknown or empty statement is not trained on."""
    for pattern, trainable, reason in _RULES:
        if re.search(pattern, licence, flags=re.IGNORECASE):
            return LicenceVerdict(trainable, reason)
    return LicenceVerdict(False, "licence not stated or not known here")
