"""The rules file: settings and declarative rules, checked line by line, known by its hash."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from pathlib import Path as FilePath
from typing import Annotated, Any, Final, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from eavefall_model.advice.figures import FIGURES, Scope
from eavefall_model.advice.say import placeholders
from eavefall_model.data_file import read_data_file, read_office_text, text_digest
from eavefall_model.vocabulary import GuardKind, Mark, Verdict

Plain = bool | float | str
# Every setting the engine reads, with the range that makes sense.
SETTINGS: Final[Mapping[str, tuple[float, float]]] = {
    "safe_share": (0.01, 0.5),
    "matters_months": (6.0, 240.0),
    "pieces_per_m": (1.0, 1e6),
    "lets_in_share": (0.0, 1.0),
    "matters_g_m": (0.0, 1000.0),
    "widest_mm": (1.0, 50.0),
    "enter_tolerance": (0.001, 0.5),
    "cleanings_default": (0.1, 12.0),
    "fill_share": (0.05, 1.0),
    "bulk_density_kg_m3": (5.0, 200.0),
    "kept_share": (0.25, 0.8),
    "plug_diameters": (0.1, 20.0),
    "outlet_share": (0.0, 0.5),
    "blinded_limit": (0.1, 0.95),
    "blinding_load_kg_m2": (0.05, 5.0),
    "crumb_share": (0.0, 0.6),
    "curled_share": (0.0, 1.0),
    "mat_share": (0.0, 0.9),
    "thin_kind_share": (0.0, 1.0),
    "litter_reach_m": (0.5, 30.0),
    "slides_over_share": (0.0, 0.98),
    "worth_factor": (1.0, 10.0),
    "interval_ratio": (1.05, 3.0),
    "waste_share": (0.0, 0.5),
}
# Settings that came after the first offices had copied the file: a copy without them gets these values.
ADDED_SETTINGS: Final[Mapping[str, float]] = {"curled_share": 0.5}


class _Frozen(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Setting(_Frozen):
    """One number of the engine, with where it comes from."""

    value: float
    why: Annotated[str, Field(min_length=1)]
    mark: Mark


class Condition(_Frozen):
    """A test of one figure; all parts given must hold. An unknown figure fails every test but ``known``."""

    equals: Plain | None = None
    not_equals: Plain | None = None
    one_of: tuple[Plain, ...] | None = None
    at_least: float | None = None
    above: float | None = None
    at_most: float | None = None
    below: float | None = None
    known: bool | None = None

    def holds(self, value: Any) -> bool:
        """Whether a figure's value meets every part of the condition."""
        if self.known is not None and self.known != (value is not None):
            return False
        if value is None:
            return self.known is False
        tests = (
            self.equals is None or value == self.equals,
            self.not_equals is None or value != self.not_equals,
            self.one_of is None or value in self.one_of,
            self.at_least is None or value >= self.at_least,
            self.above is None or value > self.above,
            self.at_most is None or value <= self.at_most,
            self.below is None or value < self.below,
        )
        return all(tests)


class Effect(_Frozen):
    """What a rule does beside giving its reason; all optional."""

    verdict: Annotated[Verdict | None, Field(description="for rules about a guard")] = None
    guards: Annotated[dict[GuardKind, Verdict], Field(description="verdicts on named guards")] = {}
    opening_at_most_mm: Annotated[float | None, Field(gt=0, le=20)] = None
    answer: Annotated[
        Literal["unsure", "guard"] | None,
        Field(description="no class can be given yet, or a guard is needed anyway"),
    ] = None
    caution: Annotated[str | None, Field(description="show the sentence as a caution on this topic")] = None


class Rule(_Frozen):
    """If all of ``when`` hold, say ``sentence`` (``to_owner`` to the owner) and do ``effect``."""

    id: Annotated[str, Field(pattern=r"^[a-z][a-z0-9-]{2,60}$")]
    about: Scope
    when: dict[str, Condition] = {}
    sentence: Annotated[str, Field(min_length=8, max_length=500)]
    to_owner: Annotated[str | None, Field(min_length=8, max_length=500)] = None
    effect: Effect = Effect()
    precedence: Annotated[int, Field(ge=0, le=100)] = 50
    source: Annotated[str, Field(min_length=1)]
    mark: Mark

    @model_validator(mode="before")
    @classmethod
    def _short_conditions(cls, data: Any) -> Any:
        # "figure: value" is short for "figure: {equals: value}".
        if isinstance(data, dict) and isinstance(data.get("when"), dict):
            when = {
                key: value if isinstance(value, dict) else {"equals": value}
                for key, value in data["when"].items()
            }
            return {**data, "when": when}
        return data

    @model_validator(mode="after")
    def _figures_exist(self) -> Rule:
        known = {name for name, kind in FIGURES.items() if kind.of in ("house", self.about)}
        for name in (*self.when, *self.quotes(), *self.quotes_to_owner()):
            if name not in known:
                raise ValueError(
                    f"{name!r} is not a figure of a {self.about}; there are {', '.join(sorted(known))}"
                )
        if self.effect.verdict and self.about != "guard":
            raise ValueError("a verdict needs about: guard; name the guards under effect.guards instead")
        early = sorted(name for name, kind in FIGURES.items() if kind.on_survey)
        if self.effect.opening_at_most_mm and not self.when.keys() <= set(early):
            raise ValueError(f"opening_at_most_mm may only depend on {', '.join(early)}")
        return self

    def quotes(self) -> tuple[str, ...]:
        """Names of the figures in the sentence, in order."""
        return _quoted(self.sentence, "sentence")

    def quotes_to_owner(self) -> tuple[str, ...]:
        """Names of the figures in what is said to the owner, in order."""
        return _quoted(self.to_owner or "", "to_owner")


def _quoted(template: str, field: str) -> tuple[str, ...]:
    try:
        found = placeholders(template)
    except ValueError as error:
        raise ValueError(f"{field}: {error}") from None
    for name, manner in found:
        if manner and name in FIGURES and FIGURES[name].unit != "months":
            raise ValueError(f"{field}: only a wait can be said as {{{name}:{manner}}}")
    return tuple(dict.fromkeys(name for name, _ in found))


class RuleBook(_Frozen):
    """A whole rules file. ``digest`` is the SHA-256 of its text."""

    format: Literal["eavefall.rules/1"]
    settings: dict[str, Setting]
    rules: Annotated[tuple[Rule, ...], Field(min_length=1)]
    digest: str

    @model_validator(mode="after")
    def _complete(self) -> RuleBook:
        for name, (low, high) in SETTINGS.items():
            if name not in self.settings:
                if name in ADDED_SETTINGS:
                    continue
                raise ValueError(f"settings: {name} is missing")
            if not low <= self.settings[name].value <= high:
                raise ValueError(f"settings: {name} must lie between {low:g} and {high:g}")
        for name in self.settings:
            if name not in SETTINGS:
                raise ValueError(f"settings: {name} is not a setting")
        ids = [rule.id for rule in self.rules]
        twice = {name for name in ids if ids.count(name) > 1}
        if twice:
            raise ValueError(f"two rules are called {min(twice)}")
        return self

    def numbers(self) -> dict[str, float]:
        """The settings' values by name."""
        return {**ADDED_SETTINGS} | {name: setting.value for name, setting in self.settings.items()}


def parse_rules(text: str, name: str = "rules.yaml") -> RuleBook:
    """Read a rules file.

    Raises
    ------
    RulesError
        ``rules-invalid`` naming the file, the line and the field.
    """
    return read_data_file(RuleBook, text, name, {"digest": text_digest(text)})


@cache
def _shipped() -> RuleBook:
    return parse_rules(files(__package__).joinpath("rules.yaml").read_text(encoding="utf-8"))


def load_rules(path: FilePath | str | None = None) -> RuleBook:
    """The rules shipped with the package, or an office's own copy.

    Raises
    ------
    RulesError
        ``rules-invalid`` for a file that cannot be read or is not valid.
    """
    if path is None:
        return _shipped()
    return parse_rules(read_office_text(path), FilePath(path).name)
