"""Dashboard definitions: which charts a report shows, in what order, for which signals, cams and oil windows.

`dashboards/README.md` explains every key with a worked example. A file that is not right is refused with file,
line, key and what to do.
"""

from __future__ import annotations

import hashlib
import math
import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from camlog.errors import InputError
from camlog.oil_windows import WINDOW_WORDS
from camlog.places import dashboards_folder
from camlog.toml_lines import key_lines
from camlog.signals import CAM_IDS, SIGNALS, is_signal_name

SCHEMA = "camlog.dashboard/1"
USUAL = "test_drive"
MAX_FILE_BYTES = 200_000
MOST_CHARTS = 40
TABLES = ("causes", "figures", "codes", "coverage", "recording")
MISFIRES = "misfires"


@dataclass(frozen=True, slots=True)
class ChartKind:
    """A chart a dashboard may ask for: `per_cam`, and which further keys it takes."""

    question: str
    per_cam: bool = True
    keys: tuple[str, ...] = ("windows",)


KINDS: Mapping[str, ChartKind] = {
    "drive": ChartKind("What was the drive like?", False, ("signals", "from_s", "to_s")),
    "angles": ChartKind("Does the cam follow its command?", True, ("from_s", "to_s")),
    "closeup": ChartKind("Where is the verdict seen best?", True, ()),
    "follow": ChartKind("Where does the cam stand for each command?"),
    "steps": ChartKind("How does the cam answer a step?", True, ("windows", "seconds")),
    "oil": ChartKind("Does oil temperature change the response?"),
    "error": ChartKind("Is the error the same in every oil window?"),
    "hold": ChartKind("Does the cam hold still?"),
    "rest": ChartKind("Does the cam come to rest where it should?"),
    "cold_start": ChartKind("Does the cam stay locked when the engine starts?", True, ("seconds",)),
    "misfires": ChartKind("Do the misfires go with a cam?", False, ()),
}


@dataclass(frozen=True, slots=True)
class AskedChart:
    """One chart a dashboard asks for. `cams` and `windows` None: all there are; `from_s`, `to_s` the time shown first."""

    kind: str
    title: str = ""
    cams: tuple[str, ...] | None = None
    windows: tuple[str, ...] | None = None
    signals: tuple[str, ...] | None = None
    from_s: float | None = None
    to_s: float | None = None
    seconds: float | None = None


@dataclass(frozen=True, slots=True)
class Dashboard:
    """A dashboard as read; `first` is the chart of the first screen, `auto` the one that shows the verdict best.

    `remarks` are sentences for its owner about keys that will no longer be read some day.
    """

    name: str
    purpose: str
    charts: tuple[AskedChart, ...]
    tables: tuple[str, ...] = TABLES
    windows: tuple[str, ...] | None = None
    first: str = "auto"
    file: str = ""
    sha256: str = ""
    remarks: tuple[str, ...] = ()


def shipped() -> tuple[str, ...]:
    """Names of the dashboards that camlog ships."""
    return tuple(sorted(p.stem for p in dashboards_folder().glob("*.toml")))


def read_dashboard(which: str | Path | None = None) -> Dashboard:
    """Read a dashboard: a shipped one by name, a file by path, or without either the one for a test drive.

    Raises InputError with file, line, key and remedy.
    """
    name = USUAL if which is None else str(which)
    path = (
        dashboards_folder() / f"{name}.toml"
        if re.fullmatch(r"[a-z0-9_]+", name) and not Path(name).exists()
        else Path(name)
    )
    try:
        with open(path, "rb") as file:
            content = file.read(MAX_FILE_BYTES + 1)
    except OSError as error:
        known = ", ".join(shipped())
        raise InputError(
            f"no dashboard can be read there ({error.strerror})", file=name,
            remedy=f"Give the path of a dashboard file, or one of {known}.",
        ) from error  # fmt: skip
    if len(content) > MAX_FILE_BYTES:
        raise InputError("is too large to be a dashboard", file=path, remedy="Check which file is meant.")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise InputError("is not UTF-8 text", file=path, line=line, remedy="Save it as UTF-8.") from error
    try:
        raw, lines = tomllib.loads(text), key_lines(text)
    except (ValueError, RecursionError) as error:
        place = re.search(r" \(at (?:line (\d+)|end of document)", str(error))
        line = int(place[1]) if place and place[1] else text.rstrip("\n").count("\n") + 1 if place else None
        what = re.sub(r" \(at .*\)", "", str(error)) if place else "cannot be read"
        raise InputError(
            f"is not TOML: {what}",
            file=path,
            line=line,
            remedy="Text stands in double quotes, lists in brackets.",
        ) from error
    return _Reader(path, raw, lines).dashboard(hashlib.sha256(content).hexdigest())


def _is_text(value: Any) -> bool:
    return isinstance(value, str) and bool(value.strip()) and len(value) <= 300


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _list_of(words: tuple[str, ...]) -> tuple[str, Callable[[Any], bool]]:
    return f"a list of {', '.join(words)}", lambda v: _is_list(v) and all(w in words for w in v)


def _is_list(value: Any) -> bool:
    return (
        isinstance(value, list)
        and bool(value)
        and all(isinstance(w, str) for w in value)
        and len(set(value)) == len(value)
    )


_TEXT = ("text in quotes, up to 300 characters", _is_text)
_WINDOWS = _list_of(WINDOW_WORDS)
_TOP: Mapping[str, tuple[str, Callable[[Any], bool]]] = {
    "schema": (f'"{SCHEMA}"', lambda v: v == SCHEMA),
    "name": _TEXT,
    "purpose": _TEXT,
    "windows": _WINDOWS,
    "tables": (f"a list of {', '.join(TABLES)} (or empty)", lambda v: v == [] or _list_of(TABLES)[1](v)),
    "first": (
        "auto or a chart of one cam",
        lambda v: isinstance(v, str) and (v == "auto" or v in KINDS and KINDS[v].per_cam),
    ),
    "chart": (
        "one or more [[chart]] tables",
        lambda v: isinstance(v, list) and v and all(isinstance(p, dict) for p in v),
    ),
}
_CHART: Mapping[str, tuple[str, Callable[[Any], bool]]] = {
    "kind": ("one of " + ", ".join(KINDS), lambda v: isinstance(v, str) and v in KINDS),
    "title": _TEXT,
    "cams": _list_of(CAM_IDS),
    "windows": _WINDOWS,
    "signals": ("a list of signal names", lambda v: _is_list(v) and all(is_signal_name(n) for n in v)),
    "from_s": ("seconds, 0 or more", lambda v: _is_number(v) and v >= 0),
    "to_s": ("seconds, above 0", lambda v: _is_number(v) and v > 0),
    "seconds": ("seconds from 0.5 to 60", lambda v: _is_number(v) and 0.5 <= v <= 60),
}
# How these two keys were called before; still read, with a remark.
_FORMERLY = {"chart": "panel", "kind": "chart"}
_REQUIRED_TOP, _REQUIRED_CHART = ("schema", "name", "chart"), ("kind",)


class _Reader:
    def __init__(self, path: Path, raw: Mapping[str, Any], lines: Mapping[tuple, int]):
        self.path, self.raw, self.lines = path, raw, lines
        self.formerly = "panel" in raw and "chart" not in raw

    def error(self, what: str, where: tuple, remedy: str) -> InputError:
        key = ".".join(str(part + 1 if isinstance(part, int) else part) for part in where) or None
        line = self.lines.get(where) or self.lines.get(where[:-1]) or (1 if not where[:-1] else None)
        return InputError(what, file=self.path, line=line, column=key, remedy=remedy)

    def dashboard(self, sha256: str) -> Dashboard:
        self.check(self.raw, _TOP, _REQUIRED_TOP, ())
        key = self.key("chart")
        charts = self.raw[key]
        if len(charts) > MOST_CHARTS:
            raise self.error(
                f"has {len(charts)} charts",
                (key, MOST_CHARTS),
                f"A page holds up to {MOST_CHARTS}; make two dashboards.",
            )
        return Dashboard(
            name=self.raw["name"].strip(),
            purpose=self.raw.get("purpose", "").strip(),
            charts=tuple(self.chart(c, (key, i)) for i, c in enumerate(charts)),
            tables=tuple(self.raw.get("tables", TABLES)),
            windows=tuple(self.raw["windows"]) if "windows" in self.raw else None,
            first=self.raw.get("first", "auto"),
            file=self.path.name,
            sha256=sha256,
            remarks=(
                ("[[panel]] is called [[chart]] now, and chart in it kind; the old names are still read.",)
                if self.formerly
                else ()
            ),
        )

    def key(self, name: str) -> str:
        """How this file calls a key of today."""
        return _FORMERLY.get(name, name) if self.formerly else name

    def check(
        self, table: Mapping[str, Any], known: Mapping[str, Any], required: tuple[str, ...], where: tuple
    ) -> None:
        known, required = {self.key(k): v for k, v in known.items()}, [self.key(k) for k in required]
        for key, value in table.items():
            if key not in known:
                near = get_close_matches(key, known, n=1)
                raise self.error(
                    "is not a key of a dashboard", (*where, key),
                    f"Did you mean {near[0]}?" if near else "Known keys: " + ", ".join(known) + ".",
                )  # fmt: skip
            expected, accepts = known[key]
            if not accepts(value):
                raise self.error(f"should be {expected}", (*where, key), "Correct it, or leave the key out.")
        for key in required:
            if key not in table:
                raise self.error("is missing", (*where, key), f"Add {key}: {known[key][0]}.")

    def chart(self, table: Mapping[str, Any], where: tuple) -> AskedChart:
        self.check(table, _CHART, _REQUIRED_CHART, where)
        key = self.key("kind")
        kind = KINDS[table[key]]
        allowed = {key, "title", *kind.keys, *(["cams"] if kind.per_cam else [])}
        for other in table:
            if other not in allowed:
                raise self.error(
                    f"does not go with the chart {table[key]}", (*where, other),
                    f"Leave it out; this chart takes {', '.join(sorted(allowed - {key}))}.",
                )  # fmt: skip
        for i, name in enumerate(table.get("signals", ())):
            if name not in SIGNALS and name != MISFIRES:
                near = get_close_matches(name, [*SIGNALS, MISFIRES], n=1, cutoff=0.75)
                # A shop may record signals camlog does not know; one that nearly has a known name is a slip.
                if near:
                    raise self.error(
                        f"names no signal: {name}", (*where, "signals", i), f"Did you mean {near[0]}?"
                    )
        start, end = table.get("from_s"), table.get("to_s")
        if end is not None and end <= (start or 0.0):
            raise self.error("should be later than from_s", (*where, "to_s"), "Correct one of the two.")
        return AskedChart(
            kind=table[key],
            title=table.get("title", "").strip(),
            cams=tuple(table["cams"]) if "cams" in table else None,
            windows=tuple(table["windows"]) if "windows" in table else None,
            signals=tuple(table["signals"]) if "signals" in table else None,
            from_s=None if start is None else float(start),
            to_s=None if end is None else float(end),
            seconds=None if "seconds" not in table else float(table["seconds"]),
        )
