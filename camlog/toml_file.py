"""TOML files written by people (vehicle profiles, dashboards, mappings): reads and checks them key by key.

A schema is a plain dataclass whose fields are `Annotated[type, constraints, Expected("in words")]`; pydantic checks it.
`TomlFile.load` returns an instance, or raises InputError with file, line, key and remedy for the first error.
"""

from __future__ import annotations

import hashlib
import json
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, fields, is_dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Literal, TypeVar, get_args, get_origin, get_type_hints

from camlog.errors import InputError, check_saved
from camlog.messages import Messages, say
from camlog.toml_lines import Where, key_lines

Schema = TypeVar("Schema")


class Expected(str):
    """The expected value of a key, in words that complete "It should be …"."""


@dataclass(frozen=True)
class TomlFile:
    """A TOML file: `raw` is its content, `lines` the line (from 1) of each key, `sha256` that of its bytes. `kind` says

    in words what the file should be ("vehicle profile"); `example` how to get one to start from. With `numbered`, a key
    in a list of tables is named with its table's number from 1."""

    path: Path
    kind: str
    example: str
    raw: Mapping[str, Any]
    lines: Mapping[Where, int]
    sha256: str
    numbered: bool = False

    @classmethod
    def open(
        cls, path: str | Path, kind: str, example: str, max_bytes: int = 1_000_000, *, numbered: bool = False
    ) -> TomlFile:
        """Read a file. Raises InputError if it cannot be read, is too large, or is no UTF-8 or TOML."""
        path = Path(path)
        check_saved(path)
        try:
            with open(path, "rb") as file:
                content = file.read(max_bytes + 1)
        except OSError as error:
            raise say.error("toml_unreadable", path, reason=error.strerror, example=example) from error
        if len(content) > max_bytes:
            raise say.error("toml_too_large", path, kind=kind)
        try:
            text = content.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            line = content[: error.start].count(b"\n") + 1
            raise say.error("toml_not_utf8", path, line=line) from error
        try:
            raw, lines = tomllib.loads(text), key_lines(text)
        except (ValueError, RecursionError) as error:
            place = re.search(r" \(at (?:line (\d+), column \d+|end of document)\)", str(error))
            reason = str(error)[: place.start()] if place else str(error)
            at_line = int(place[1] or text.rstrip("\n").count("\n") + 1) if place else None
            reason = f"{reason[:1].lower()}{reason[1:]}"
            raise say.error("toml_invalid", path, line=at_line, reason=reason, example=example) from error
        return cls(path, kind, example, raw, lines, hashlib.sha256(content).hexdigest(), numbered)

    def error(self, where: Where, what: str, remedy: str) -> InputError:
        """An error at a key; the line is that of the nearest enclosing key in the file."""
        lines = (self.lines[where[:n]] for n in range(len(where), 0, -1) if where[:n] in self.lines)
        line = next(lines, 1 if len(where) == 1 else None)
        parts = [
            part if isinstance(part, str) else str(part + 1) for part in where if self.numbered or isinstance(part, str)
        ]
        key = ".".join(parts)
        return InputError(what, file=self.path, line=line, column=key or None, remedy=remedy)

    def refusal(self, say: Messages, where: Where, name: str, /, **values: Any) -> InputError:
        """The error `name` of a package's messages, at a key."""
        error = say.error(name, **values)
        return self.error(where, error.what, error.remedy)

    def unknown(self, where: Where, name: str, known: Iterable[str], what: str, otherwise: str = "") -> InputError:
        """The error for a name not among `known`. The remedy is the nearest name, else `otherwise`, else all of
        them."""
        known = list(known)
        suggestion = get_close_matches(name, known, n=1)
        remedy = f"Did you mean {suggestion[0]}?" if suggestion else otherwise or f"Known here: {', '.join(known)}."
        return self.error(where, what, remedy)

    def load(self, schema: type[Schema], version: str) -> Schema:
        """The file as an instance of `schema`; its key `schema` must be `version`. Raises InputError."""
        import pydantic

        if "schema" not in self.raw:
            raise say.error("toml_no_schema", self.path, line=1, column="schema", kind=self.kind, version=version)
        if self.raw["schema"] != version:
            raise self.error(
                ("schema",),
                f"unknown schema {shown(self.raw['schema'])}",
                f'Correct it: this version reads "{version}".',
            )
        config = pydantic.ConfigDict(strict=True, extra="forbid", allow_inf_nan=False, str_strip_whitespace=True)
        for table in (schema, *(t for hint in get_type_hints(schema).values() for t in _tables(hint))):
            table.__pydantic_config__ = config  # type: ignore[attr-defined]
        text = json.dumps(_plain(self.raw))  # strict checking accepts lists and tables only in JSON
        try:
            return pydantic.TypeAdapter(schema).validate_json(text, strict=True)
        except pydantic.ValidationError as error:
            problems = error.errors(include_url=False)
        places = [(self._where(problem["loc"], problem["type"]), problem["type"]) for problem in problems]
        # A missing key may be a misspelt one, so errors of present keys come first.
        raise self._wrong(*min(places, key=lambda w: (w[1] == "missing", self.error(w[0], "", "").line or 0)), schema)

    def _where(self, loc: Where, kind: str) -> Where:
        """A problem's place in the file: pydantic's `loc` without the names of the types it tried."""
        value: Any = self.raw
        for depth, part in enumerate(loc):
            try:
                value = value[part]
            except (KeyError, IndexError, TypeError):
                return loc if kind == "missing" else loc[:depth]
        return loc

    def _wrong(self, where: Where, kind: str, schema: type) -> InputError:
        """The InputError for a problem found by pydantic; `kind` is pydantic's name for it."""
        table, expected = _place(schema, where[:-1])[0], _place(schema, where)[1]
        if kind == "unexpected_keyword_argument":
            what = "unknown key" if len(where) > 1 else "unknown key or table"
            return self.unknown(where, str(where[-1]), keys_of(table), what)
        if kind == "missing" and isinstance(where[-1], str):
            return self.error(where, "is missing", f"Add {where[-1]}: {expected}.")
        name = str(where[0])
        if kind == "tuple_type" and _tables(get_type_hints(schema)[name]) and len(where) == 1:
            return self.error(where, "should be a list of tables", f"Write [[{name}]] with two brackets.")
        if kind in ("dataclass_type", "dict_type"):
            head = f"[[{name}]]" if len(where) > 1 else f"[{name}]"
            return self.error(where, "should be a table", f"Write {head} on a line, its keys below it.")
        while isinstance(where[-1], int):
            where = where[:-1]  # the key of the list that contains the fault
        value: Any = self.raw
        for part in where:
            value = value[part]
        return self.error(where, f"found {shown(value)}", f"Correct it: it should be {expected}.")


def keys_of(table: type) -> list[str]:
    return [f.name for f in fields(table)]


def _tables(annotation: Any) -> list[type]:
    """The dataclasses in an annotation, at any depth."""
    if isinstance(annotation, type) and is_dataclass(annotation):
        return [annotation]
    return [t for inner in get_args(annotation) for t in _tables(inner)]


def _place(schema: type, where: Where) -> tuple[type, str]:
    """The table of a schema that contains a key (or that `where` itself names), and the key's expected value."""
    table, expected = schema, ""
    for part in where:
        if isinstance(part, str):
            annotation = get_type_hints(table, include_extras=True).get(part, Any)
            expected = next(_expected(annotation), expected)
            table = next(iter(_tables(annotation)), table)
    return table, expected


def _expected(annotation: Any) -> Iterator[str]:
    """The expectations in an annotation, outer ones first; for `Literal` and int, made from the type itself."""
    of_key = getattr(annotation, "__metadata__", ())
    yield from (word for word in of_key if isinstance(word, Expected))
    if get_origin(annotation) is Literal:
        yield " or ".join(f'"{word}"' for word in get_args(annotation))
    if getattr(annotation, "__origin__", None) is int:
        bounds = [getattr(bound, end) for end in ("ge", "le") for bound in of_key if hasattr(bound, end)]
        yield "a whole number from " + " to ".join(map(str, bounds))
    for inner in get_args(annotation):
        yield from _expected(inner)


def _plain(value: Any) -> Any:
    """A TOML value as JSON. Values that no key accepts (dates, numbers of more than 64 bits) become a list that fits no
    key."""
    if isinstance(value, dict):
        return {key: _plain(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return [_plain(inner) for inner in value]
    if isinstance(value, str | float) or (isinstance(value, int) and value.bit_length() <= 64):
        return value
    return [[[]]]  # nested deeper than any key of a schema


def shown(value: Any) -> str:
    """A value as written in the file, shortened if long."""
    if isinstance(value, str):
        text = f'"{value}"'
    elif isinstance(value, bool):
        text = str(value).lower()
    elif isinstance(value, int) and value.bit_length() > 64:  # Python refuses to print very long ones in decimal
        text = "a number of more than 64 bits"
    else:
        text = str(value)
    return text if len(text) <= 60 else text[:57] + "..."
