"""From logits to probabilities and a verdict that may be ``unsure``; pure arithmetic, no pictures."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, softmax

from eavefall_model.tags.card import FoliageRule, FormRule
from eavefall_model.tags.schema import FoliageVerdict, Verdict
from eavefall_model.vocabulary import FOLIAGE, FORMS, Foliage, Form, Sure


def foliage_probability(
    logits: NDArray[np.floating], rules: Mapping[Foliage, FoliageRule]
) -> dict[Foliage, float]:
    """Separate probabilities of needle, broad, bare from three logits."""
    out: dict[Foliage, float] = {}
    for label in FOLIAGE:
        z = float(np.dot(rules[label].slopes, logits)) + rules[label].offset
        out[label] = float(expit(z))
    return out


def form_probability(logits: NDArray[np.floating], rule: FormRule) -> dict[Form, float]:
    """Probabilities of the five forms, summing to 1: softmax over the temperature."""
    shares = softmax(np.asarray(logits, dtype=np.float64) / rule.temperature)
    return {form: float(p) for form, p in zip(FORMS, shares, strict=True)}


def verdict(
    foliage: Mapping[Foliage, float],
    form: Mapping[Form, float],
    foliage_rules: Mapping[Foliage, FoliageRule],
    form_rule: FormRule,
) -> Verdict:
    """Apply thresholds.

    A form is only named where some foliage is not excluded; otherwise it is ``unsure`` and the set is whole.
    """

    def answer(label: Foliage) -> Sure:
        rule = foliage_rules[label]
        if foliage[label] >= rule.yes_from:
            return "yes"
        return "no" if foliage[label] <= rule.no_to else "unsure"

    answers = FoliageVerdict(needle=answer("needle"), broad=answer("broad"), bare=answer("bare"))
    ordered = sorted(FORMS, key=lambda f: -form[f])
    chosen: list[Form] = []
    mass = 0.0
    for f in ordered:
        chosen.append(f)
        mass += form[f]
        if mass >= form_rule.set_mass:
            break
    leaves = answers.needle != "no" or answers.broad != "no"
    sure = leaves and form[ordered[0]] >= form_rule.sure_from
    return Verdict(
        foliage=answers,
        form=ordered[0] if sure else "unsure",
        form_set=tuple(chosen) if leaves else FORMS,
    )
