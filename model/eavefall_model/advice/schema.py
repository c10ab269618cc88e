"""What an assessment says: ``eavefall.advice/2``."""

from __future__ import annotations

from typing import Final, Literal

from pydantic import BaseModel, ConfigDict

from eavefall_model.house.reader import Assumed
from eavefall_model.house.tree_kinds import TreeKind
from eavefall_model.vocabulary import (
    ClassAnswer,
    Failure,
    FinenessClass,
    GuardKind,
    Mark,
    Value,
    Verdict,
    WeakestLink,
    WorthAnswer,
)

ADVICE_FORMAT: Final = "eavefall.advice/2"


class _Frozen(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Interval(_Frozen):
    """Months until the gutter or the screen surface needs cleaning: 10th, 50th and 90th percentile."""

    low: float
    typical: float
    high: float


class MarketOpening(_Frozen):
    """An opening that the trade sells: cloth, netting or sheet, never a product. ``open_area`` is a share."""

    kind: str
    designation: str
    opening_mm: float
    open_area: float


class Opening(_Frozen):
    """Clear opening that the class asks for, the nearest standard designations, and what can be had."""

    low_mm: float
    high_mm: float
    designation_iso: str
    designation_astm: str | None
    standard_sizes: tuple[str, ...] = ()
    on_market: tuple[MarketOpening, ...] = ()


class Figure(_Frozen):
    """One figure with its unit, as ``advice.say`` writes it for each reader; its label in plain words."""

    name: str
    label: str
    unit: str
    value: Value


class Said(_Frozen):
    """Something to say to estimator and owner: a template for each, with the figures that fill the braces.

    ``sentence`` is the estimator's, filled in the office's units; ``advice.say`` fills either for anybody.
    ``to_owner`` is ``None`` where the owner is told nothing.
    """

    sentence: str
    to_estimator: str
    to_owner: str | None
    figures: tuple[Figure, ...] = ()


class Reason(Said):
    """One rule that spoke: its id, what it says, where it comes from; ``figures`` also holds those tested.

    ``about`` names the eave, tree or guard kind it is about, if it is not the house.
    """

    rule: str
    source: str
    mark: Mark
    about: str | None = None


class MeasureNext(Said):
    """An uncertain input, worded as something to do, with the chance that knowing it changes the answer.

    ``by`` says who can: the owner from the ground, or somebody who visits. ``missing`` is false where it was
    measured and a second reading would help.
    """

    input: str
    by: Literal["owner", "visit"]
    missing: bool
    chance_changes_class: float
    chance_changes_interval: float


class FirstStep(Said):
    """What to find out before any class is named; ``code`` is a word for the step, or the input's key, ``by``
    who can, as in ``MeasureNext``."""

    code: str
    by: Literal["owner", "visit"]


class Flip(Said):
    """The nearest change of one input that changes the class."""

    input: str
    from_class: ClassAnswer
    to_class: ClassAnswer


class Caution(Said):
    """A safety or scope caution; ``topic`` is a word such as ``ladder``, ``power-line`` or ``old-paint``."""

    topic: str


class MonthlyLitter(_Frozen):
    """Litter reaching one eave in each calendar month, kg per meter of gutter, January first, by form."""

    form: str
    kg_per_m: tuple[float, ...]


class TimeToNeed(_Frozen):
    """Share of draws in which cleaning is due by each month (0 to 24), for one guard kind."""

    months: tuple[float, ...]
    share: tuple[float, ...]


class GuardVerdict(_Frozen):
    """One guard kind at this house, side by side with the others.

    ``visits_per_year`` is the plan of whole visits, at the ends of the months ``clean_in``.
    """

    kind: GuardKind
    verdict: Verdict
    rules: tuple[str, ...]
    opening_mm: float | None
    interval_months: Interval
    clean_in: tuple[int, ...]
    visits_per_year: float = 0.0
    failure: Failure
    passes_share: float
    stays_share: float
    time_to_need: TimeToNeed


class WaterCheck(Said):
    """Does the rain still get in: demand and capacities in L/s, and the margin of the weakest link."""

    demand_l_s: float
    gutter_l_s: float
    outlet_l_s: float
    inlet_l_s: float | None
    weakest: WeakestLink
    margin: float


class TakeOff(_Frozen):
    """Material for one eave: meters with waste, pieces, and a price range that is not a quote."""

    guard_m: float
    gutter_m: float
    waste_share: float
    corners: int
    ends: int
    outlets: int
    price_low: float | None = None
    price_high: float | None = None
    currency: str | None = None
    note: str = ""


class EaveAdvice(_Frozen):
    """Figures for one eave."""

    eave: str
    fineness_class: ClassAnswer
    opening_mm: Opening | None
    interval_months: Interval
    interval_unguarded_months: Interval
    clean_in: tuple[int, ...]
    litter_kg_per_m_year: Interval
    litter_by_month: tuple[MonthlyLitter, ...]
    trees: tuple[str, ...]
    water: WaterCheck
    take_off: TakeOff


class Worth(Said):
    """Whether a guard is worth it at all, however fine: the second answer.

    ``chance`` is how likely the open gutter asks for more than the owner accepts; ``patience_known`` whether
    the owner has said how much that is; ``gain`` the typical wait with the guard over the wait without.
    """

    answer: WorthAnswer
    chance: float
    patience_known: bool
    guard: GuardKind | None
    gain: float | None


class Question(Said):
    """Two things in the survey that cannot well both be true; both are used as typed until it is settled.

    ``code`` names the kind of question, ``about`` the tree or eave, ``fields`` the survey's fields it is
    about.
    """

    code: str
    about: str
    fields: tuple[str, ...]


class Past(Said):
    """What the gutter's own past says, against what the trees alone would: months at the 10th, 50th, 90th
    percentile."""

    eave: str
    trees_alone_months: Interval
    told_months: Interval


class Provenance(_Frozen):
    """What made this advice."""

    package: str
    rules: str
    model: str
    tables: str
    seed: int
    draws: int


class Advice(_Frozen):
    """The answer for one survey. The same survey, photos and versions give the same bytes.

    Two answers, always both: ``if_guarded`` is how fine a guard must be if one goes on, ``worth`` whether it
    is worth it. ``fineness_class`` puts them together: no guard needed where it is not worth it.
    ``plan`` says what to put in the calendar, ``range_said`` what of the range could be narrowed by
    measuring and what could not.
    """

    format: Literal["eavefall.advice/2"] = ADVICE_FORMAT
    survey: str
    fineness_class: ClassAnswer
    class_probability: dict[str, float]
    opening_mm: Opening | None
    interval_months: Interval
    interval_unguarded_months: Interval
    clean_in: tuple[int, ...]
    recommended_guard: GuardKind | None
    if_guarded: FinenessClass | Literal["unsure"] = "unsure"
    opening_if_guarded_mm: Opening | None = None
    worth: Worth | None = None
    plan: Said | None = None
    range_said: Said | None = None
    past: Past | None = None
    questions: tuple[Question, ...] = ()
    eaves: tuple[EaveAdvice, ...]
    guards: tuple[GuardVerdict, ...]
    reasons: tuple[Reason, ...]
    assumed: tuple[Assumed, ...]
    measure_next: tuple[MeasureNext, ...]
    flips: tuple[Flip, ...]
    cautions: tuple[Caution, ...]
    find_out_first: tuple[FirstStep, ...] = ()
    trees: tuple[TreeKind, ...] = ()
    failed_photos: tuple[str, ...] = ()
    check_photos: tuple[str, ...] = ()
    provenance: Provenance
