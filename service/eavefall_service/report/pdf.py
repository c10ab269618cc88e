"""The report as a tagged PDF: the same document as the HTML, laid out by Typst."""

from __future__ import annotations

import base64
import io
import json
import subprocess
import sys
from collections.abc import Mapping
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any, Final, Literal

import matplotlib
from PIL import Image

from eavefall_model.errors import EavefallError
from eavefall_model.vocabulary import Units
from eavefall_service.plots.canvas import plot_svg
from eavefall_service.plots.tidy import printable
from eavefall_service.report.document import Figure, Picture, Pictures, ReportDocument

Paper = Literal["letter", "a4"]
_PAPERS: Final[dict[Paper, str]] = {"letter": "us-letter", "a4": "a4"}
# A report takes some seconds; a busy machine gets a minute and a half. Judgement.
LAYOUT_S: Final = 90.0
_TEMPLATE: Final = "report.typ"


def paper_of(units: Units) -> Paper:
    """Letter for an office that measures in feet, A4 for any other."""
    return "letter" if units == "us" else "a4"


@cache
def _template() -> str:
    return resources.files("eavefall_service.report").joinpath("templates", _TEMPLATE).read_text("utf-8")


def _jpeg_svg(jpeg: bytes) -> str:
    with Image.open(io.BytesIO(jpeg)) as image:  # our own: nothing in it needs checking again
        width_px, height_px = image.size
    return _photo_svg(Picture("logo", "", "", jpeg, width_px, height_px))


def _photo_svg(picture: Picture) -> str:
    # Typst takes the files of a page as text; the JPEG bytes inside reach the PDF as they are.
    data = base64.b64encode(picture.jpeg).decode("ascii")
    size = f'width="{picture.width_px}" height="{picture.height_px}"'
    image = f'<image {size} href="data:image/jpeg;base64,{data}"/>'
    return f'<svg xmlns="http://www.w3.org/2000/svg" {size}>{image}</svg>'


def _files(doc: ReportDocument) -> dict[str, str]:
    """Every picture and drawing by the name under which the template asks for it."""
    files: dict[str, str] = {}
    if doc.letterhead.logo:
        files["logo.svg"] = _jpeg_svg(doc.letterhead.logo)
    for section in doc.sections:
        for block in section.blocks:
            if isinstance(block, Figure):
                files[f"{block.key}.svg"] = plot_svg(block.plot, block.key)
            elif isinstance(block, Pictures):
                files |= {f"photo-{at}.svg": _photo_svg(one) for at, one in enumerate(block.pictures)}
    return files


def _plain(value: Any) -> Any:
    """The document as JSON; a drawing is its title, size and words, a photo all but its bytes."""
    if isinstance(value, Figure):
        plot = value.plot
        size = {"alt": printable(plot.alt), "width_in": plot.size_in[0]}
        return {"kind": "Figure", "key": value.key, "caption": printable(value.caption), **size}
    if isinstance(value, Picture):
        return {
            **{name: printable(getattr(value, name)) for name in ("caption", "alt", "label")},
            "shape": value.width_px / value.height_px,
        }  # fmt: skip
    if isinstance(value, str):
        return printable(value)
    if isinstance(value, bytes):
        return bool(value)
    if isinstance(value, Mapping):
        return dict(value)
    if isinstance(value, tuple):
        return [_plain(each) for each in value]
    if hasattr(value, "__dataclass_fields__"):
        fields = {name: _plain(getattr(value, name)) for name in value.__dataclass_fields__}
        return {"kind": type(value).__name__, **fields}
    return value


def _stopped() -> EavefallError:
    return EavefallError(
        "server-busy",
        "The report was not laid out: it took too long, or was stopped for want of memory.",
        "Try again in a minute; the report as a web page needs less.",
    )


def render_pdf(doc: ReportDocument, paper: Paper = "letter") -> bytes:
    """PDF bytes by PDF/UA-1, on ``letter`` or ``a4``; equal documents give equal bytes.

    Raises ``server-busy`` if the layout is stopped from outside, or takes longer than :data:`LAYOUT_S`.
    """
    inputs = {
        "doc": json.dumps(_plain(doc)),
        "head": json.dumps(_plain(doc.letterhead)),
        "paper": _PAPERS[paper],
    }
    order = {
        "template": _template(),
        "inputs": inputs | _files(doc),
        "fonts": str(Path(matplotlib.get_data_path(), "fonts", "ttf")),
    }
    # Isolated, since a folder of ours has names of the standard library.
    command = [sys.executable, "-I", str(Path(__file__).with_name("typesetting.py"))]
    sent = json.dumps(order).encode()
    try:
        told = subprocess.run(command, input=sent, capture_output=True, check=False, timeout=LAYOUT_S)
    except subprocess.TimeoutExpired as error:  # it is killed by then
        raise _stopped() from error
    if told.returncode < 0:  # by a signal: the kernel's, for want of memory, or somebody's
        raise _stopped()
    if told.returncode:
        raise RuntimeError(f"the report could not be laid out: {told.stderr.decode(errors='replace')[-500:]}")
    return told.stdout
