"""`camlog` as a process of its own, forked from one that has it loaded (`forked.py`): each costs milliseconds, not seconds.

What is tested is what a command does. Its start, its console and how Python ends are tested where it is started plainly.
"""

from __future__ import annotations

import contextlib
import glob
import multiprocessing
import os
import signal
import tempfile
from dataclasses import dataclass
from pathlib import Path

# Of the page's workers, instead of their own: what gives way to all others hardly goes on while other tests keep the
# processors busy.
NICENESS = 1
FORKING = multiprocessing.get_context("forkserver")


@dataclass(frozen=True)
class Done:
    """A command that has ended: its status, and what it printed."""

    returncode: int
    stdout: str
    stderr: str


def run_camlog(arguments: list[str], *printed: str) -> None:
    """`camlog` with what it prints in files, one for both streams or one for each; for a process of its own."""
    signal.signal(signal.SIGINT, signal.default_int_handler)
    for stream, path in zip((1, 2), printed * (2 // len(printed)), strict=True):
        out = os.open(path, os.O_CREAT | os.O_WRONLY | os.O_APPEND, 0o600)
        os.dup2(out, stream)
        os.close(out)
    from camlog.cli import main

    main(arguments)


def held_up_s(tasks: str) -> float:
    """Seconds for which threads were ready to run while this computer did other work (Linux: proc(5), schedstat)."""
    found = 0.0
    for task in glob.glob(tasks):
        with contextlib.suppress(OSError):  # it has just ended
            found += int(Path(task, "schedstat").read_text().split()[1]) / 1e9
    return found


def camlog(*words: object, timeout_s: float = 120.0) -> Done:
    """A command from its start to its end; it has no terminal."""
    with tempfile.TemporaryDirectory() as folder:
        printed = [str(Path(folder, name)) for name in ("out", "err")]
        process = FORKING.Process(target=run_camlog, args=([str(w) for w in words], *printed))
        process.start()
        process.join(timeout_s)
        if process.exitcode is None:
            process.kill()
        return Done(process.exitcode, *(Path(path).read_text(encoding="utf-8") for path in printed))
