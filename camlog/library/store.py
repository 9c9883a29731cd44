"""The library file: one SQLite database, its schema versioned, safe with two writers and with a kill at any moment.

Every change is one transaction (write-ahead log, full synchronisation); a recording is known by the hash of its trace, so
adding it twice keeps one. Schema by `PRAGMA user_version`; `_MIGRATIONS` brings an older file up to date, a newer one is
refused.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from platformdirs import user_data_path

from camlog.errors import InputError
from camlog.stream import now

WAIT_S = 30.0  # for another program that writes
# From each version to the next; the first makes an empty library.
_MIGRATIONS = (
    """
    CREATE TABLE recording (
        id INTEGER PRIMARY KEY, sha256 TEXT NOT NULL UNIQUE, file TEXT NOT NULL, added_at TEXT NOT NULL,
        kind TEXT NOT NULL DEFAULT '', vehicle TEXT NOT NULL DEFAULT '', started_at TEXT, duration_s REAL,
        mileage_km REAL, outcome TEXT NOT NULL DEFAULT '', known_good INTEGER NOT NULL DEFAULT 0,
        known_good_by TEXT NOT NULL DEFAULT '', known_good_at TEXT, known_good_why TEXT NOT NULL DEFAULT '',
        codes TEXT NOT NULL DEFAULT '[]');
    CREATE INDEX recording_kind ON recording (kind, known_good);
    CREATE INDEX recording_vehicle ON recording (vehicle, started_at);
    CREATE TABLE cam (
        recording INTEGER NOT NULL REFERENCES recording ON DELETE CASCADE, cam TEXT NOT NULL, condition TEXT NOT NULL,
        confidence REAL NOT NULL, probabilities TEXT NOT NULL, PRIMARY KEY (recording, cam)) WITHOUT ROWID;
    CREATE TABLE figure (
        recording INTEGER NOT NULL REFERENCES recording ON DELETE CASCADE, cam TEXT NOT NULL, figure TEXT NOT NULL,
        part TEXT NOT NULL, oil TEXT NOT NULL, value REAL NOT NULL, low REAL, high REAL, amount REAL NOT NULL,
        PRIMARY KEY (recording, cam, figure, part, oil)) WITHOUT ROWID;
    CREATE INDEX figure_by_name ON figure (figure, cam, oil);
    """,
)
VERSION = len(_MIGRATIONS)


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


def default_path() -> Path:
    """Where the library lies unless told otherwise: `CAMLOG_LIBRARY`, else this user's data folder."""
    named = os.environ.get("CAMLOG_LIBRARY")
    return Path(named) if named else user_data_path("camlog", appauthor=False) / "library.sqlite"


class Library:
    """An open library. Use as a context manager, or `close` it. Raises InputError where the file is no library."""

    def __init__(self, path: str | Path | None = None):
        self.path = default_path() if path is None else Path(path)
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
            raise InputError(f"cannot be opened ({error})", file=self.path, remedy="Name another with --library.") from error
        connection.row_factory = sqlite3.Row
        return connection

    def _migrate(self) -> None:
        version = self._open.execute("PRAGMA user_version").fetchone()[0]
        if version > VERSION:
            raise InputError("was written by a newer camlog", file=self.path, remedy="Update camlog, or name another library.")
        for step in range(version, VERSION):
            with self._transaction():
                # Another program may have done it while this one waited.
                if self._open.execute("PRAGMA user_version").fetchone()[0] > step:
                    continue
                for statement in _MIGRATIONS[step].split(";"):
                    self._open.execute(statement)
                self._open.execute(f"PRAGMA user_version = {step + 1}")

    @contextmanager
    def _faults(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.DatabaseError as error:
            remedy = "Check the disk and that no other program holds it; the library keeps what was added before."
            raise InputError(f"cannot be used as a library ({error})", file=self.path, remedy=remedy) from error

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

    def add(self, entry: Entry) -> int:
        """Keep a recording, in the place of an earlier one of the same trace; its number. A known-good mark stays."""
        columns = {
            "file": entry.file, "kind": entry.kind, "vehicle": entry.vehicle, "started_at": entry.started_at,
            "duration_s": entry.duration_s, "mileage_km": entry.mileage_km, "outcome": entry.outcome,
            "codes": json.dumps(entry.codes), "added_at": now(),
        }  # fmt: skip
        names = ", ".join(columns)
        update = ", ".join(f"{c} = excluded.{c}" for c in columns)
        with self._transaction():
            number = self._open.execute(
                f"INSERT INTO recording (sha256, {names}) VALUES (?{', ?' * len(columns)}) "
                f"ON CONFLICT (sha256) DO UPDATE SET {update} RETURNING id",
                (entry.sha256, *columns.values()),
            ).fetchone()[0]
            self._open.execute("DELETE FROM cam WHERE recording = ?", (number,))
            self._open.execute("DELETE FROM figure WHERE recording = ?", (number,))
            self._open.executemany(
                "INSERT INTO cam VALUES (?, ?, ?, ?, ?)",
                [(number, cam, condition, sure, json.dumps(dict(p))) for cam, (condition, sure, p) in entry.cams.items()],
            )
            self._open.executemany(
                "INSERT OR REPLACE INTO figure VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                [(number, f.cam, f.figure, f.part, f.oil, f.value, f.low, f.high, f.amount) for f in entry.figures],
            )
        return number

    def mark_good(self, number: int, by: str, why: str = "", *, good: bool = True) -> None:
        """Say that a recording is known-good, or no longer. Raises InputError where there is no such recording."""
        with self._transaction():
            done = self._open.execute(
                "UPDATE recording SET known_good = ?, known_good_by = ?, known_good_at = ?, known_good_why = ? WHERE id = ?",
                (int(good), by, now(), why, number),
            ).rowcount
        if not done:
            raise self._missing(number)

    def remove(self, number: int) -> None:
        """Forget a recording; its files stay. Raises InputError where there is no such recording."""
        with self._transaction():
            done = self._open.execute("DELETE FROM recording WHERE id = ?", (number,)).rowcount
        if not done:
            raise self._missing(number)

    def _missing(self, number: int) -> InputError:
        return InputError(f"holds no recording {number}", file=self.path, remedy="`camlog library list` shows them.")

    def recordings(
        self, kind: str | None = None, vehicle: str | None = None, *, good: bool = False, search: str = "", most: int = 1000
    ) -> list[dict[str, Any]]:
        """The recordings, newest first, each as a dict of the table's columns with `cams` (cam to condition)."""
        where, values = ["1"], []
        for column, value in (("kind", kind), ("vehicle", vehicle)):
            if value is not None:
                where.append(f"{column} = ?")
                values.append(value)
        if good:
            where.append("known_good = 1")
        if search:
            where.append("(file LIKE ? OR vehicle LIKE ? OR kind LIKE ? OR codes LIKE ?)")
            values += [f"%{search}%"] * 4
        with self._faults():
            rows = self._open.execute(
                f"SELECT * FROM recording WHERE {' AND '.join(where)} ORDER BY COALESCE(started_at, added_at) DESC, id DESC LIMIT ?",
                (*values, most),
            ).fetchall()
            return [self._row(row) for row in rows]

    def recording(self, number: int) -> dict[str, Any]:
        """One recording with its `figures`. Raises InputError where there is no such recording."""
        with self._faults():
            row = self._open.execute("SELECT * FROM recording WHERE id = ?", (number,)).fetchone()
            if row is None:
                raise self._missing(number)
            figures = self._open.execute("SELECT * FROM figure WHERE recording = ?", (number,)).fetchall()
            return self._row(row) | {"figures": [dict(f) for f in figures]}

    def _row(self, row: sqlite3.Row) -> dict[str, Any]:
        cams = self._open.execute("SELECT cam, condition, confidence FROM cam WHERE recording = ?", (row["id"],)).fetchall()
        return dict(row) | {
            "codes": json.loads(row["codes"]),
            "cams": {c["cam"]: {"condition": c["condition"], "confidence": c["confidence"]} for c in cams},
        }

    def good_figures(self, kind: str, without: str = "") -> dict[tuple[str, str, str, str], list[dict[str, Any]]]:
        """Of all known-good recordings of a kind: (cam, figure, part, oil) to its values, each with its `vehicle`.

        `without` is the hash of a recording that does not count: the one that is to be compared.
        """
        with self._faults():
            rows = self._open.execute(
                "SELECT f.*, r.vehicle, r.sha256 FROM figure f JOIN recording r ON r.id = f.recording "
                "WHERE r.kind = ? AND r.known_good = 1 AND r.sha256 <> ?",
                (kind, without),
            ).fetchall()
        found: dict[tuple[str, str, str, str], list[dict[str, Any]]] = {}
        for row in rows:
            found.setdefault((row["cam"], row["figure"], row["part"], row["oil"]), []).append(dict(row))
        return found

    def trend(self, vehicle: str, cam: str, figure: str, oil: str = "") -> list[dict[str, Any]]:
        """One figure of one car over time: `started_at`, `mileage_km`, `value`, `low`, `high`, oldest first."""
        with self._faults():
            rows = self._open.execute(
                "SELECT r.id, r.file, r.started_at, r.mileage_km, f.value, f.low, f.high, f.part FROM figure f "
                "JOIN recording r ON r.id = f.recording WHERE r.vehicle = ? AND f.cam = ? AND f.figure = ? AND f.oil = ? "
                "ORDER BY r.started_at, r.id",
                (vehicle, cam, figure, oil),
            ).fetchall()
        return [dict(row) for row in rows]

    def __len__(self) -> int:
        return self._open.execute("SELECT COUNT(*) FROM recording").fetchone()[0]
