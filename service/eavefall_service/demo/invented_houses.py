"""The houses of an invented office: streets, trees, what a rep writes down, takes of photos, and its logo."""

from __future__ import annotations

import io
import random
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import resources
from typing import Any, Final

from PIL import Image, ImageChops, ImageDraw, ImageEnhance, ImageOps

from eavefall_model.vocabulary import Foliage, Form, Shows

_PHONES: Final = ("Field phone A", "Field phone B", "Office tablet")
_STREETS: Final = (
    "Larkspur Bend", "Tumble Creek", "Juniper Hollow", "Old Kiln Road", "Sparrow Hill", "Quarry Loop",
    "Mill Pond Lane", "Copperleaf Court", "Fernwater Way", "Haymeadow Rise",
)  # fmt: skip
_SIDES: Final = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")


@dataclass(frozen=True)
class InventedTree:
    """A kind of tree: what the rep writes down, its photos and what they were taken of, what they show."""

    name: str
    fields: dict[str, str]
    photos: tuple[tuple[str, Shows], ...]
    foliage: tuple[Foliage, ...]
    form: Form


_PINES: Final = InventedTree(
    "Pines",
    {"count": "3", "height": "60 ft", "crown_radius": "11 ft"},
    (("back-pines", "tree"), ("pine-branch", "closeup")),
    ("needle",),
    "long_needle",
)
_OAK: Final = InventedTree(
    "Oak",
    {"species": "Quercus rubra", "height": "50 ft", "crown_radius": "18 ft"},
    (("front-oak", "tree"),),
    ("broad",),
    "broad_leaf",
)
_MAPLE: Final = InventedTree(
    "Maple",
    {"species": "Acer rubrum", "height": "45 ft", "crown_radius": "14 ft"},
    (("winter-maple", "tree"),),
    ("bare",),
    "broad_leaf",
)
STANDS: Final[tuple[tuple[InventedTree, ...], ...]] = (
    (_PINES,), (_PINES, _OAK), (_OAK,), (_OAK, _MAPLE), (_MAPLE,),
)  # fmt: skip


def house_name(pick: random.Random) -> str:
    """An address that says that it is invented."""
    return f"{pick.randrange(2, 98)} {pick.choice(_STREETS)} (invented)"


def house_document(pick: random.Random, stand: Sequence[InventedTree]) -> dict[str, Any]:
    """A house among these trees, as ``eavefall.survey/1`` takes it; every number is made up."""
    side = pick.choice(_SIDES)
    opposite = _SIDES[(_SIDES.index(side) + 4) % 8]
    faces = (("Back", side), ("Front", opposite))
    eaves = [
        {
            "name": name,
            "length": f"{pick.randrange(24, 64, 2)} ft",
            "height": f"{pick.choice((9, 10, 11, 18))} ft",
            "roof_run": f"{pick.randrange(10, 18)} ft",
            "pitch": f"{pick.choice((4, 5, 6, 8))}/12",
            "facing": facing,
            "roof": pick.choice(("shingle", "metal", "tile")),
            "gutter": {"profile": "k_style", "width": '5"', "condition": pick.choice(("sound", "worn"))},
            "downspout": {"outlets": 2, "shape": "rectangular", "size": '2"', "size_2": '3"'},
        }
        for name, facing in faces
    ]
    trees = [
        {
            "name": tree.name,
            "distance": f"{pick.choice((4, 8, 12, 20, 35, 60))} ft",
            "bearing": faces[place % 2][1],
            "eave": faces[place % 2][0],
            **tree.fields,
        }
        for place, tree in enumerate(stand)
    ]
    household = {"cleanings_per_year": 1, "accepts_brushing": True, "ladder_reach": pick.random() < 0.5}
    note = "Invented for the demo; the photos are rendered."
    return {"trees": trees, "eaves": eaves, "household": household, "note": note}


def photo_take(pick: random.Random, file: str) -> tuple[str, bytes]:
    """One of a few takes of a rendered photo: mirrored, lighter or darker, by one phone or another.

    The first of the two names its pixels: takes that differ in the phone alone have the same.
    """
    place = resources.files("eavefall_service").joinpath("demo", "photos", f"{file}.jpg")
    with Image.open(io.BytesIO(place.read_bytes())) as opened:
        image = opened.convert("RGB")
    mirrored, brightness = pick.random() < 0.5, pick.choice((0.2, 1.0, 1.0, 1.0, 1.1))
    if file == "needles-card":
        mirrored, brightness = False, 1.0
    if mirrored:
        image = ImageOps.mirror(image)
    image = ImageEnhance.Brightness(image).enhance(brightness)
    exif = Image.Exif()
    exif[0x0110] = pick.choice(_PHONES)
    out = io.BytesIO()
    image.save(out, "JPEG", quality=88, exif=exif)
    return f"{file} {mirrored} {brightness}", out.getvalue()


def drawn_logo() -> bytes:
    """The invented office's logo as a JPEG: a leaf above a gutter."""
    image = Image.new("RGB", (720, 480), "white")
    draw = ImageDraw.Draw(image)
    # Two arcs of one circle each make a leaf; what lies outside of both stays white.
    leaf = Image.new("L", image.size, 0)
    ImageDraw.Draw(leaf).ellipse((190, -150, 590, 250), fill=255)
    other = Image.new("L", image.size, 0)
    ImageDraw.Draw(other).ellipse((130, 30, 530, 430), fill=255)
    image.paste("#4f8a3c", mask=ImageChops.multiply(leaf, other))
    draw.line((480, 60, 210, 260), fill="white", width=12)
    draw.polygon(((110, 290), (610, 290), (560, 420), (160, 420)), fill="#2b5f75")
    out = io.BytesIO()
    image.resize((240, 160), Image.Resampling.LANCZOS).save(out, "JPEG", quality=90)
    return out.getvalue()
