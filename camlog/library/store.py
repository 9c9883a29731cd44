"""The library file: one SQLite database, its schema versioned, safe with two writers and with a kill at any moment.

Every change is one transaction (write-ahead log, full synchronisation); a recording is known by the hash of its trace, so
adding it twice keeps one. Schema by `PRAGMA user_version`; `MIGRATIONS` brings an older file up to date, a newer one is
refused.
"""

from __future__ import annotations

import json
import os
import re
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

from platformdirs import user_data_path

from camlog.library import say
from camlog.library.schema import MIGRATIONS
from camlog.stream import now

WAIT_S = 30.0  # for another program that writes
NAMES_SAID = 12  # of the names to choose from where one is wrong
FEW = 500  # of so many recordings each is looked up; of more, the newest are looked at until enough fit
VERSION = len(MIGRATIONS)
# (cam, figure, part, oil) to its values, each a row of the figure table with what its recording is.
Figures = dict[tuple[str, str, str, str], list[dict[str, Any]]]


@dataclass(frozen=True)
class FigureValue:
    """One figure of one cam: `oil` is the window in words ("" is the whole drive), `low` and `high` its 95 % interval."""

    cam: str
    figure: str
    value: float
    low: float | None = None
    high: float | None = None
    amount: float = 0.0
    part: str = ""
    oil: str = ""


@dataclass(frozen=True)
class Entry:
    """One recording as the library keeps it; `cams` maps a cam to condition, confidence and probabilities."""

    sha256: str
    file: str
    kind: str = ""
    vehicle: str = ""
    started_at: str | None = None
    duration_s: float | None = None
    mileage_km: float | None = None
    outcome: str = ""
    codes: tuple[str, ...] = ()
    cams: Mapping[str, tuple[str, float, Mapping[str, float]]] = field(default_factory=dict)
    figures: tuple[FigureValue, ...] = ()


def _storable(text: str) -> str:
    """What SQLite takes: a name that is no UTF-8 with `?` for what is not."""
    return text.encode("utf-8", "replace").decode()


def _words(text: str) -> list[str]:
    """The words of a text in small letters, each once: what stands between signs and spaces."""
    return list(dict.fromkeys(re.findall(r"[^\W_]+", text.lower())))


def default_path() -> Path:
    """Where the library lies unless told otherwise: `CAMLOG_LIBRARY`, else this user's data folder."""
    named = os.environ.get("CAMLOG_LIBRARY")
    return Path(named) if named else user_data_path("camlog", appauthor=False) / "library.sqlite"


class Library:
    """An open library. Use as a context manager, or `close` it.

    Raises InputError where the file is no library, or is named (`path`) and not there, unless `new` lets it be made.
    """

    def __init__(self, path: str | Path | None = None, *, new: bool = True):
        self.path = default_path() if path is None else Path(path)
        if path is not None and not new and not self.path.exists():
            raise say.error("no_library", self.path)
        self._open = self._connect()
        with self._faults():
            self._open.execute("PRAGMA journal_mode = WAL")
            self._open.execute("PRAGMA synchronous = FULL")
            self._open.execute("PRAGMA foreign_keys = ON")
            self._migrate()

    def _connect(self) -> sqlite3.Connection:
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            connection = sqlite3.connect(self.path, timeout=WAIT_S, isolation_level=None)
        except (OSError, sqlite3.Error) as error:
            raise say.error("unopened", self.path, why=error) from error
        connection.row_factory = sqlite3.Row
        connection.create_function("words_of", 1, lambda text: json.dumps(_words(text)), deterministic=True)
        return connection

    def _migrate(self) -> None:
        version = self._open.execute("PRAGMA user_version").fetchone()[0]
        if version > VERSION:
            raise say.error("newer", self.path)
        for step in range(version, VERSION):
            with self._transaction():
                # Another program may have done it while this one waited.
                if self._open.execute("PRAGMA user_version").fetchone()[0] > step:
                    continue
                for statement in MIGRATIONS[step].split(";"):
                    self._open.execute(statement)
                self._open.execute(f"PRAGMA user_version = {step + 1}")

    @contextmanager
    def _faults(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.DatabaseError as error:
            raise say.error("unusable", self.path, why=error) from error

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        with self._faults():
            self._open.execute("BEGIN IMMEDIATE")
            try:
                yield
                self._open.execute("COMMIT")
            except BaseException:
                if self._open.in_transaction:
                    self._open.execute("ROLLBACK")
                raise

    def __enter__(self) -> Library:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._open.close()

    def add(self, entry: Entry, **details: str | float | None) -> int:
        """Keep a recording, in the place of an earlier one of the same trace; its number. A known-good mark stays.

        `details` are what a person says now (`kind`, `vehicle`, `mileage_km`, `outcome`). Where they are empty, what was
        known before stays, and what the entry has itself counts last.
        """
        with self._transaction():
            query = "SELECT kind, vehicle, mileage_km, outcome FROM recording WHERE sha256 = ?"
            before = dict(self._open.execute(query, (entry.sha256,)).fetchone() or {})
            known = {name: v for one in (before, details) for name, v in one.items() if v not in (None, "")}
            entry = replace(entry, **known)  # type: ignore[arg-type]
            columns = {
                "file": _storable(entry.file), "kind": _storable(entry.kind), "vehicle": _storable(entry.vehicle),
                "started_at": entry.started_at, "duration_s": entry.duration_s, "mileage_km": entry.mileage_km,
                "outcome": _storable(entry.outcome), "codes": json.dumps(entry.codes), "added_at": now(),
            }  # fmt: skip
            conditions = (f"{cam} {condition}" for cam, (condition, *_) in entry.cams.items())
            words = (str(columns[c]) for c in ("file", "vehicle", "kind", "outcome"))
            text = columns["text"] = " ".join([*words, *entry.codes, *conditions]).lower()
            names = ", ".join(columns)
            update = ", ".join(f"{c} = excluded.{c}" for c in columns)
            number = self._open.execute(
                f"INSERT INTO recording (sha256, {names}) VALUES (?{', ?' * len(columns)}) "
                f"ON CONFLICT (sha256) DO UPDATE SET {update} RETURNING id",
                (entry.sha256, *columns.values()),
            ).fetchone()[0]
            rows: dict[str, list[tuple]] = {
                "cam": [(number, c, *of[:2], json.dumps(dict(of[2])), columns["kind"]) for c, of in entry.cams.items()],
                "figure": [(number, f.cam, f.figure, f.part, f.oil, f.value, f.low, f.high, f.amount) for f in entry.figures],
                "word": [(word, number) for word in _words(text)],
            }  # fmt: skip
            for table, table_rows in rows.items():
                self._open.execute(f"DELETE FROM {table} WHERE recording = ?", (number,))
                if table_rows:
                    places = ", ".join("?" * len(table_rows[0]))
                    self._open.executemany(f"INSERT OR REPLACE INTO {table} VALUES ({places})", table_rows)
        return number

    def mark_good(self, number: int, by: str, reason: str = "", *, good: bool = True) -> None:
        """Say that a recording is known-good, or no longer, and who says so. Raises InputError where nobody is named, or there
        is no such recording."""
        if not by.strip():
            raise say.error("nobody", self.path)
        marks = "known_good = ?, known_good_by = ?, known_good_at = ?, known_good_why = ?"
        values = int(good), _storable(by.strip()), now(), _storable(reason.strip())
        self._change(number, f"UPDATE recording SET {marks} WHERE id = ?", *values)

    def remove(self, number: int) -> None:
        """Forget a recording; its files stay. Raises InputError where there is no such recording."""
        self._change(number, "DELETE FROM recording WHERE id = ?")

    def _change(self, number: int, statement: str, *values: object) -> None:
        with self._transaction():
            if not self._open.execute(statement, (*values, number)).rowcount:
                raise say.error("no_recording", self.path, number=number)

    def recordings(
        self, kind: str | None = None, vehicle: str | None = None, *, good: bool = False, condition: str = "", search: str = "",
        sha256: Sequence[str] = (), most: int = 1000,
    ) -> list[dict[str, Any]]:  # fmt: skip
        """The recordings, newest first, each as a dict of the table's columns with `codes` and `cams` (cam to `condition` and
        `confidence`). `search` names words that must all be there; `condition` one that a cam must have, `sha256` traces."""
        where: list[str] = []
        values: list[object] = []

        def only(restriction: str, *given: object) -> None:
            where.append(restriction)
            values.extend(given)

        kinds = [] if kind is None else [_storable(kind)]
        for column, value in (("kind", kind), ("vehicle", vehicle), ("known_good", "1" if good else None)):
            if value is not None:
                only(f"{column} = ?", _storable(value))
        if condition:
            query = "SELECT recording FROM cam WHERE condition = ?" + " AND kind = ?" * len(kinds)
            few = self._few(query, condition, *kinds)
            only(few or "EXISTS (SELECT 1 FROM cam WHERE recording = id AND +condition = ?)", *[condition] * (not few))
        if sha256:
            only("sha256 IN (SELECT value FROM json_each(?))", json.dumps(sha256))
        words = _storable(search).lower().split()
        for word in words:
            only("instr(text, ?)", word)
        begun = (
            self._few("SELECT recording FROM word WHERE word >= ? AND word < ?", w, w + chr(0x10FFFF))
            for w in _words(" ".join(words))
        )
        if few := next(filter(None, begun), ""):
            only(few)
        return self._read(
            f"{' AND '.join(where) or 1} ORDER BY COALESCE(started_at, added_at) DESC, id DESC LIMIT ?", *values, most
        )

    def _few(self, query: str, *values: object) -> str:
        """The recordings of a query as a restriction where they are few; empty where looking at each, newest first, is sooner."""
        with self._faults():
            rows = self._open.execute(f"{query} LIMIT ?", (*values, FEW)).fetchall()
        return f"id IN ({', '.join(str(row[0]) for row in rows)})" if len(rows) < FEW else ""

    def named(self, column: Literal["kind", "vehicle"], most: int = 500) -> list[str]:
        """The engine kinds or cars that recordings have, by name."""
        with self._faults():
            # From each to the next by the index, which SQLite does not do for DISTINCT.
            after = f"SELECT MIN({column}) FROM recording WHERE {column} >"
            rows = self._open.execute(
                f"WITH RECURSIVE each(name) AS ({after} '' UNION ALL SELECT ({after} name) FROM each WHERE name IS NOT NULL) "
                "SELECT name FROM each WHERE name IS NOT NULL LIMIT ?", (most,)
            )  # fmt: skip
            return [row[0] for row in rows]

    def must_have(self, column: Literal["kind", "vehicle"], name: str) -> None:
        """Raises InputError, with the names there are, where no recording has this engine kind or car."""
        if not self._read(f"{column} = ? LIMIT 1", _storable(name)):
            raise say.error(f"no_{column}", self.path, name=name, names=self.named(column, NAMES_SAID))

    def recording(self, number: int) -> dict[str, Any]:
        """One recording with its `figures`. Raises InputError where there is no such recording."""
        for row in self._read("id = ?", number):
            figures = self._open.execute("SELECT * FROM figure WHERE recording = ?", (number,)).fetchall()
            return row | {"figures": [dict(f) for f in figures]}
        raise say.error("no_recording", self.path, number=number)

    def _read(self, where: str, *values: object) -> list[dict[str, Any]]:
        cams = "json_group_object(cam, json_object('condition', condition, 'confidence', confidence))"
        with self._faults():
            rows = self._open.execute(
                f"SELECT *, (SELECT {cams} FROM cam WHERE recording = id) AS cams FROM recording WHERE {where}", values
            ).fetchall()
        return [dict(row) | {"codes": json.loads(row["codes"]), "cams": json.loads(row["cams"])} for row in rows]

    def good_figures(self, kind: str, without: str = "") -> Figures:
        """The figures of all known-good recordings of a kind, but for the one of the hash `without`: the one to be compared."""
        return self._figures("kind = ? AND known_good = 1 AND sha256 <> ?", kind, without)

    def figures_over_time(self, vehicle: str) -> Figures:
        """The figures of one car, oldest first; recordings that do not say when they were made are left out."""
        return self._figures("vehicle = ? AND started_at IS NOT NULL ORDER BY started_at, id", vehicle)

    def _figures(self, where: str, *values: object) -> Figures:
        with self._faults():
            rows = self._open.execute(
                f"SELECT figure.*, file, vehicle, sha256, started_at, mileage_km FROM figure JOIN recording ON id = recording "
                f"WHERE {where}", values
            )  # fmt: skip
            figures: Figures = {}
            for row in rows:
                figures.setdefault((row["cam"], row["figure"], row["part"], row["oil"]), []).append(dict(row))
        return figures

    def __len__(self) -> int:
        return self._open.execute("SELECT COUNT(*) FROM recording").fetchone()[0]
