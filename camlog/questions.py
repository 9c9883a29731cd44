"""The questions about a cam that a verdict answers. Separate from the analysis, so that importing them is fast."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Question:
    """One question about a cam: `name`, `title` as a technician asks it, and the `faults` for which the answer is "no",
    the main one first. `needs` are the names of the coverage needs that must be met for "yes"."""

    name: str
    title: str
    faults: tuple[str, ...]
    needs: tuple[str, ...]


QUESTIONS: Mapping[str, Question] = {
    name: Question(name, row["title"], tuple(row["faults"]), tuple(row["needs"]))
    for name, row in tomllib.loads(Path(__file__).with_suffix(".toml").read_text("utf-8")).items()
}


def titles(need: str, needed: bool = True) -> str:
    """The titles of the questions with `need` among their needs (`needed` False: of all others), joined."""
    return " ".join(q.title for q in QUESTIONS.values() if (need in q.needs) is needed)
