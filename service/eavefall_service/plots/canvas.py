"""From a plot to an SVG string or PNG bytes: the only place that touches matplotlib's settings."""

from __future__ import annotations

import io
import threading
import warnings
from typing import Any, Final, Protocol

import matplotlib
from matplotlib.figure import Figure

from eavefall_service.plots.palette import DARK, INK, QUIET, RULE
from eavefall_service.plots.tidy import tidy_svg

# matplotlib reads its settings from one process-wide table and is not thread-safe, so drawings take turns.
_TURN: Final = threading.Lock()
_SETTINGS: Final[dict[Any, Any]] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "eavefall",
    "path.simplify": False,
    # A dollar sign in a name is a dollar sign.
    "text.parse_math": False,
    # No word smaller than 9 pt: drawings are printed at the size they are drawn.
    "font.family": "DejaVu Sans",
    "font.size": 9.0,
    "axes.edgecolor": QUIET,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.8,
    "axes.titlesize": 9.0,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "xtick.color": QUIET,
    "ytick.color": QUIET,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.labelsize": 9.0,
    "ytick.labelsize": 9.0,
    "text.color": INK,
    "grid.color": RULE,
    "grid.linewidth": 0.6,
    "hatch.linewidth": 0.7,
    "legend.frameon": False,
    "legend.fontsize": 9.0,
}


# A point of the drawing on a screen: 9 pt words come out at 13.5 px.
_LARGER: Final = 1.5


class Plot(Protocol):
    """Frozen figures that know how to draw themselves on an empty figure, and what they show in words."""

    @property
    def title(self) -> str:
        """A heading."""

    @property
    def alt(self) -> str:
        """What the drawing shows, for someone who cannot see it."""

    @property
    def size_in(self) -> tuple[float, float]:
        """Width and height in inches."""

    def draw(self, figure: Figure) -> None:
        """Draw; nothing is measured or decided here."""


def _figure(plot: Plot) -> Figure:
    figure = Figure(figsize=plot.size_in, layout="constrained")
    plot.draw(figure)
    return figure


def plot_svg(plot: Plot, prefix: str) -> str:
    """An accessible, self-contained ``<svg>`` element; equal plots give equal strings.

    ``prefix`` is put before every id so that several drawings can share a page.
    """
    out = io.StringIO()
    with _TURN, matplotlib.rc_context(_SETTINGS), warnings.catch_warnings():
        # The reader's own fonts may have what ours lacks; and the remark would spell a name out in the log.
        warnings.filterwarnings("ignore", "Glyph ", UserWarning)
        nothing: dict[str, Any] = {"Date": None, "Creator": None, "Type": None}
        _figure(plot).savefig(out, format="svg", transparent=True, metadata=nothing)
    return tidy_svg(out.getvalue(), prefix, plot.title, plot.alt)


def picture_svg(plot: Plot) -> str:
    """A whole SVG file for an ``<img>``: it has its own size and follows the reader's color scheme."""
    width, height = (round(72 * side) for side in plot.size_in)
    rules = "".join(
        f'[fill="{light}"]{{fill:{dark}}}[stroke="{light}"]{{stroke:{dark}}}' for light, dark in DARK.items()
    )
    style = f"<style>@media (prefers-color-scheme: dark) {{{rules}}}</style>"
    head, body = plot_svg(plot, "chart").split(">", 1)
    return f'{head} width="{width * _LARGER:g}" height="{height * _LARGER:g}">{style}{body}'
