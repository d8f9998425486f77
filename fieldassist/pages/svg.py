"""A matplotlib figure as an inline, accessible SVG that needs no style sheet and no script."""

from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ET
from typing import Any

from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

_SVG = "http://www.w3.org/2000/svg"
_LINK = "{http://www.w3.org/1999/xlink}href"
_FONTS = "DejaVu Sans, Verdana, Arial, sans-serif"
_FONT = re.compile(r"^(?:(?P<weight>\d{3}|bold|normal)\s+)?(?P<size>[\d.]+)px\s+.*$")

INK = "#111111"
GREY = "#5a5a5a"
PALE = "#d9d9d9"
WIDE, NARROW = 7.6, 4.3
"""Widths of a picture in inches: for paper and large screens, and for a phone, where type must not shrink."""
SETTINGS: dict[Any, Any] = {
    "svg.fonttype": "none",  # text stays text: it can be searched, read aloud and scaled
    "svg.hashsalt": "fieldassist",  # the same session gives the same file
    "font.family": "DejaVu Sans",
    "font.size": 11.0,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "xtick.color": INK,
    "ytick.color": INK,
    "text.color": INK,
    "hatch.linewidth": 0.8,
}
"""matplotlib settings under which figures are made."""


def inline(figure: Figure, name: str, title: str, description: str) -> str:
    """Return the figure as an `<svg>` element with title and description.

    `name` (letters, digits, dashes) is put before every id, so that several pictures fit in one page. Style
    attributes become presentation attributes, which a strict Content-Security-Policy allows.
    """
    FigureCanvasSVG(figure)
    buffer = io.StringIO()
    figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    ET.register_namespace("", _SVG)
    root = ET.fromstring(buffer.getvalue())
    for parent in list(root.iter()):
        for child in list(parent):
            if child.tag.endswith(("}metadata", "}style")) or child.tag == f"{{{_SVG}}}title":
                parent.remove(child)
    for element in root.iter():
        element.tag = element.tag.replace(f"{{{_SVG}}}", "")
        _plain(element, name)
    width, height = root.attrib.pop("width").rstrip("pt"), root.attrib.pop("height").rstrip("pt")
    root.attrib.pop("version", None)
    root.set("viewBox", f"0 0 {width} {height}")
    root.set("class", f"picture {'narrow' if float(width) < 72 * (WIDE + NARROW) / 2 else 'wide'}")
    root.set("role", "img")
    root.set("aria-labelledby", f"{name}-title {name}-desc")
    for place, (tag, text) in enumerate((("title", title), ("desc", description))):
        told = ET.Element(tag, {"id": f"{name}-{tag}"})
        told.text = text
        root.insert(place, told)
    return ET.tostring(root, encoding="unicode")


def _plain(element: ET.Element, name: str) -> None:
    style = element.attrib.pop("style", "")
    for part in style.split(";"):
        key, colon, value = (text.strip() for text in part.partition(":"))
        if not colon:
            continue
        if key == "font":
            match = _FONT.match(value)
            if match:
                element.set("font-size", match["size"])
                element.set("font-family", _FONTS)
                if match["weight"] in ("bold", "700"):
                    element.set("font-weight", "bold")
        elif key == "font-family":
            element.set(key, _FONTS)
        elif key != "font-stretch":
            element.set(key, value.removesuffix("px"))
    for key, value in list(element.attrib.items()):
        if key == "id":
            element.set(key, f"{name}-{value}")
        elif key == _LINK:
            del element.attrib[key]
            element.set("href", value.replace("#", f"#{name}-", 1))
        elif "url(#" in value:
            element.set(key, value.replace("url(#", f"url(#{name}-"))
