"""The pages' templates: HTML with Jinja2 macros.

All inserted text is escaped, and hidden characters in it are shown by number.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from camlog.cams import cam_of, short
from camlog.cams import title as cam_title
from camlog.messages import FILTERS
from camlog.numbers import UNKNOWN
from camlog.places import dashboards_folder
from camlog.report.words import CONDITION_WORDS, state_of
from camlog.serve.names import address
from camlog.signals import title_of
from camlog.sinks.words import clock_text, kind_text
from camlog.visible import visible

# Every state has its own sign, so that colour is not the only difference.
SIGNS = {"good": "✓", "bad": "!", "unknown": UNKNOWN}
Pieces = dict[str, Markup]
Sent = Mapping[str, str]  # the fields of a page by name


class Template:
    """The macros of a template by name; each returns its HTML, `layout` the whole page."""

    def __init__(self, name: str):
        self._name = name

    def __getattr__(self, macro: str) -> Any:
        return getattr(_environment().get_template(self._name).module, macro)


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=FileSystemLoader([Path(__file__).parent, dashboards_folder()]), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
        finalize=lambda value: visible(value) if type(value) is str else "" if value is None else value,
    )  # fmt: skip
    environment.filters.update(FILTERS)
    environment.filters.update(clock=clock_text, kind=kind_text, cam=short, cam_title=cam_title, state=state_of)
    environment.filters.update(cam_of=cam_of, signal=title_of)
    environment.globals.update(shown=shown, address=address, digest=digest, signs=SIGNS, conditions=CONDITION_WORDS)
    return environment


def digest(text: str) -> str:
    """A digest of the content of a part."""
    return hashlib.sha256(text.encode("utf-8", "replace")).hexdigest()[:16]


def shown(text: str | None, longest: int = 200) -> Markup:
    """A person's text with hidden characters made visible and its direction isolated, cut if too long."""
    text = text or ""
    return Markup("<bdi>{}</bdi>").format(visible(text if len(text) <= longest else text[:longest] + " …"))


PIECES = Template("pieces.html")
