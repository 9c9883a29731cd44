"""Many recordings at once: every file below some folders or patterns, examined by worker processes or a Dask cluster.

What was done is kept in `screen.jsonl`, a line a file, written before the next begins: a screening that was stopped goes
on where it was. A file whose size, time and hash are the same is not examined again by the same camlog with the same profile.
The hashes of the results that were written stand there too: no other file of their names is replaced. A file that cannot be
read is a row with its reason. A worker that dies costs its current file one further try, then a row with the reason.
"""

from __future__ import annotations

import json
import logging
import os
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, CancelledError, Executor, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, field
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING, Any

from camlog import __version__
from camlog.convert.source import sha256_of
from camlog.drive import drive_path
from camlog.errors import InputError, extra
from camlog.library import say
from camlog.library.addresses import filesystem, is_remote
from camlog.new_files import there_already

if TYPE_CHECKING:
    from camlog.profile import VehicleProfile

STATE = "screen.jsonl"
RESULTS = RECORDINGS, CAMS, OVERVIEW = "recordings.parquet", "cams.parquet", "overview.html"
# Files handed out per worker at a time, so that memory stays flat however many there are.
AHEAD = 3
RESTART_WORKER_AFTER = 200
SCHEDULER_WAIT_S = 60.0  # for a scheduler to answer, or to come back
WORKERS_WAIT_S = 60.0  # for a scheduler without workers to get one

Known = tuple[int, float, str, str]  # size, time of change, hash, hash of the drive file
Progress = Callable[[int, int, float], None]


@dataclass(frozen=True)
class Row:
    """What screening says of one file; `reason` where it could not be examined. `cams` has a row a cam and oil window;
    `examined_by` is as `examiner` has it."""

    path: str
    size: int
    modified: float
    sha256: str = ""
    reason: str = ""
    vehicle: str = ""
    kind: str = ""
    started_at: str | None = None
    duration_s: float | None = None
    worst: str = ""
    worst_cam: str = ""
    confidence: float | None = None
    codes: str = ""
    first_cause: str = ""
    do_not_run: bool = False
    simulated: bool = False
    cams: tuple[dict[str, Any], ...] = field(default=())
    examined_by: str = ""
    drive_sha256: str = ""


def examiner(profile: VehicleProfile | None) -> str:
    """What a file is examined by: camlog's version and the profile's hash. By another one its row may differ."""
    return f"camlog {__version__}" + (f", profile {profile.sha256[:12]}" if profile else "")


def examine(path: str, vehicle: str | None = None, known: Known | None = None) -> Row | None:
    """Examine one file; None where it and its drive file are the same as `known`. Never raises for what a file holds."""
    try:
        if is_remote(path):
            return _fetched(path, vehicle, known)
        stat = os.stat(path)
        if known is not None and _same(Path(path), stat.st_size, stat.st_mtime, known):
            return None
        return _examined(Path(path), path, stat.st_size, stat.st_mtime, vehicle)
    except InputError as error:
        return _refused(path, str(error))
    except (OSError, MemoryError, ArithmeticError, ValueError) as error:
        return _refused(path, f"{type(error).__name__}: {error}")


def _fetched(path: str, vehicle: str | None, known: Known | None) -> Row | None:
    """A file elsewhere, brought here with its drive file for as long as it is examined."""
    import tempfile

    system, inner = filesystem(path)
    size = int(system.info(inner).get("size") or 0)
    with tempfile.TemporaryDirectory(prefix="camlog-") as folder:
        local = Path(folder) / Path(inner).name
        system.get_file(inner, str(local))
        drive = drive_path(Path(inner)).as_posix()
        if system.exists(drive):
            system.get_file(drive, str(drive_path(local)))
        if known is not None and _same(local, size, None, known):
            return None
        return _examined(local, path, size, 0.0, vehicle)


def _same(local: Path, size: int, modified: float | None, known: Known) -> bool:
    """True where a file has the size and the time or hash that are known, and its drive file the hash."""
    if size != known[0] or _drive_sha256(local) != known[3]:
        return False
    return modified == known[1] or sha256_of(local) == known[2]


def _drive_sha256(trace: Path) -> str:
    """The hash of the drive file beside a trace, "" where there is none."""
    path = drive_path(trace)
    return sha256_of(path) if path.exists() else ""


def _examined(local: Path, path: str, size: int, modified: float, vehicle: str | None) -> Row:
    from camlog.analysis import analyze
    from camlog.analysis.figures import FAULTS
    from camlog.convert import read_any
    from camlog.library.entry import entry_of
    from camlog.profile import read_profile

    profile = None if vehicle is None else read_profile(vehicle)
    trace, drive, _ = read_any(local, prepare=False)
    findings = analyze(trace, drive, profile)
    entry = entry_of(findings)
    faults = {cam: c for cam, c in entry.cams.items() if c[0] in FAULTS}
    cams = faults or entry.cams
    worst = max(cams, key=lambda cam: cams[cam][1], default="")
    rows: list[dict[str, Any]] = []
    for cam, (condition, confidence, _) in entry.cams.items():
        by_oil: dict[str, dict[str, Any]] = {}
        for value in (f for f in entry.figures if f.cam == cam):
            row = by_oil.setdefault(
                value.oil, {"cam": cam, "oil": value.oil, "condition": condition, "confidence": confidence}
            )
            row[value.figure + (f"_{value.part}" if value.part else "")] = value.value
        rows += by_oil.values() or [{"cam": cam, "oil": "", "condition": condition, "confidence": confidence}]
    return Row(
        path, size, modified, sha256_of(local), "", entry.vehicle, entry.kind, entry.started_at, entry.duration_s,
        cams[worst][0] if worst else "", worst, cams[worst][1] if worst else None, " ".join(entry.codes),
        findings.causes[0].cause if faults and findings.causes else "", bool(findings.do_not_run),
        drive is not None and drive.is_simulated, tuple(rows), examiner(profile), _drive_sha256(local),
    )  # fmt: skip


def screen(
    files: Sequence[str], out: Path, *, vehicle: str | None = None, jobs: int = 2, scheduler: str | None = None,
    progress: Progress | None = None, force: bool = False,
) -> list[Row]:  # fmt: skip
    """Examine every file that is new or changed, or was examined by another camlog or profile. Returns all rows, also those
    of earlier runs, in the order of `files`. Raises InputError as `read_profile` and `check_own` do."""
    from camlog.profile import read_profile

    by = examiner(None if vehicle is None else read_profile(vehicle))
    out.mkdir(parents=True, exist_ok=True)
    check_own(out, force)
    done = {row.path: row for row in _read_state(out / STATE) if row.examined_by == by}
    began, count = time.perf_counter(), 0
    with open(out / STATE, "a", encoding="utf-8") as state:
        for row in _run(files, done, vehicle, jobs, scheduler):
            count += 1
            if isinstance(row, Row):
                done[row.path] = row
                state.write(json.dumps(asdict(row), ensure_ascii=False) + "\n")
                state.flush()
                os.fsync(state.fileno())
            if progress is not None:
                progress(count, len(files), time.perf_counter() - began)
    return [done[path] for path in files if path in done]


def check_own(out: Path, force: bool) -> None:
    """Raises InputError where a file in `out` has a name of the state or of a result and no screening wrote it so; with `force`
    such a state makes place."""
    state = out / STATE
    lines = list(_lines(state))
    if not lines and os.path.lexists(state) and not (state.is_file() and state.stat().st_size == 0):
        if not force:
            raise there_already(state)
        state.unlink()
    own = {sha for line in lines for sha in line.get("results", ())}
    for path in (out / name for name in RESULTS):
        if os.path.lexists(path) and not force and not (path.is_file() and sha256_of(path) in own):
            raise there_already(path)


def _lines(path: Path) -> Iterator[dict[str, Any]]:
    """What the state says; a line that was cut off is none: that file is examined again."""
    with suppress(FileNotFoundError), open(path, encoding="utf-8", errors="replace") as lines:
        for line in lines:
            with suppress(ValueError):
                raw = json.loads(line)
                if isinstance(raw, dict) and {"path", "results"} & raw.keys():
                    yield raw


def _read_state(path: Path) -> Iterator[Row]:
    for raw in _lines(path):
        with suppress(TypeError, KeyError):
            yield Row(**{**raw, "cams": tuple(raw["cams"])})


def _run(
    files: Sequence[str], done: dict[str, Row], vehicle: str | None, jobs: int, scheduler: str | None
) -> Iterator[Row | None]:
    """A row for each file as it is finished, None for one that has not changed."""
    waiting = list(reversed(files))
    suspects: set[str] = set()  # under way when a worker ended: examined again at the end, each with nothing beside it
    while waiting:
        running: dict[Future, str] = {}
        try:
            with _executor(jobs, scheduler) as (pool, workers):
                while waiting or running:
                    worker_count = workers()
                    while waiting and len(running) < (1 if waiting[-1] in suspects else max(worker_count, 1) * AHEAD):
                        path = waiting[-1]
                        running[pool.submit(examine, path, vehicle, _known(done.get(path)))] = path
                        waiting.pop()  # only now: a pool whose worker ended takes nothing more
                    ended = wait(running, WORKERS_WAIT_S, FIRST_COMPLETED).done
                    if not ended and not worker_count and not workers():
                        raise say.error("no_workers", scheduler)
                    for future in ended:
                        error = future.exception()  # raises CancelledError where the scheduler that had it is gone
                        if isinstance(error, BrokenProcessPool):
                            raise error
                        path = running.pop(future)
                        killed = type(error).__name__ == "KilledWorker"  # as Dask calls it
                        if killed and path not in suspects:
                            suspects.add(path)
                            waiting.insert(0, path)
                        elif error is not None:
                            yield _refused(path, say("screen.worker_ended") if killed else str(error))
                        else:
                            yield future.result()
        except BrokenProcessPool:
            guilty = suspects & set(running.values())
            yield from (_refused(path, say("screen.worker_ended")) for path in guilty)
            suspects.update(running.values())
            waiting[:0] = [path for path in running.values() if path not in guilty]
        except (CancelledError, OSError):
            if scheduler is None:
                raise
            waiting += running.values()  # the scheduler was lost: what was under way is examined again once it is back


def _known(earlier: Row | None) -> Known | None:
    if earlier is None or earlier.reason:
        return None
    return earlier.size, earlier.modified, earlier.sha256, earlier.drive_sha256


def _refused(path: str, reason: str) -> Row:
    """The row of a file that was not examined."""
    try:
        stat = os.stat(path)
    except OSError:
        return Row(path, 0, 0.0, reason=reason[:300])
    return Row(path, stat.st_size, stat.st_mtime, reason=reason[:300])


@contextmanager
def _executor(jobs: int, scheduler: str | None) -> Iterator[tuple[Executor, Callable[[], int]]]:
    """What takes the files, and how many workers it has at the moment. Raises InputError where no scheduler answers."""
    if scheduler is None:
        with ProcessPoolExecutor(
            jobs, mp_context=get_context("spawn"), max_tasks_per_child=RESTART_WORKER_AFTER
        ) as pool:
            yield pool, lambda: jobs
        return
    distributed = extra("distributed", "cluster")
    for name in ("distributed", "tornado.application"):
        logging.getLogger(name).setLevel(logging.CRITICAL)  # what a lost connection means is said here
    try:
        client = distributed.Client(scheduler, timeout=SCHEDULER_WAIT_S)
    except (OSError, ValueError) as error:
        raise say.error("no_scheduler", scheduler, why=error) from error
    with client:
        yield client.get_executor(retries=1, pure=False), lambda: len(client.nthreads())
