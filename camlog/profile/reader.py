"""Read a vehicle profile (TOML, schema `camlog.vehicle/1`), key by key; an error names file, line, key and remedy."""

from __future__ import annotations

import difflib
import hashlib
import re
import tomllib
from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from camlog.cams import cam_of
from camlog.errors import InputError, check_saved
from camlog.profile import fields
from camlog.profile.checks import check_profile
from camlog.profile.fields import SCHEMA
from camlog.profile.lines import key_lines
from camlog.profile.model import Cam, Engine, VehicleProfile
from camlog.profile.scaling import SignalDefinition
from camlog.signals import SIGNALS, unit_of

DEMO = Path(__file__).with_name("demo.toml")
TEMPLATE = Path(__file__).with_name("template.toml")
MAX_FILE_BYTES = 1_000_000


def read_profile(path: str | Path, known_limits: Collection[str] | None = None) -> VehicleProfile:
    """Read and check a vehicle profile; `"demo"` is the invented one that camlog ships.

    `known_limits` are the names `[limits]` may override; by default those of
    `camlog.limits`. Raises InputError with file, line, key and remedy.
    """
    path = DEMO if str(path) == "demo" else Path(path)
    content = _content(path)
    text = _text(content, path)
    raw, lines = _parse(text, path)
    reader = _Reader(path, raw, lines, known_limits)
    return reader.profile(hashlib.sha256(content).hexdigest())


def _content(path: Path) -> bytes:
    check_saved(path)
    try:
        with open(path, "rb") as file:
            content = file.read(MAX_FILE_BYTES + 1)
    except OSError as error:
        raise InputError(
            f"cannot be read ({error.strerror})",
            file=path,
            remedy="Check the path, or start a profile with `camlog vehicle new FILE`.",
        ) from error
    if len(content) > MAX_FILE_BYTES:
        raise InputError(
            "is too large to be a vehicle profile", file=path, remedy="Check which file is meant."
        )
    return content


def _text(content: bytes, path: Path) -> str:
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise InputError("is not UTF-8 text", file=path, line=line, remedy="Save it as UTF-8.") from error


def _parse(text: str, path: Path) -> tuple[dict[str, Any], dict[tuple, int]]:
    try:
        return tomllib.loads(text), key_lines(text)
    except (ValueError, RecursionError) as error:
        place = re.search(r" \(at (?:line (\d+), column \d+|end of document)\)", str(error))
        line = None
        reason = str(error)
        if place:
            line = int(place.group(1)) if place.group(1) else text.rstrip("\n").count("\n") + 1
            reason = reason[: place.start()]
        raise InputError(
            f"is not valid TOML: {reason[:1].lower()}{reason[1:]}",
            file=path,
            line=line,
            remedy="Write key = value, with text in quotes; `camlog vehicle new FILE` makes an example.",
        ) from error


class _Reader:
    """One reading of one file: what was parsed, and where each key stands."""

    def __init__(
        self,
        path: Path,
        raw: Mapping[str, Any],
        lines: Mapping[tuple, int],
        known_limits: Collection[str] | None,
    ):
        self.path = path
        self.raw = raw
        self.lines = lines
        self.known_limits = known_limits

    def error(self, where: tuple, what: str, remedy: str) -> InputError:
        """An error at a key; the line is that of the nearest enclosing key that the file has."""
        line = next(
            (self.lines[where[:n]] for n in range(len(where), 0, -1) if where[:n] in self.lines), None
        )
        key = ".".join(str(part) for part in where if not isinstance(part, int))
        return InputError(what, file=self.path, line=line, column=key or None, remedy=remedy)

    def unknown(self, where: tuple, known: Iterable[str], kind: str) -> InputError:
        known = list(known)
        name = str(where[-1])
        near = difflib.get_close_matches(name, known, n=1, cutoff=0.6)
        remedy = f"Did you mean {near[0]}?" if near else f"Known here: {', '.join(known)}."
        return self.error(where, f"unknown {kind}", remedy)

    def profile(self, sha256: str) -> VehicleProfile:
        for key in self.raw:
            if key not in fields.TOP_LEVEL:
                raise self.unknown((key,), fields.TOP_LEVEL, "key or table")
        if "schema" not in self.raw:
            raise InputError(
                "is not a vehicle profile: it has no schema",
                file=self.path,
                line=1,
                column="schema",
                remedy=f'Put schema = "{SCHEMA}" on the first line.',
            )
        if self.raw["schema"] != SCHEMA:
            raise self.error(
                ("schema",), f"unknown schema {_shown(self.raw['schema'])}", f'This version reads "{SCHEMA}".'
            )
        vehicle, engine, oil = (self.table((name,), name) for name in ("vehicle", "engine", "oil"))
        cams = [Cam(**self.table(where, "cam")) for where in self.array("cam")]
        rest = {cam.id: cam.rest_deg for cam in cams}
        definitions = [self.definition(where, rest) for where in self.array("signal")]
        profile = VehicleProfile(
            name=vehicle.get("name", self.path.stem),
            engine=Engine(**engine),
            oil_grade=self.oil_grade(oil),
            cams=tuple(cams),
            signals=tuple(definitions),
            limits=self.limits(),
            file=str(self.path),
            sha256=sha256,
        )
        return check_profile(profile, self.error)

    def oil_grade(self, oil: Mapping[str, Any]) -> str | None:
        if "grade" not in oil:
            return None
        from camlog.oil import (
            GRADES,
            grade,
        )  # with NumPy, which most readers of a profile need later or never

        try:
            return grade(oil["grade"]).name
        except InputError as error:
            raise self.error(
                ("oil", "grade"), f"unknown grade {_shown(oil['grade'])}", f"Known: {', '.join(GRADES)}."
            ) from error

    def array(self, name: str) -> list[tuple]:
        tables = self.raw.get(name, [])
        if not isinstance(tables, list):
            raise self.error((name,), "should be a list of tables", f"Write [[{name}]] with two brackets.")
        return [(name, index) for index in range(len(tables))]

    def table(self, where: tuple, name: str) -> dict[str, Any]:
        """The checked keys of one table; keys that the file leaves out are absent."""
        raw: Any = self.raw
        for part in where:
            raw = raw.get(part, {}) if isinstance(raw, Mapping) else raw[part]
        if not isinstance(raw, Mapping):
            brackets = f"[[{name}]]" if name in fields.ARRAYS else f"[{name}]"
            raise self.error(where, "should be a table", f"Write {brackets} on a line, its keys below it.")
        known = fields.TABLES[name]
        found = {}
        for key, value in raw.items():
            if key not in known:
                raise self.unknown((*where, key), known, "key")
            if not known[key].accepts(value):
                raise self.error(
                    (*where, key), f"found {_shown(value)}", f"It should be {known[key].expected}."
                )
            found[key] = known[key].make(value)
        for key, field in known.items():
            if field.required and key not in found:
                raise self.error((*where, key), "is missing", f"It should be {field.expected}.")
        return found

    def definition(self, where: tuple, rest_deg: Mapping[str, float]) -> SignalDefinition:
        keys = self.table(where, "signal")
        name = keys["name"]
        if name not in SIGNALS:
            raise self.unknown_signal(where, name)
        keys.setdefault("service", fields.DEFAULT_SERVICE)
        keys.setdefault("unit", unit_of(name))
        definition = SignalDefinition(**keys)
        if not definition.is_cam_angle:
            return definition
        return replace(definition, rest_deg=rest_deg.get(cam_of(name), 0.0))

    def unknown_signal(self, where: tuple, name: str) -> InputError:
        near = difflib.get_close_matches(name, SIGNALS, n=1, cutoff=0.5)
        remedy = f"Did you mean {near[0]}?" if near else "`camlog vehicle new FILE` lists the names."
        return self.error((*where, "name"), f"unknown signal {_shown(name)}", remedy)

    def limits(self) -> dict[str, float]:
        raw = self.raw.get("limits", {})
        if not isinstance(raw, Mapping):
            raise self.error(("limits",), "should be a table", "Write [limits] on a line, its keys below it.")
        if not raw:
            return {}
        known = self.known_limits
        if known is None:
            # Only here, so that reading a profile without overrides does not load the analysis.
            from camlog.limits import LIMITS as known
        for key, value in raw.items():
            if key not in known:
                raise self.unknown(("limits", key), known, "limit")
            if not fields.PLAIN_NUMBER.accepts(value):
                raise self.error(
                    ("limits", key), f"found {_shown(value)}", f"It should be {fields.PLAIN_NUMBER.expected}."
                )
        return {key: float(value) for key, value in raw.items()}


def _shown(value: Any) -> str:
    """A value as the file writes it, cut where it is long."""
    if isinstance(value, str):
        text = f'"{value}"'
    elif isinstance(value, bool):
        text = str(value).lower()
    elif (
        isinstance(value, int) and value.bit_length() > 64
    ):  # Python refuses to write a very long one in decimal
        text = "a number of more than 64 bits"
    else:
        text = str(value)
    return text if len(text) <= 60 else text[:57] + "..."
