"""Guard kinds from a data file an office can copy and change: openings offered, surface, material, notes."""

from __future__ import annotations

from functools import cache, cached_property
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Final, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from eavefall_model.data_file import read_data_file, read_office_text, text_digest
from eavefall_model.errors import RulesError
from eavefall_model.screens import open_area
from eavefall_model.screens.classes import fineness_class
from eavefall_model.screens.passage import OpeningShape
from eavefall_model.vocabulary import FinenessClass, GuardKind, Mark

Mm = Annotated[float, Field(gt=0, le=500)]
_NEEDS: Final = {
    "square": ("opening_mm", "wire_mm"),
    "mesh": ("mesh_per_inch", "wire_mm"),
    "round60": ("hole_mm", "pitch_mm"),
    "round90": ("hole_mm", "pitch_mm"),
    "diamond": ("strand_mm", "short_way_mm"),
    "slot": ("slot_mm", "cover_run_mm"),
}


class _Frozen(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Offer(_Frozen):
    """One opening on offer, as written in the file: the two lengths its ``shape`` needs."""

    name: Annotated[str, Field(min_length=1, max_length=80)]
    shape: Literal["square", "mesh", "round60", "round90", "diamond", "slot"]
    material: Annotated[str, Field(min_length=1)]
    noncombustible: bool
    # Plain numbers as written; which are needed depends on the shape. Read clear_mm and solid_mm instead.
    opening_mm: Mm | None = None
    mesh_per_inch: Mm | None = None
    wire_mm: Mm | None = None
    hole_mm: Mm | None = None
    pitch_mm: Mm | None = None
    strand_mm: Mm | None = None
    short_way_mm: Mm | None = None
    slot_mm: Mm | None = None
    cover_run_mm: Mm | None = None

    @model_validator(mode="after")
    def _lengths_fit_shape(self) -> Offer:
        given = {key for keys in _NEEDS.values() for key in keys if getattr(self, key) is not None}
        if given != set(_NEEDS[self.shape]):
            raise ValueError(f"shape {self.shape} needs exactly {' and '.join(_NEEDS[self.shape])}")
        try:
            _ = self.open_area
        except RulesError as error:
            raise ValueError(error.message.rstrip(".")) from None
        return self

    def _pair(self) -> tuple[float, float]:
        first, second = (getattr(self, key) for key in _NEEDS[self.shape])
        return float(first), float(second)

    @cached_property
    def clear_mm(self) -> float:
        """Clear opening: the largest ball that passes."""
        first, second = self._pair()
        if self.shape == "mesh":
            return open_area.opening_from_mesh_mm(first, second)
        return second - 2 * first if self.shape == "diamond" else first

    @cached_property
    def solid_mm(self) -> float:
        """Solid between openings, as :func:`eavefall_model.screens.passage.fates` wants for ``wire_mm``."""
        first, second = self._pair()
        if self.shape in ("round60", "round90"):
            return second - first
        return 2 * first if self.shape == "diamond" else second

    @cached_property
    def passage_shape(self) -> OpeningShape:
        """Shape for :func:`fates`; a diamond is taken as the square of its clear short way (judgement)."""
        return "square" if self.shape == "diamond" or self.shape == "mesh" else self.shape

    @cached_property
    def open_area(self) -> float:
        """Share of the face that is hole, by formula."""
        first, second = self._pair()
        if self.shape in ("square", "mesh"):
            return open_area.square_weave(self.clear_mm, second)
        formula = {
            "round60": open_area.perforated_round_60,
            "round90": open_area.perforated_round_straight,
            "diamond": open_area.expanded_metal,
            "slot": open_area.slot_share,
        }[self.shape]
        return formula(first, second)

    @cached_property
    def fineness_class(self) -> FinenessClass | None:
        """Class of the clear opening; ``None`` for a slot, which has a height and not a fineness."""
        return None if self.shape == "slot" else fineness_class(self.clear_mm)


class Surface(_Frozen):
    """How the guard lies and how well it lets go."""

    slope: Literal["roof", "level"]
    slope_deg: Annotated[float, Field(ge=0, le=60)] = 0.0
    roughness: Annotated[float, Field(ge=0, le=1)]

    def slope_at(self, pitch_deg: float) -> float:
        """Slope of the guard on a roof of ``pitch_deg``, degrees."""
        return pitch_deg if self.slope == "roof" else self.slope_deg


class Guard(_Frozen):
    """One guard kind. ``offers`` run coarse to fine and may be empty only for ``none``."""

    kind: GuardKind
    name: Annotated[str, Field(min_length=1, max_length=80)]
    surface: Surface
    note: str
    source: Annotated[str, Field(min_length=1)]
    mark: Mark
    offers: tuple[Offer, ...]

    @model_validator(mode="after")
    def _ordered(self) -> Guard:
        if (self.kind == "none") != (not self.offers):
            raise ValueError("every kind but none needs at least one offer, and none has no offers")
        clear = [offer.clear_mm for offer in self.offers]
        if clear != sorted(clear, reverse=True):
            raise ValueError("list the offers from the widest opening to the finest")
        return self


class Guards(_Frozen):
    """A whole guards file. ``digest`` is the SHA-256 of its text."""

    format: Literal["eavefall.guards/1"]
    guards: Annotated[tuple[Guard, ...], Field(min_length=2)]
    digest: str

    @field_validator("guards")
    @classmethod
    def _one_of_each(cls, guards: tuple[Guard, ...]) -> tuple[Guard, ...]:
        kinds = [guard.kind for guard in guards]
        if len(set(kinds)) != len(kinds):
            raise ValueError("two guards have the same kind")
        if "none" not in kinds:
            raise ValueError("kind none is missing; every comparison starts from it")
        return guards

    def of_kind(self, kind: GuardKind) -> Guard:
        """The guard of a kind.

        Raises
        ------
        RulesError
            ``rules-invalid`` when this file does not offer that kind.
        """
        for guard in self.guards:
            if guard.kind == kind:
                return guard
        raise RulesError("rules-invalid", f"The guards file has no kind {kind!r}.", "Add it to the file.")


def parse_guards(text: str, name: str = "guards.yaml") -> Guards:
    """Read a guards file.

    Raises
    ------
    RulesError
        ``rules-invalid`` naming the file, the line and the field.
    """
    return read_data_file(Guards, text, name, {"digest": text_digest(text)})


@cache
def _shipped() -> Guards:
    return parse_guards(files(__package__).joinpath("data", "guards.yaml").read_text(encoding="utf-8"))


def load_guards(path: Path | str | None = None) -> Guards:
    """The guards shipped with the package, or an office's own copy.

    Raises
    ------
    RulesError
        ``rules-invalid`` for a file that cannot be read or is not valid.
    """
    return _shipped() if path is None else parse_guards(read_office_text(path), Path(path).name)
