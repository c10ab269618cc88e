"""May a candidate replace the model in use? Asked on a locked test that neither has learned from."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.intervals import wilson
from eavefall_model.tags.decide import foliage_probability
from eavefall_model.tags.folder import GATE_FILE, fingerprint
from eavefall_model.tags.tagger import Tagger
from eavefall_model.vocabulary import FOLIAGE, FORMS
from eavefall_training.described import Described

# Fewer locked pictures than this prove nothing either way.
LEAST: Final = 40
# Judgement: in a class of fewer, one photo would weigh in the score like a fifth of a large class or more.
_CLASS_LEAST: Final = 5
# Judgement: what a single photo says is chance; with one of one right, any loss lies below the interval.
_SLICE_LOST: Final = 2


@dataclass(frozen=True)
class Row:
    """One slice: shares right of n under both models, the current one's 95 % Wilson interval, and whether the
    candidate fell below it by at least two photos."""

    slice: str
    n: int
    current: float
    low: float
    high: float
    candidate: float
    fell: bool


@dataclass(frozen=True)
class Verdict:
    """The gate's answer with its table; ``why`` names the reasons for a refusal.

    Scores are the mean over classes of at least five pictures of the share right; ``p_value`` is McNemar's
    exact two-sided one.
    """

    passed: bool
    why: str
    n: int
    current_score: float
    candidate_score: float
    gained: int
    lost: int
    p_value: float
    rows: tuple[Row, ...]


def mcnemar_exact(gained: int, lost: int) -> float:
    """Two-sided exact p-value that gains and losses are equally likely (binomial, one half)."""
    n, k = gained + lost, min(gained, lost)
    if n == 0:
        return 1.0
    tail = math.fsum(math.comb(n, i) for i in range(k + 1)) / 2.0**n
    return float(min(1.0, 2 * tail))


def right_answers(data: Described, tagger: Tagger) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """For each picture whether all three foliage answers are right at one half, and whether the form is.

    The form is True where none can be read, so that only known forms can count against a model.
    """
    foliage = np.array(
        [[foliage_probability(row[:3], tagger.card.foliage)[name] for name in FOLIAGE] for row in data.logits]
    ).reshape(-1, 3)
    right = ((foliage >= 0.5) == (data.foliage == 1)).all(axis=1)
    form = data.logits[:, 3:].argmax(axis=1) == data.form
    return right, form | (data.form < 0)


def _class_of(foliage: NDArray[np.int64]) -> str:
    seen = [name for name, yes in zip(FOLIAGE, foliage, strict=True) if yes]
    return " and ".join(seen) or "no tree"


def gate(
    current: tuple[NDArray[np.bool_], NDArray[np.bool_]],
    candidate: tuple[NDArray[np.bool_], NDArray[np.bool_]],
    data: Described,
    slices: Mapping[str, Mapping[str, str]],
) -> Verdict:
    """Compare two models' right answers on the same locked pictures.

    A candidate passes if its score is higher and it falls below the current model's interval in no class,
    form, branch or season. A single photo decides neither: see ``Row`` and ``Verdict``.

    Parameters
    ----------
    current, candidate : pairs of bool arrays (n,)
        From ``right_answers``.
    data : Described
        Labels of the locked pictures (its scores are not looked at).
    slices : mapping of file id to branch and season
        From ``slices_of``; may be empty.
    """
    classes = [_class_of(row) for row in data.foliage]
    groups: dict[str, tuple[list[int], int]] = {}
    for i, picture in enumerate(data.pictures):
        groups.setdefault(f"class {classes[i]}", ([], 0))[0].append(i)
        if data.form[i] >= 0:
            groups.setdefault(f"form {FORMS[data.form[i]]}", ([], 1))[0].append(i)
        for key, value in slices.get(picture.file_id, {}).items():
            if key not in ("branch", "season"):
                continue
            groups.setdefault(f"{key} {value}", ([], 0))[0].append(i)
    rows = [
        _row(name, current[which][at], candidate[which][at]) for name, (at, which) in sorted(groups.items())
    ]
    scores = [_score(right, np.array(classes)) for right in (current[0], candidate[0])]
    gained = int((candidate[0] & ~current[0]).sum())
    lost = int((current[0] & ~candidate[0]).sum())
    reasons = []
    if len(data) < LEAST:
        reasons.append(f"the locked test has {len(data)} pictures, and fewer than {LEAST} prove nothing")
    if scores[1] <= scores[0]:
        reasons.append(f"it does not beat the model in use ({scores[1]:.3f} against {scores[0]:.3f})")
    reasons += [
        f"{row.slice} fell from {row.current:.2f} to {row.candidate:.2f}, below {row.low:.2f} (n = {row.n})"
        for row in rows
        if row.fell
    ]
    return Verdict(
        not reasons,
        "; ".join(reasons),
        len(data),
        scores[0],
        scores[1],
        gained,
        lost,
        mcnemar_exact(gained, lost),
        tuple(rows),
    )


def _score(right: NDArray[np.bool_], classes: NDArray[np.str_]) -> float:
    names, counts = np.unique(classes, return_counts=True)
    large = names[counts >= _CLASS_LEAST]
    return float(np.mean([right[classes == name].mean() for name in (large if len(large) else names)]))


def _row(name: str, current: NDArray[np.bool_], candidate: NDArray[np.bool_]) -> Row:
    n = len(current)
    low, high = wilson(int(current.sum()), n)
    share = float(candidate.mean())
    lost = int(current.sum()) - int(candidate.sum())
    return Row(name, n, float(current.mean()), low, high, share, share < low and lost >= _SLICE_LOST)


def write_report(verdict: Verdict, candidate: Path, current: str, tests: Sequence[str]) -> Path:
    """Write ``gate.json`` beside the candidate's files, passed or not."""
    report = {
        "candidate": fingerprint(candidate),
        "current": current,
        "locked_tests": list(tests),
        **asdict(verdict),
    }
    path = candidate / GATE_FILE
    path.write_text(json.dumps(report, indent=1), encoding="utf-8")
    return path
