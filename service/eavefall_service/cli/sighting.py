"""``eavefall height``, ``eavefall bearing`` and ``eavefall rain``: what a phone and a table tell."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from eavefall_model.errors import SightingError
from eavefall_model.photo import decode
from eavefall_model.sighting.angles import height_from_angles
from eavefall_model.sighting.bearing import true_bearing
from eavefall_model.sighting.measured import Measured, usual_sd_m
from eavefall_model.sighting.picture import Camera, Upright, known_thing, measure_uprights
from eavefall_model.units import parse_length_m
from eavefall_model.vocabulary import How
from eavefall_model.water.design_rain import shipped_rains
from eavefall_service.cli.console import console
from eavefall_service.walk import photo_bytes

_SAFETY = (
    "Stand still while you look at the screen; mind traffic and slopes; nothing from a ladder or a roof."
)

height = typer.Typer(no_args_is_help=True, help="Heights of trees and eaves from the ground.")


def register(app: typer.Typer) -> None:
    """Add the commands to ``app``."""
    app.add_typer(height, name="height")
    app.command()(bearing)
    app.command()(rain)


@height.command("angles")
def angles(
    distance: Annotated[str, typer.Option(help="Level distance to the tree or wall, such as '40 ft'.")],
    top: Annotated[list[float], typer.Option(help="Angle to the top, degrees; give it several times.")],
    base: Annotated[list[float], typer.Option(help="Angle to the base, below eye level negative.")],
    paced: Annotated[bool, typer.Option("--paced", help="The distance was paced, not taped.")] = False,
) -> None:
    """Height from a phone's tilt held to the eye, by the tangent method."""
    how: How = "paced" if paced else "taped"
    meters = parse_length_m(distance)
    _tell("Height", height_from_angles(Measured(meters, usual_sd_m(how, meters) or 0.0, how), top, base))
    console().print(_SAFETY)


@height.command("photo")
def photo(
    photo: Annotated[Path, typer.Argument(help="A photo of the house, taken square to the wall.")],
    reference: Annotated[
        str, typer.Option(help="Pixels of top and foot of what has the known height: 'x,y,x,y'.")
    ],
    thing: Annotated[
        list[str], typer.Option(help="The same of what is wanted: 'x,y,x,y'; give it several times.")
    ],
    known: Annotated[
        str,
        typer.Option(help="What the reference is: door, 'garage door', or its height such as '6 ft 8 in'."),
    ] = "door",
) -> None:
    """Heights, and level distances between neighbors, from one photo with something of known height in it."""
    picture = decode(photo_bytes(photo), name=str(photo), fit_px=64)
    camera = Camera.from_exif(picture.width_px, picture.height_px, picture.focal_35mm)
    thing_known, ends = known_thing(known, parse_length_m), _upright(reference)
    found = measure_uprights(
        camera,
        replace(ends, lower_m=thing_known.lower_m, lower_sd_m=thing_known.lower_sd_m),
        thing_known.height,
        [_upright(each) for each in thing],
    )
    for number, each in enumerate(found.heights, 1):
        _tell(f"Height of {number}", each)
    for number, each in enumerate(found.widths, 1):
        _tell(f"From {number} to {number + 1}", each)
    console().print(_SAFETY)


def bearing(
    compass: Annotated[float, typer.Option(help="What the phone's compass shows, degrees.")],
    latitude: Annotated[float, typer.Option(help="Degrees, north positive.")],
    longitude: Annotated[float, typer.Option(help="Degrees, east positive.")],
    year: Annotated[float, typer.Option(help="With its part, such as 2026.9.")],
) -> None:
    """True bearing from a magnetic compass, by the World Magnetic Model."""
    found = true_bearing(compass, latitude, longitude, year)
    turned = f"declination {found.declination_deg:+.1f} deg"
    console().print(f"Bearing: {found.true_deg:.0f} ± {found.sd_deg:.0f} deg ({turned})")


def rain(
    state: Annotated[str, typer.Argument(help="Postal code, such as AL.")],
) -> None:
    """Design rain of a state's listed cities: coarse, for where the local code has not been looked up."""
    rains = shipped_rains()
    place = rains.named(state)
    for each in rains.cities:
        if each.state == place.state:
            console().print(
                f"{each.city}: {each.intensity_in_h:g} in/h, {each.duration_min:g} min, "
                f"{each.return_period_y:g}-year ({each.mark})"
            )
    console().print("The local code comes first; gutters are often sized for 5 minutes, about twice as hard.")


def _upright(text: str) -> Upright:
    try:
        left, top, right, foot = (float(each) for each in text.split(","))
    except ValueError:
        raise SightingError(
            "sighting-no-reading", f"{text!r} is not four numbers.", "Write top and foot as 'x,y,x,y'."
        ) from None
    return Upright((left, top), (right, foot))


def _tell(what: str, found: Measured) -> None:
    feet = found.value_m / 0.3048
    console().print(f"{what}: {found.value_m:.2f} ± {found.sd_m:.2f} m ({feet:.1f} ft)")
