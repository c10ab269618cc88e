"""Drawing surveys to audit: stratified, seeded, and able to be drawn again to the letter."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, order=True)
class Listed:
    """One survey of the list that is drawn from, with what it is stratified by."""

    branch: str
    rep: str
    answer: str
    survey: str


@dataclass(frozen=True)
class Drawn:
    """A survey in the sample. ``weight`` is the number of surveys it stands for."""

    survey: str
    branch: str
    rep: str
    answer: str
    weight: float


@dataclass(frozen=True)
class Draw:
    """A sample with all that is needed to draw it again: the seed, the sizes and the list's fingerprint."""

    seed: int
    size: int
    listed: int
    list_sha256: str
    surveys: tuple[Drawn, ...]


def _fingerprint(listed: Sequence[Listed]) -> str:
    text = "\n".join("\t".join((s.branch, s.rep, s.answer, s.survey)) for s in listed)
    return hashlib.sha256(text.encode()).hexdigest()


def draw(listed: Sequence[Listed], size: int, seed: int) -> Draw:
    """Draw ``size`` surveys, spread over branch, then rep, then answer.

    The list is put in order of branch, rep and answer, and shuffled inside each stratum; every k-th survey
    is then taken from a random start (k = listed / size, not rounded). Every survey has the same chance
    ``size / listed``, so plain shares are unbiased, and each branch, each rep of a branch and each answer of
    a rep gets its share of the sample to within one survey.

    Source: systematic sampling with a fractional interval from an ordered list (implicit stratification),
    Cochran 1977, chapter 8 (from memory).

    Parameters
    ----------
    listed : sequence of Listed
        In any order; each survey once.
    size : int
        At most the length of ``listed``.
    seed : int
        Recorded in the result. The same list and seed give the same sample.
    """
    if not 0 <= size <= len(listed):
        raise ValueError(f"cannot draw {size} of {len(listed)} surveys")
    ordered = sorted(listed)
    if len({s.survey for s in ordered}) != len(ordered):
        raise ValueError("a survey is listed twice")
    random = np.random.Generator(np.random.PCG64(seed))
    # A shuffled key inside each stratum, drawn in the sorted order so that the caller's order has no say.
    keys = random.random(len(ordered))
    shuffled = [s for _, s in sorted(zip(keys, ordered, strict=True), key=lambda pair: _stratum(*pair))]
    weight = len(ordered) / size if size else 0.0
    start = float(random.random())
    places = [min(len(ordered) - 1, int((start + i) * weight)) for i in range(size)]
    taken = tuple(
        Drawn(s.survey, s.branch, s.rep, s.answer, weight) for s in (shuffled[place] for place in places)
    )
    return Draw(seed, size, len(ordered), _fingerprint(ordered), taken)


def _stratum(key: float, survey: Listed) -> tuple[str, str, str, float]:
    return survey.branch, survey.rep, survey.answer, key


def second_readers(
    surveys: Sequence[str], first: Sequence[str], auditors: Sequence[str], share: float, seed: int
) -> dict[str, str]:
    """Choose surveys for a blind second read and an auditor for each, never the one who read it first.

    ``share`` of ``surveys`` (rounded) is chosen at random; the work is spread as evenly as the first readers
    allow. Returns survey -> second auditor.
    """
    if len(surveys) != len(first) or not 0 <= share <= 1:
        raise ValueError("give one first reader per survey and a share between 0 and 1")
    if len(set(auditors)) < 2:
        raise ValueError("a blind second read needs at least two auditors")
    random = np.random.Generator(np.random.PCG64(seed))
    chosen = random.permutation(len(surveys))[: round(share * len(surveys))]
    load = dict.fromkeys(sorted(set(auditors)), 0)
    second: dict[str, str] = {}
    for place in sorted(int(i) for i in chosen):
        free = [name for name in load if name != first[place]]
        name = min(free, key=lambda candidate: (load[candidate], candidate))
        load[name] += 1
        second[surveys[place]] = name
    return second
