"""The report as one HTML file: inline drawings, pictures as data URIs, no script, nothing fetched."""

from __future__ import annotations

import base64
from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from eavefall_service.plots.canvas import plot_svg
from eavefall_service.report.document import Block, Figure, ReportDocument


def _drawing(figure: Figure) -> Markup:
    # Our own drawing, its texts already escaped by the XML writer.
    return Markup(plot_svg(figure.plot, figure.key))


def _data_uri(jpeg: bytes) -> str:
    return f"data:image/jpeg;base64,{base64.b64encode(jpeg).decode('ascii')}"


def _kind(block: Block) -> str:
    return type(block).__name__


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("eavefall_service.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {"drawing": _drawing, "data_uri": _data_uri, "kind": _kind}
    return environment


def render_html(doc: ReportDocument) -> str:
    """A self-contained page; equal documents give equal text."""
    return _environment().get_template("report.html.j2").render(doc=doc) + "\n"
