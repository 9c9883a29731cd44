"""The pages' templates: HTML with Jinja2 macros, as the components that Dash shows.

A macro of `NAME.html` is a piece of a page; filled in, its tags become components. Tags are HTML's, and `input`,
`radioitems`, `checklist`, `link`, `interval`, `store`, `location` are Dash's own. An attribute that begins with a colon
holds JSON. All that is filled in is escaped, and hidden characters in it are shown by number.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from functools import cache
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

from dash import dcc, html
from dash.development.base_component import Component
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from camlog.cams import short
from camlog.cams import title as cam_title
from camlog.messages import FILTERS
from camlog.report.words import CONDITION_WORDS, state_of
from camlog.serve.names import address
from camlog.sinks.words import clock_text, kind_text
from camlog.unknown import UNKNOWN
from camlog.visible import visible

_DASH = {"input": dcc.Input, "radioitems": dcc.RadioItems, "checklist": dcc.Checklist, "link": dcc.Link,
         "interval": dcc.Interval, "store": dcc.Store, "location": dcc.Location}  # fmt: skip
# HTMLParser gives attributes in lower case.
_PROPERTIES = {"class": "className", "maxlength": "maxLength", "storage_type": "storage_type"}
_VOID = ("img", "input", "radioitems", "checklist", "interval", "store", "location")
# A state has a sign of its own, so that its colour need not be seen.
SIGNS = {"good": "✓", "bad": "!", "unknown": UNKNOWN}


class Template:
    """The macros of a template by name: each gives its components, the one `layout` of a page the page."""

    def __init__(self, name: str):
        self._name = name

    def __getattr__(self, macro: str) -> Callable[..., list]:
        return lambda *values, **named: components(getattr(_environment().get_template(self._name).module, macro)(*values, **named))


def components(text: str) -> list:
    """The components (and texts between them) that an HTML text describes."""
    builder = _Builder(convert_charrefs=True)
    builder.feed(text)
    builder.close()
    return builder.open[0][1]


class _Builder(HTMLParser):
    def __init__(self, **options: Any):
        super().__init__(**options)
        self.open: list[tuple[tuple[type[Component], dict[str, Any]] | None, list]] = [(None, [])]

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        kind = _DASH.get(tag) or getattr(html, tag.capitalize())
        self.open.append(((kind, dict(map(_property, attributes))), []))
        if tag in _VOID:
            self.handle_endtag(tag)

    def handle_endtag(self, tag: str) -> None:
        (kind, properties), children = self.open.pop()
        if tag not in _VOID:
            # Dash wants one text as a text, not as a list of one.
            properties["children"] = children[0] if len(children) == 1 and isinstance(children[0], str) else children
        self.open[-1][1].append(kind(**properties))

    def handle_data(self, text: str) -> None:
        if text.strip() or "\n" not in text:
            self.open[-1][1].append(re.sub(r"\s+", " ", text))


def _property(attribute: tuple[str, str | None]) -> tuple[str, Any]:
    name, value = attribute
    if name.startswith(":"):
        return _PROPERTIES.get(name[1:], name[1:]), json.loads(value or "null")
    return _PROPERTIES.get(name, name), True if value is None else value


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True, finalize=lambda value: visible(value) if type(value) is str else "" if value is None else value,
    )  # fmt: skip
    environment.filters |= FILTERS | {"clock": clock_text, "kind": kind_text, "cam": short, "cam_title": cam_title, "state": state_of}
    environment.globals |= {"shown": shown, "address": address, "signs": SIGNS, "conditions": CONDITION_WORDS}
    return environment


def shown(text: str, longest: int = 200) -> Markup:
    """Somebody's text: hidden characters made visible, its direction kept to itself, cut where it is long."""
    return Markup("<bdi>{}</bdi>").format(visible(text if len(text) <= longest else text[:longest] + " …"))
