"""Colors, hatches and names shared by every plot.

The colors step in lightness as well as hue, and every filled area also carries a hatch and a direct label,
so that a photocopy or a color-blind reader loses nothing. All of them are made for light paper.
"""

from __future__ import annotations

from typing import Final

INK: Final = "#1c2421"
QUIET: Final = "#56615b"
RULE: Final = "#c5cdc7"
MIST: Final = "#e9eeea"
PAPER: Final = "#ffffff"
ACCENT: Final = "#1f6349"
SECOND: Final = "#a4501f"

# Width of a chart, inches: a column of a report on A4, so that print need not shrink its words.
CHART_IN: Final = 3.4

# The same on dark paper, for a picture file that a page shows in a dark color scheme.
DARK: Final = {
    INK: "#eef3ea",
    QUIET: "#b4c1b6",
    RULE: "#3d4a41",
    MIST: "#2a362d",
    PAPER: "#1a231c",
    ACCENT: "#8fd6ab",
    SECOND: "#ffb27a",
}

# word for people, fill, hatch
FormStyle = tuple[str, str, str]
_NEEDLE: Final = ("#2b5f48", "///")
_SHORT: Final = ("#7fa48f", "\\\\\\")
_SCALE: Final = ("#b9cfc2", "xxx")
_LEAF: Final = ("#c8893c", "")
_LEAFLET: Final = ("#ecd2a0", "---")
# Forms of foliage, then parts that a tree sheds, by the names the model gives them.
FORM_STYLE: Final[dict[str, FormStyle]] = {
    "long_needle": ("long needles", *_NEEDLE),
    "short_needle": ("short needles", *_SHORT),
    "scale_leaf": ("scale-leaf sprays", *_SCALE),
    "broad_leaf": ("broad leaves", *_LEAF),
    "small_leaflet": ("small leaflets", *_LEAFLET),
    "needle": ("needles", *_NEEDLE),
    "bundle": ("needle bundles", "#3f7a9b", "--"),
    "spray": ("scale-leaf sprays", *_SCALE),
    "leaf": ("leaves", *_LEAF),
    "leaflet": ("leaflets", *_LEAFLET),
    "catkin": ("catkins", "#d8dcc0", "|||"),
    "flower": ("flowers", "#d8dcc0", "|||"),
    "samara": ("winged seeds", "#9db7c9", "++"),
    "seed": ("seeds", "#6f93ab", "||"),
    "acorn": ("acorns", "#7a4b24", "\\\\"),
    "cone": ("cones", "#5a3c22", "xx"),
    "twig": ("twigs", "#8d8f8c", "+++"),
}
# Hatches are lines only: dots and circles would make a drawing a hundred times larger.
_SPARE: Final = (("#9aa7b0", "--"), ("#cfd6da", "\\\\"), ("#6d7780", "++"), ("#e3e0d4", "xx"))


def form_style(form: str, position: int = 0) -> FormStyle:
    """Word, fill and hatch of a litter form; one without a style gets a spare gray by ``position``."""
    known = FORM_STYLE.get(form)
    if known is not None:
        return known
    fill, hatch = _SPARE[position % len(_SPARE)]
    return form.replace("_", " "), fill, hatch
