"""What does a kill -9 cost the library: `python -m tests.bench.library_kill [KILLS]`.

A hundred writers keep recordings one after the other, and each is killed at a random moment; every tenth is `camlog library
add` over files, the others add what was found before as fast as they can, so that most kills fall into a transaction. After
each the library must open, be whole, and hold every recording that was said to be kept, once, with all its figures.
"""

from __future__ import annotations

import contextlib
import dataclasses
import os
import random
import signal
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from camlog.analysis import analyze
from camlog.cli import main as camlog
from camlog.convert import read_any
from camlog.library.entry import entry_of
from camlog.library.store import Entry, Library
from camlog.places import sample_logs_folder

KILLS, LONGEST_S, BY_COMMAND = 100, 0.6, 10
FILES = 12


def killed(work: Callable[[], None], after_s: float) -> list[str]:
    """Do it in a process of its own, killed so long after its first line; the lines that it wrote."""
    reading, writing = os.pipe()
    child = os.fork()
    if not child:
        os.dup2(writing, 1)
        sys.stdout = os.fdopen(1, "w", buffering=1)
        with contextlib.suppress(BaseException):
            work()
        os._exit(0)
    os.close(writing)
    with open(reading, encoding="utf-8") as lines:
        said = [lines.readline()]
        time.sleep(after_s)
        os.kill(child, signal.SIGKILL)
        said += lines.readlines()
    os.waitpid(child, 0)
    return [line for line in said if line.endswith("\n")]


def add_all(library: Path, one: Entry, turn: int) -> None:
    """Keep the same findings as other recordings, and say each by its hash."""
    with Library(library) as kept:
        for number in range(10_000):
            entry = dataclasses.replace(one, sha256=f"{turn:032x}{number:032x}")
            kept.add(entry)
            print(entry.sha256)


def look(path: Path, figures: int) -> tuple[set[str], list[str]]:
    """The hashes that a library holds, and what is wrong with it."""
    with Library(path) as library:
        database, wrong = library._open, []
        hashes = [row[0] for row in database.execute("SELECT sha256 FROM recording")]
        if (
            database.execute("PRAGMA integrity_check").fetchone()[0] != "ok"
            or database.execute("PRAGMA foreign_key_check").fetchone()
        ):
            wrong.append("not whole")
        if len(set(hashes)) != len(hashes):
            wrong.append("twice")
        counts = database.execute("SELECT COUNT(figure) FROM recording LEFT JOIN figure ON recording = id GROUP BY id")
        if {row[0] for row in counts} - {figures}:
            wrong.append("figures missing")
        return set(hashes), wrong


def main() -> None:
    kills, rng = int(sys.argv[1]) if len(sys.argv) > 1 else KILLS, random.Random(11)
    source = sample_logs_folder() / "too-short.csv"
    trace, drive, _ = read_any(source, prepare=False)
    one = entry_of(analyze(trace, drive))
    lost, wrong, kept = 0, [], 0
    with tempfile.TemporaryDirectory() as place:
        folder, path = Path(place), Path(place) / "library.sqlite"
        said: set[str] = set()
        for turn in range(kills):
            if turn % BY_COMMAND:
                said |= {
                    line.strip()
                    for line in killed(lambda turn=turn: add_all(path, one, turn), rng.uniform(0, LONGEST_S))
                }
            else:
                files = []
                for number in range(FILES):
                    files.append(folder / f"{turn}-{number}.csv")
                    files[-1].write_bytes(source.read_bytes() + b"\n" * (1 + turn * FILES + number))
                lines = killed(lambda files=files: camlog(["library", "add", *map(str, files), "--library", str(path)]),
                               rng.uniform(0, 3 * LONGEST_S))  # fmt: skip
                named = {Path(line.strip().partition(": ")[2]) for line in lines}
                said |= {read_any(name, prepare=False)[0].sha256 for name in named}
            there, found = look(path, len(one.figures))
            lost, wrong, kept = lost + len(said - there), wrong + found, len(there)
    print(
        f"{kills} kills: {len(said)} recordings were said to be kept, {kept} are there; {lost} lost, {wrong or 'nothing'} wrong"
    )
    print(f"recordings lost or twice a kill: ratio {(lost + len(wrong)) / kills:.3f} (target 0)")


if __name__ == "__main__":
    main()
