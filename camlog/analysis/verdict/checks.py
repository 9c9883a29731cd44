"""The causes a technician chooses between and what to check next for each, as `causes.toml` has them."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from importlib import resources
from itertools import chain
from typing import Any

from camlog.cautions import sentences

_FILE = resources.files(__package__).joinpath("causes.toml")
TABLE: Mapping[str, Any] = tomllib.loads(_FILE.read_text("utf-8"))
NAMES: Mapping[str, str] = TABLE["names"]  # of each cause, by its key in the tables
CAUSES = tuple(NAMES.values())
PHASER, MECHANICAL_TIMING, NOTHING = NAMES["phaser"], NAMES["timing"], NAMES["nothing"]


class Check(str):
    """One check as a sentence, with the `cautions` (sentences) that stand beside it.

    `cautions` are given as keys of the table of cautions. `runs` is True where the engine must run, or the
    vehicle be driven, for it.
    """

    cautions: tuple[str, ...]
    runs: bool

    def __new__(cls, text: str, keys: Iterable[str] = (), *, runs: bool = False) -> Check:
        check = super().__new__(cls, text)
        check.cautions, check.runs = sentences(keys), runs
        return check

    def with_text(self, text: str) -> Check:
        """The same check in other words."""
        check = Check(text, runs=self.runs)
        check.cautions = self.cautions
        return check


def _check(row: Mapping[str, Any]) -> Check:
    return Check(row["text"], row["cautions"], runs=row.get("runs", False))


NEXT_CHECKS: dict[str, tuple[Check, ...]] = {
    NAMES[cause]: tuple(map(_check, rows)) for cause, rows in TABLE["checks"].items()
}
# The check that tells two causes apart which the data cannot.
SEPARATED_BY: dict[frozenset[str], Check] = {
    frozenset(NAMES[cause] for cause in row["causes"]): _check(row) for row in TABLE["separated"]
}
# The checks that have a key.
BY_KEY: dict[str, Check] = {
    row["key"]: _check(row) for row in chain(TABLE["first"], *TABLE["checks"].values()) if "key" in row
}
