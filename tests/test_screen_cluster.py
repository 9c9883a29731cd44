"""Screening on a Dask cluster: a scheduler and two workers on this computer, each of which may be lost."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

import pytest

from camlog.cli import main
from camlog.errors import InputError
from camlog.library import screen as screening
from camlog.library.screen import STATE, Row, screen

distributed = pytest.importorskip("distributed", reason="the extra `test` installs it")
ROOT = Path(__file__).resolve().parent.parent


class Cluster:
    """A scheduler and two workers, each a process with one thread; a task is given up with the first worker it ends."""

    def __init__(self, folder: Path):
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self.address, self.folder = f"tcp://127.0.0.1:{self.port}", folder
        self.scheduler = self.start_scheduler()
        self.workers = [self._start("dask_worker", self.address, "--nthreads", "1") for _ in range(2)]

    def start_scheduler(self) -> subprocess.Popen:
        started = self._start("dask_scheduler", "--port", str(self.port))
        for _ in range(300):
            try:
                socket.create_connection(("127.0.0.1", self.port), 1.0).close()
                break
            except OSError:
                time.sleep(0.1)
        return started

    def _start(self, program: str, *words: str) -> subprocess.Popen:
        command = (sys.executable, "-m", f"distributed.cli.{program}", *words, "--host", "127.0.0.1", "--no-dashboard")
        said = {"PYTHONPATH": str(ROOT), "DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "0"}
        log = open(self.folder / "log", "a")
        return subprocess.Popen(
            command, cwd=self.folder, env=os.environ | said, stdout=log, stderr=log, start_new_session=True
        )

    def end(self, *processes: subprocess.Popen) -> None:
        """End them, each with the process that it watches."""
        for process in processes:
            with suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()


@pytest.fixture(scope="module")
def cluster(tmp_path_factory):
    running = Cluster(tmp_path_factory.mktemp("cluster"))
    yield running
    running.end(running.scheduler, *running.workers)


def examined(path, vehicle=None, known=None):
    """Stands in for the examination: ends its worker on one file, as a crash of a library would."""
    time.sleep(0.05)
    if path == "bad.csv":
        os._exit(9)
    return Row(path, 1, 1.0, worst="healthy")


def test_a_cluster_gives_the_same_tables_as_this_computer(cluster, tmp_path, capsys):
    for name in ("healthy", "slow-cold"):
        for ending in (".csv", ".drive.json"):
            shutil.copy(ROOT / "sample_logs" / f"{name}{ending}", tmp_path)
    out = tmp_path / "out"
    with pytest.raises(SystemExit) as end:
        main(["screen", str(tmp_path), "--out", str(out), "--vehicle", "demo", "--scheduler", cluster.address])
    assert not end.value.code and "2 recordings: 1 with a fault, 0 not read." in capsys.readouterr().out
    rows = {Path(row.path).stem: row for row in screening._read_state(out / STATE)}
    assert rows["slow-cold"] == screening.examine(str(tmp_path / "slow-cold.csv"), "demo")


def test_a_worker_that_dies_costs_its_own_file_only(cluster, tmp_path, monkeypatch):
    monkeypatch.setattr(screening, "examine", examined)
    names = [*map(str, range(12)), "bad.csv", *map(str, range(12, 24))]
    rows = {row.path: row for row in screen(names, tmp_path, scheduler=cluster.address)}
    assert set(rows) == set(names) and rows.pop("bad.csv").reason == "each worker that examined it ended"
    assert all(row.worst == "healthy" for row in rows.values())


def test_a_lost_scheduler_is_said_and_the_next_run_goes_on(cluster, tmp_path, monkeypatch, capfd):
    monkeypatch.setattr(screening, "examine", examined)
    monkeypatch.setattr(screening, "SCHEDULER_WAIT_S", 2.0)
    names = [f"{i}.csv" for i in range(40)]

    def stop(done: int, *_: object) -> None:
        if done == 10:
            cluster.scheduler.kill()

    with pytest.raises(InputError, match=f"{cluster.address}: no scheduler answers"):
        screen(names, tmp_path, scheduler=cluster.address, progress=stop)
    kept = {row.path for row in screening._read_state(tmp_path / STATE)}
    assert 10 <= len(kept) < 40 and not capfd.readouterr().err
    cluster.end(cluster.scheduler, *cluster.workers)
    cluster.scheduler = cluster.start_scheduler()
    monkeypatch.setattr(screening, "SCHEDULER_WAIT_S", 20.0)
    monkeypatch.setattr(screening, "WORKERS_WAIT_S", 1.0)
    with pytest.raises(InputError, match="has no workers"):
        screen(names, tmp_path, scheduler=cluster.address)
    cluster.workers = [cluster._start("dask_worker", cluster.address, "--nthreads", "1")]
    monkeypatch.setattr(screening, "WORKERS_WAIT_S", 20.0)
    assert len(screen(names, tmp_path, scheduler=cluster.address)) == 40
    assert {row.path for row in screening._read_state(tmp_path / STATE)} == set(names)
