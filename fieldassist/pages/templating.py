"""The templates of all pages, and where they and the style sheets are."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import jinja2

HERE = Path(__file__).resolve().parent
STATIC = HERE / "static"


@cache
def templates() -> jinja2.Environment:
    """Return the template environment; everything put into a template is escaped."""
    return jinja2.Environment(
        loader=jinja2.FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
