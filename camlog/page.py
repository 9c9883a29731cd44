"""The page base: fills templates of `dashboards/` into one HTML text that needs no network and runs only its own
scripts.

Everything a template prints is escaped; control, invisible and direction-changing characters are made visible. A
content security policy with the hash of each script prevents any other script from running and anything from being
loaded."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from camlog.drive import finite
from camlog.messages import FILTERS
from camlog.new_files import write_text
from camlog.places import dashboards_folder
from camlog.visible import visible


def _finalize(value: Any) -> Any:
    if isinstance(value, Markup):
        return value
    if value is None:
        return ""
    return visible(value) if isinstance(value, str) else value


def json_block(value: Any) -> Markup:
    """`value` as JSON for a `<script type="application/json">` block; nothing in it can end the block."""
    options: dict[str, Any] = {"ensure_ascii": True, "allow_nan": False, "separators": (",", ":")}
    try:
        text = json.dumps(value, **options)
    except ValueError:  # a scale may be infinite for impossible values; the chart then finds its own
        text = json.dumps(finite(value), **options)
    return Markup(text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026"))


@lru_cache(maxsize=4)
def _environment(folder: Path) -> Environment:
    environment = Environment(
        loader=FileSystemLoader(folder), autoescape=True, finalize=_finalize, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    environment.filters |= {**FILTERS, "json_block": json_block}
    return environment


@lru_cache(maxsize=16)
def _hash(script: str) -> str:
    return "'sha256-" + base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest()).decode() + "'"


def content_policy(scripts: Sequence[str]) -> str:
    """A content security policy that allows exactly these inline scripts, inline styles and pictures made here."""
    allowed = " ".join(_hash(s) for s in scripts) or "'none'"
    return (
        f"default-src 'none'; script-src {allowed}; style-src 'unsafe-inline'; img-src data: blob:; "
        "connect-src 'none'; form-action 'none'; base-uri 'none'"
    )


def shipped_text(name: str) -> str:
    """A text file of `dashboards/`, unchanged."""
    return (dashboards_folder() / name).read_text(encoding="utf-8")


def render_page(template_name: str, *, simulated: str = "", scripts: Sequence[str] = (), **context: Any) -> str:
    """Fill a template of `dashboards/` that extends `page.html` (blocks title, head, content).

    `scripts` are JavaScript texts, put at the end of the page in that order; no other script runs. A template gets
    `**context`, `simulated` (a remark on simulated recordings), `version`, the style sheet, and the filter
    `json_block`. Values are escaped unless they are markupsafe.Markup. Raises jinja2.UndefinedError if the template
    uses an undefined name.
    """
    from camlog import __version__

    template = _environment(dashboards_folder()).get_template(template_name)
    return template.render(
        version=__version__, style=Markup(shipped_text("style.css")), policy=content_policy(scripts),
        simulated=simulated, scripts=[Markup(s) for s in scripts], **context,
    )  # fmt: skip


def write_page(text: str, path: str | Path, *, replace: bool = True) -> None:
    """Write a page, completely or not at all. Raises InputError if it exists and `replace` is not set."""
    write_text(text, path, replace=replace)
