"""A small SVG canvas: a frame with two scaled axes, nothing that knows statistics.

Pictures take the page's own ink (``currentColor``), so they read in light and dark and on paper; shapes and
dashes, never colour alone, tell things apart. No style attributes: the pages' content policy forbids them.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Final

__all__ = ["ALARM", "Canvas", "svg"]

ALARM: Final = "#c0392b"
_FONT: Final = 'font-family="system-ui, sans-serif" font-size="12" fill="currentColor"'


def svg(width: float, height: float, title: str, description: str, parts: Sequence[str]) -> str:
    """A whole picture, with a title and description for those who cannot see it."""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" width="{width:g}" '
        f'height="{height:g}" role="img" aria-label="{escape(title)}. {escape(description)}">'
        f"<title>{escape(title)}</title><desc>{escape(description)}</desc>" + "".join(parts) + "</svg>"
    )


class Canvas:
    """A plotting frame. ``x`` and ``y`` are the data ranges; pixels are worked out here and nowhere else."""

    def __init__(
        self, x: tuple[float, float], y: tuple[float, float], width: float = 560, height: float = 240
    ) -> None:
        self.width, self.height = width, height
        self._x, self._y = _open(x), _open(y)
        self._left, self._right, self._top, self._bottom = 64.0, width - 24, 14.0, height - 42
        self.parts: list[str] = []

    def px(self, x: float) -> float:
        """Pixel across of a value."""
        low, high = self._x
        return self._left + (x - low) / (high - low) * (self._right - self._left)

    def py(self, y: float) -> float:
        """Pixel down of a value."""
        low, high = self._y
        return self._bottom - (y - low) / (high - low) * (self._bottom - self._top)

    def axes(
        self,
        x_ticks: Sequence[tuple[float, str]],
        y_ticks: Sequence[tuple[float, str]],
        x_label: str,
        y_label: str,
    ) -> None:
        """Ticks with their words, faint lines across, and what each axis shows."""
        for value, words in y_ticks:
            y = self.py(value)
            self._path(f"M{self._left:.1f} {y:.1f}H{self._right:.1f}", 'opacity="0.15"')
            self._text(self._left - 6, y + 4, words, "end")
        for value, words in x_ticks:
            self._path(f"M{self.px(value):.1f} {self._bottom:.1f}v4")
            self._text(self.px(value), self._bottom + 17, words, "middle")
        self._path(f"M{self._left:.1f} {self._bottom:.1f}H{self._right:.1f}")
        self._text((self._left + self._right) / 2, self.height - 8, x_label, "middle")
        half = (self._top + self._bottom) / 2
        self._text(13, half, y_label, "middle", f'transform="rotate(-90 13 {half:.1f})"')

    def _path(self, path: str, more: str = "") -> None:
        self.parts.append(f'<path d="{path}" stroke="currentColor" {more}/>')

    def _text(self, x: float, y: float, words: str, anchor: str, more: str = "") -> None:
        self.parts.append(
            f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" {_FONT} {more}>{escape(words)}</text>'
        )

    def line(self, points: Sequence[tuple[float, float]], *, dash: str = "", weight: float = 2) -> None:
        """A line through data points."""
        if points:
            path = "L".join(f"{self.px(x):.1f} {self.py(y):.1f}" for x, y in points)
            dashed = f' stroke-dasharray="{dash}"' if dash else ""
            self.parts.append(
                f'<path d="M{path}" fill="none" stroke="currentColor" stroke-width="{weight:g}"{dashed}/>'
            )

    def band(self, points: Sequence[tuple[float, float, float]]) -> None:
        """A faint band between a low and a high value; each point is (x, low, high)."""
        if points:
            there = [f"{self.px(x):.1f} {self.py(high):.1f}" for x, _, high in points]
            back = [f"{self.px(x):.1f} {self.py(low):.1f}" for x, low, _ in reversed(points)]
            self.parts.append(f'<path d="M{"L".join(there + back)}Z" fill="currentColor" opacity="0.14"/>')

    def whisker(self, x: float, low: float, high: float) -> None:
        """An upright interval."""
        self.parts.append(
            f'<path d="M{self.px(x):.1f} {self.py(low):.1f}V{self.py(high):.1f}" stroke="currentColor" '
            'stroke-width="1.5"/>'
        )

    def dot(self, x: float, y: float, radius: float = 3.5) -> None:
        """A filled dot."""
        self.parts.append(
            f'<circle cx="{self.px(x):.1f}" cy="{self.py(y):.1f}" r="{radius:g}" fill="currentColor"/>'
        )

    def flag(self, x: float, words: str) -> None:
        """An upright dashed line with a triangle on top: something happened here."""
        at = self.px(x)
        self.parts.append(
            f'<path d="M{at:.1f} {self._top:.1f}V{self._bottom:.1f}" stroke="{ALARM}" stroke-width="1.5" '
            f'stroke-dasharray="4 3"/><path d="M{at - 6:.1f} {self._top - 8:.1f}h12l-6 9z" fill="{ALARM}">'
            f"<title>{escape(words)}</title></path>"
        )

    def done(self, title: str, description: str) -> str:
        """The finished picture."""
        return svg(self.width, self.height, title, description, self.parts)


def _open(limits: tuple[float, float]) -> tuple[float, float]:
    low, high = limits
    return (low, high) if high > low else (low - 0.5, low + 0.5)
