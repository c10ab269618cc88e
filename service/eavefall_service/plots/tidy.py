"""Matplotlib's SVG made fit for a page: small, deterministic, accessible, free of style attributes.

Style attributes become presentation attributes, so that a strict Content-Security-Policy keeps the drawing;
ids get a prefix, so that several drawings live in one document.
"""

from __future__ import annotations

import re
from typing import Final
from xml.etree import ElementTree as ET

_SVG: Final = "{http://www.w3.org/2000/svg}"
_HREF: Final = "{http://www.w3.org/1999/xlink}href"
_LONG_NUMBER: Final = re.compile(r"-?\d+\.\d{3,}")
_REFERENCE: Final = re.compile(r"url\(#([^)]+)\)")
_GEOMETRY: Final = ("d", "x", "y", "x1", "x2", "y1", "y2", "transform", "points", "width", "height")
# font shorthand as matplotlib writes it: [style] [weight] 9px 'A', 'B', sans-serif
_FONT: Final = re.compile(
    r"^(?:(italic|oblique)\s+)?(?:(\d{3}|bold|normal)\s+)?(?:[a-z-]+\s+)*?([\d.]+px)\s+(.*)$"
)
_FAMILY: Final = "system-ui, 'Helvetica Neue', Arial, 'DejaVu Sans', sans-serif"


# No character of XML 1.0 (its production 2), not allowed in a text of PDF/UA-1, or a control nobody sees.
_UNSEEN: Final = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff\ufeff\ufdd0-\ufdef"
    + "".join(f"{chr(plane + 0xFFFE)}{chr(plane + 0xFFFF)}" for plane in range(0, 0x110000, 0x10000))
    + "]"
)


def printable(text: str) -> str:
    """The text without what is no character on paper: controls, byte order marks, noncharacters."""
    return _UNSEEN.sub("", text)


def _short(match: re.Match[str]) -> str:
    # Two decimals of a point are finer than a printer dot, and hide last-digit noise between platforms.
    text = f"{float(match[0]):.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _attributes(style: str) -> dict[str, str]:
    found: dict[str, str] = {}
    for rule in style.split(";"):
        name, _, value = (part.strip() for part in rule.partition(":"))
        if not value:
            continue
        if name == "font":
            font = _FONT.match(value)
            if font is not None:
                if font[1]:
                    found["font-style"] = font[1]
                if font[2]:
                    found["font-weight"] = font[2]
                found["font-size"] = font[3]
            continue
        if name != "font-family":
            found[name] = _LONG_NUMBER.sub(_short, value)
    return found


def _walk(node: ET.Element, prefix: str, used: set[str]) -> None:
    for child in list(node):
        if child.tag in (f"{_SVG}metadata", f"{_SVG}style"):
            node.remove(child)
            continue
        _walk(child, prefix, used)
    for name, value in _attributes(node.attrib.pop("style", "")).items():
        node.set(name, value)
    for name, value in list(node.attrib.items()):
        if name in _GEOMETRY:
            value = " ".join(_LONG_NUMBER.sub(_short, value).split())
        for target in _REFERENCE.findall(value):
            used.add(target)
        value = _REFERENCE.sub(rf"url(#{prefix}-\1)", value)
        if name == _HREF:
            used.add(value[1:])
            del node.attrib[name]
            name, value = "xlink:href", f"#{prefix}-{value[1:]}"
        node.set(name, value)
    node.tag = node.tag.removeprefix(_SVG)
    # Indentation between elements carries no meaning outside text.
    if node.tag not in ("text", "tspan") and node.text is not None and not node.text.strip():
        node.text = None
    node.tail = None


def tidy_svg(svg: str, prefix: str, title: str, description: str) -> str:
    """A self-contained ``<svg>`` element with ``role="img"``, a title and a description.

    Parameters
    ----------
    svg : str
        What matplotlib's SVG backend wrote.
    prefix : str
        Put before every id; letters, digits and hyphens.
    title, description : str
        What a screen reader says; plain text, escaped here.
    """
    root = ET.fromstring(printable(svg))
    used: set[str] = set()
    _walk(root, prefix, used)
    for node in root.iter():
        ident = node.attrib.pop("id", None)
        if ident in used:
            node.set("id", f"{prefix}-{ident}")
    root.attrib.pop("width", None)
    root.attrib.pop("height", None)
    root.attrib.update(
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "xmlns:xlink": "http://www.w3.org/1999/xlink",
            "role": "img",
            "aria-labelledby": f"{prefix}-title {prefix}-desc",
            "font-family": _FAMILY,
            "stroke-linejoin": "round",
        }
    )
    for at, (tag, text) in enumerate((("title", title), ("desc", description))):
        label = ET.Element(tag, {"id": f"{prefix}-{tag}"})
        label.text = printable(text)
        root.insert(at, label)
    return ET.tostring(root, encoding="unicode")
