"""What does a kill -9 cost a recording? Kills a hundred, each at a random moment, and reads what is left.

    python -m tests.bench.kill_safety [RUNS]

Each writer records rows whose values follow from their number, at a recorder's rate, and notes in shared
memory when each row was handed over. It is killed at a random moment; then the file must read, every value
must be the one that was written, and no row handed over more than a second before the kill may be missing.
"""

from __future__ import annotations

import mmap
import os
import random
import signal
import struct
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from camlog.drive import drive_path, read_drive
from camlog.errors import InputError
from camlog.trace import read_trace

RUNS = 100
AT_ONCE = 4
ROWS_PER_S = 100.0
LONGEST_S = 3.0
ALLOWED_S = 1.0
_MOMENT = struct.Struct("d")
_MAX_ROWS = int(4 * LONGEST_S * ROWS_PER_S)


def row(number: int) -> dict[str, float]:
    """The values of one row, from which its number can be told."""
    values = {"engine_speed": 700.0 + number, "cam_intake_b1_actual": number / 7.0}
    if number % 10 == 0:
        values["coolant_temp"] = number / 3.0
    if number >= 150:  # a column of its own, so that some kills fall into the rewriting of the file
        values["oil_temp"] = number / 11.0
    return values


def write(path: str, moments: str) -> None:
    """The writer: records until it is killed."""
    from camlog.sinks.trace_file import TraceFileSink
    from camlog.stream import Batch, Event

    with open(moments, "r+b") as file:
        handed_over = mmap.mmap(file.fileno(), 0)
    sink = TraceFileSink(path, ["engine_speed", "cam_intake_b1_actual", "coolant_temp"])
    began = time.monotonic()
    for number in range(_MAX_ROWS):
        time.sleep(max(0.0, began + number / ROWS_PER_S - time.monotonic()))
        sink.accept(Batch(number / ROWS_PER_S, row(number)))
        _MOMENT.pack_into(handed_over, number * _MOMENT.size, time.monotonic())
        if number % 50 == 0:
            sink.accept(Event(number / ROWS_PER_S, "marker", f"row {number}"))


@dataclass(frozen=True)
class Outcome:
    """One kill: rows handed over, missing at all, missing beyond the allowed second, what does not read."""

    written: int
    missing: int
    lost: int
    wrong: int
    unreadable: str = ""


def run_once(seed: int) -> Outcome:
    """Start a writer, kill it at a random moment after its first row, and examine what is on disk."""
    with tempfile.TemporaryDirectory() as folder:
        path, moments = Path(folder) / "drive.csv", Path(folder) / "moments"
        moments.write_bytes(bytes(_MAX_ROWS * _MOMENT.size))
        writer = subprocess.Popen([sys.executable, "-m", "tests.bench.kill_safety", "--write", path, moments])
        with open(moments, "rb") as file:
            seen = mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)
        while not _MOMENT.unpack_from(seen, 0)[0]:
            if writer.poll() is not None:
                raise RuntimeError("the writer ended by itself")
            time.sleep(0.005)
        time.sleep(random.Random(seed).uniform(0.0, LONGEST_S))
        killed = time.monotonic()
        os.kill(writer.pid, signal.SIGKILL)
        writer.wait()
        handed_over = [m for (m,) in _MOMENT.iter_unpack(moments.read_bytes()) if m]
        return _examine(path, handed_over, killed)


def _examine(path: Path, handed_over: list[float], killed: float) -> Outcome:
    try:
        trace = read_trace(path)
        drive = read_drive(drive_path(path))
    except InputError as error:
        return Outcome(len(handed_over), len(handed_over), len(handed_over), 0, str(error))
    found = {}
    wrong = 0
    for batch in trace.batches():
        number = round(batch.time_s * ROWS_PER_S)
        found[number] = batch
        wrong += dict(batch.values) != row(number)
    missing = [n for n in range(len(handed_over)) if n not in found]
    lost = [n for n in missing if handed_over[n] < killed - ALLOWED_S]
    marked = {event.text for event in drive.events}
    due = [n for n in range(0, len(handed_over), 50) if handed_over[n] < killed - ALLOWED_S]
    lost += [n for n in due if f"row {n}" not in marked]
    return Outcome(len(handed_over), len(missing), len(lost), wrong)


def main(runs: int = RUNS) -> int:
    """Run the benchmark; 1 where anything was lost or cannot be read."""
    began = time.monotonic()
    with ThreadPoolExecutor(AT_ONCE) as pool:
        outcomes = list(pool.map(run_once, range(runs)))
    unreadable = [o for o in outcomes if o.unreadable]
    for outcome in unreadable:
        print(f"unreadable: {outcome.unreadable}")
    written, took_s = sum(o.written for o in outcomes), time.monotonic() - began
    print(f"kills: {runs}, rows handed over: {written}, in {took_s:.0f} s")
    missing, wrong = sum(o.missing for o in outcomes), sum(o.wrong for o in outcomes)
    print(f"rows missing at all: {missing}, with a wrong value: {wrong}")
    lost = sum(o.lost for o in outcomes)
    print(f"rows and events lost beyond {ALLOWED_S:g} s: {lost}; unreadable files: {len(unreadable)}")
    return int(lost > 0 or bool(unreadable) or wrong > 0)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--write"]:
        write(*sys.argv[2:4])
    else:
        raise SystemExit(main(*(int(a) for a in sys.argv[1:2])))
