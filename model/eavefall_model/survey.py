"""The typed survey: what was seen and measured at one house, before anything is assumed.

Every field that can be left out is optional and stays ``None`` here; ``eavefall_model.house.house`` turns
``None`` into a stated default with a wide uncertainty and lists it under ``assumed``.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Annotated, Any, Final, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, PlainSerializer, model_validator

from eavefall_model.units import parse_bearing_deg, parse_intensity_mm_h, parse_length_m, parse_pitch_deg
from eavefall_model.vocabulary import (
    Condition,
    Covering,
    DownspoutShape,
    Foliage,
    Form,
    GuardKind,
    Hemisphere,
    How,
    Prevails,
    Profile,
    Shows,
)

SURVEY_FORMAT: Final = "eavefall.survey/1"


def _text(unit: str) -> PlainSerializer:
    # The shortest decimal that reads back to the same float, without an exponent.
    return PlainSerializer(
        lambda number: f"{Decimal(repr(number)):f} {unit}", return_type=str, when_used="json"
    )


Length = Annotated[
    float, BeforeValidator(parse_length_m, json_schema_input_type=str), Field(ge=0, le=500), _text("m")
]
# No gutter, outlet or downspout is wider than 24 in: a larger figure is a typing error.
SmallLength = Annotated[
    float, BeforeValidator(parse_length_m, json_schema_input_type=str), Field(ge=0, le=0.6096), _text("m")
]
Pitch = Annotated[float, BeforeValidator(parse_pitch_deg, json_schema_input_type=str | int), _text("deg")]
Bearing = Annotated[
    float, BeforeValidator(parse_bearing_deg, json_schema_input_type=str | float), _text("deg")
]
# Half a turn is not a bearing at all.
BearingSd = Annotated[
    float, BeforeValidator(parse_bearing_deg, json_schema_input_type=str | float), Field(le=180), _text("deg")
]
Intensity = Annotated[
    float,
    BeforeValidator(parse_intensity_mm_h, json_schema_input_type=str),
    Field(gt=0, le=1000),
    _text("mm/h"),
]
Name = Annotated[str, Field(min_length=1, max_length=80)]


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True, serialize_by_alias=True)


class PhotoRef(_Part):
    """One photo of the survey. ``of`` names the tree or eave it shows; ``None`` is the whole site."""

    file: Name
    of: Name | None = None
    shows: Shows = "tree"
    reference: Annotated[
        str | None, Field(description="card, coin:24.26, sheet, a4 or letter; k_style:5in")
    ] = None


class TakenLength(_Part):
    """How a length was taken, and its standard deviation where one was found out."""

    how: How
    sd_m: Length | None = Field(None, alias="sd")


class TakenBearing(_Part):
    """How a bearing was taken, and its standard deviation where one was found out."""

    how: How
    sd_deg: BearingSd | None = Field(None, alias="sd")


class TreeTaken(_Part):
    """How each measure of a tree was taken; one that is not named here was typed."""

    distance: TakenLength | None = None
    height: TakenLength | None = None
    crown_radius: TakenLength | None = None
    overhang: TakenLength | None = None
    bearing: TakenBearing | None = None


class EaveTaken(_Part):
    """How each measure of an eave was taken; one that is not named here was typed."""

    length: TakenLength | None = None
    height: TakenLength | None = None
    roof_run: TakenLength | None = None
    facing: TakenBearing | None = None


class Tree(_Part):
    """A tree, or ``count`` like trees standing together.

    ``distance`` is horizontal, trunk to the eave named in ``eave`` (or the nearest one); ``overhang`` is how
    far its crown reaches in over the roof past that eave; ``bearing`` points from the house to the tree.
    """

    name: Name
    count: Annotated[int, Field(ge=1, le=200)] = 1
    species: str | None = None
    form: Form | None = None
    foliage: Foliage | None = None
    distance_m: Length | None = Field(None, alias="distance")
    height_m: Length | None = Field(None, alias="height")
    crown_radius_m: Length | None = Field(None, alias="crown_radius")
    overhang_m: Length | None = Field(None, alias="overhang")
    bearing_deg: Bearing | None = Field(None, alias="bearing")
    eave: Name | None = None
    taken: TreeTaken | None = None


class Gutter(_Part):
    """The gutter on an eave. ``width`` is the top opening, front to back."""

    profile: Profile | None = None
    width_m: SmallLength | None = Field(None, alias="width")
    depth_m: SmallLength | None = Field(None, alias="depth")
    condition: Condition | None = None
    guard: GuardKind | None = None


class Downspout(_Part):
    """Outlets of one eave and the downspout under each: ``size`` is a diameter, or ``size`` by ``size_2``."""

    outlets: Annotated[int, Field(ge=1, le=40)] = 1
    shape: DownspoutShape | None = None
    size_m: SmallLength | None = Field(None, alias="size")
    size_2_m: SmallLength | None = Field(None, alias="size_2")


class Eave(_Part):
    """One straight run of gutter. ``facing`` is the compass direction one looks with the back to it."""

    name: Name
    length_m: Length | None = Field(None, alias="length")
    height_m: Length | None = Field(None, alias="height")
    roof_run_m: Length | None = Field(None, alias="roof_run")
    pitch_deg: Pitch | None = Field(None, alias="pitch")
    facing_deg: Bearing | None = Field(None, alias="facing")
    roof: Covering | None = None
    shaded_or_mossy: bool | None = None
    inside_corners: Annotated[int, Field(ge=0, le=20)] = 0
    outside_corners: Annotated[int, Field(ge=0, le=20)] = 0
    gutter: Gutter = Gutter()
    downspout: Downspout | None = None
    taken: EaveTaken | None = None


class Wind(_Part):
    """Prevailing wind: the direction it comes from, and how strongly it prevails."""

    from_deg: Bearing | None = Field(None, alias="from")
    prevails: Prevails | None = None


class Rain(_Part):
    """Design rain. Duration and return period are kept because tables differ twofold in them."""

    intensity_mm_h: Intensity | None = Field(None, alias="intensity")
    duration_min: Annotated[float, Field(gt=0, le=1440)] | None = None
    return_period_y: Annotated[float, Field(gt=0, le=1000)] | None = None
    source: Annotated[str, Field(max_length=200)] | None = None


class Place(_Part):
    """Where the house stands, as coarsely as design rain and magnetic declination need it."""

    state: Annotated[str, Field(pattern=r"^[A-Z]{2}$", description="postal code")]
    city: Name | None = None


class Household(_Part):
    """What the homeowner will put up with."""

    cleanings_per_year: Annotated[float, Field(ge=0, le=12)] | None = None
    accepts_brushing: bool | None = None
    ladder_reach: bool | None = None


class History(_Part):
    """What one gutter, or the house's worst one, has been through: seen or told, not measured.

    ``now_full_fifths`` is how full it is on the day of the survey, in fifths of its depth where it is
    fullest. Where a guard lies on it (the eave's ``gutter.guard``), ``now_covered_fifths`` is how much of
    the guard's face litter covers, the last cleaning and the cleanings a year are those of the guard, and
    ``overflowed`` says whether water ran over it.
    """

    last_cleaned_months_ago: Annotated[float, Field(ge=0, le=240)] | None = None
    now_full_fifths: Annotated[float, Field(ge=0, le=5)] | None = None
    now_covered_fifths: Annotated[float, Field(ge=0, le=5)] | None = None
    cleanings_per_year: Annotated[float, Field(ge=0, le=12)] | None = None
    overflowed: bool | None = None
    eave: Name | None = None


class DropTest(_Part):
    """Real needles dropped on a sample piece: of ``dropped``, ``passed`` went through, ``lodged`` stuck."""

    opening_mm: Annotated[float, Field(gt=0, le=50)]
    dropped: Annotated[int, Field(ge=1, le=10000)]
    passed: Annotated[int, Field(ge=0)]
    lodged: Annotated[int, Field(ge=0)] = 0
    tree: Name | None = None


class Prices(_Part):
    """The office's own prices per meter of guard and gutter; used only for a range, not a quote."""

    currency: Annotated[str, Field(min_length=1, max_length=8)] = "USD"
    guard_per_m: dict[GuardKind, tuple[float, float]] = {}
    gutter_per_m: tuple[float, float] | None = None
    visit: tuple[float, float] | None = None

    @model_validator(mode="after")
    def _low_first(self) -> Prices:
        ranges = [*self.guard_per_m.items(), ("gutter_per_m", self.gutter_per_m), ("visit", self.visit)]
        for name, given in ranges:
            if given is not None and not 0 <= given[0] <= given[1]:
                raise ValueError(f"{name}: give the low price first, then the high one, none below 0")
        return self


class Survey(_Part):
    """One house on one day."""

    format: Literal["eavefall.survey/1"] = SURVEY_FORMAT
    name: Name
    note: str | None = None
    month: Annotated[int, Field(ge=1, le=12)] | None = None
    hemisphere: Hemisphere = "north"
    photos: tuple[PhotoRef, ...] = ()
    trees: tuple[Tree, ...] = ()
    eaves: Annotated[tuple[Eave, ...], Field(min_length=1)]
    wind: Wind = Wind()
    rain: Rain = Rain()
    place: Place | None = None
    household: Household = Household()
    history: History = History()
    wildfire: bool | None = None
    drop_tests: tuple[DropTest, ...] = ()
    prices: Prices | None = None

    def dump(self) -> dict[str, Any]:
        """Plain data with units as text, which ``survey_io`` reads back to an equal survey."""
        return self.model_dump(mode="json", exclude_none=True)
