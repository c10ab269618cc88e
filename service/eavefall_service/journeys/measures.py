"""Measures taken on the spot go into the survey: what was typed or taken by a surer way stands.

A measure goes where there is none yet, or only one that is no surer; else it is told and not kept, unless the
person says that it shall take the other's place.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

from sqlalchemy.orm import Session

from eavefall_model.errors import ServiceError
from eavefall_model.survey import EaveTaken, TreeTaken
from eavefall_model.vocabulary import How
from eavefall_service.journeys import surveys
from eavefall_service.journeys.actor import Actor
from eavefall_service.storage.rows import SurveyRow

PartWithMeasures = Literal["trees", "eaves"]
MEASURES: Final[dict[PartWithMeasures, frozenset[str]]] = {
    "trees": frozenset(TreeTaken.model_fields),
    "eaves": frozenset(EaveTaken.model_fields),
}
_BEARINGS: Final = frozenset({"bearing", "facing"})
# What is no surer gives way. Judgement.
_SURE: Final[dict[How, int]] = {
    "typed": 3, "taped": 3, "photo": 2, "angle": 2, "paced": 2, "drawn": 1, "default": 0,
}  # fmt: skip


@dataclass(frozen=True)
class Measure:
    """One measure: ``value`` and ``sd`` with their units, as a survey holds them. ``field`` may also be
    ``eave``, the eave at which a tree stands."""

    part: PartWithMeasures
    name: str
    field: str
    value: str
    how: How
    sd: str | None = None


@dataclass(frozen=True)
class Kept:
    """What became of a measure: ``stands`` is the value that was kept instead, if it was not stored."""

    measure: Measure
    stands: str | None

    @property
    def is_stored(self) -> bool:
        """Whether the survey holds it now."""
        return self.stands is None


def keep_measures(
    session: Session,
    row: SurveyRow,
    actor: Actor,
    measures: Sequence[Measure],
    *,
    replace: bool = False,
    once: str | None = None,
) -> tuple[Kept, ...]:
    """Put measures into the survey; a tree or an eave of a new name is added.

    Raises
    ------
    ServiceError
        ``request-invalid`` for a field that no tree or eave has.
    SurveyError
        If the survey would not be sound; nothing is changed then.
    """
    kept: list[Kept] = []
    for part, name in dict.fromkeys((each.part, each.name) for each in measures):
        current = surveys.part_of(row, part, name)
        new: dict[str, Any] = {"name": name, **(current or {})}
        taken: dict[str, Any] = dict(new.get("taken", {}))
        for each in measures:
            if (each.part, each.name) != (part, name):
                continue
            if each.field not in MEASURES[part] and (part, each.field) != ("trees", "eave"):
                raise ServiceError("request-invalid", f"{each.field!r} is not measured of {part}.")
            if not (replace or _gives_way(new, taken, each)):
                kept.append(Kept(each, str(new[each.field])))
                continue
            new[each.field] = each.value
            if each.field in MEASURES[part]:
                taken.pop(each.field, None)
                if each.how != "typed":
                    taken[each.field] = {"how": each.how, **({"sd": each.sd} if each.sd else {})}
            kept.append(Kept(each, None))
        new["taken"] = taken
        if new != {"taken": {}, **(current or {})}:
            key = None if current is None else name
            surveys.put_part(session, row, actor, part, key, new, once and f"{once}.{name}"[:40])
    return tuple(kept)


def _gives_way(part: dict[str, Any], taken: dict[str, Any], new: Measure) -> bool:
    """Whether what stands in the part is no surer than the new measure."""
    if new.field not in part:
        return True
    if new.how == "drawn" and new.field in _BEARINGS | {"eave"}:
        return True  # the plan is the place to put a compass right
    stands: How = taken.get(new.field, {}).get("how", "typed")
    return _SURE[new.how] >= _SURE[stands]
