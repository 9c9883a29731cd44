"""What holds for all tests: their order, Ctrl-C's signal ends what they start, and nothing that one starts outlives it."""

from __future__ import annotations

import multiprocessing
import os
import signal
import subprocess
import sys
import threading

import pytest

from camlog.serve import worker
from tests import compiled
from tests.command_help import NICENESS

_started: list[subprocess.Popen] = []
# Files that take half a minute and more, the longest first: begun late, one of them would run alone at the end.
LONG = (
    "test_every_laptop", "test_packaging", "test_serve_browser", "test_capture_hold", "test_report_browser",
    "test_capture_record", "test_serve_recording", "test_replay", "test_raw_log", "test_serve_pages", "test_verify_story",
)  # fmt: skip


def pytest_configure() -> None:
    compiled.use()
    os.environ["CAMLOG_LIBRARY"] = "/no such folder/library.sqlite"  # not that of whoever runs the tests
    # Some hundred processes that are started would each compile camlog again.
    sys.dont_write_bytecode = False
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    # Workers are forked from a process that has loaded what they need. Where a command serves they start as for a user.
    worker.START, worker.NICENESS = "forkserver", NICENESS
    multiprocessing.set_forkserver_preload(["tests.forked", "pytest"])
    # A shell without job control starts a background job with the signal ignored, and all that it starts inherits this.
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    start = subprocess.Popen.__init__

    def noted(process: subprocess.Popen, *arguments: object, **options: object) -> None:
        start(process, *arguments, **options)
        if threading.current_thread() is threading.main_thread():  # others serve several tests
            _started.append(process)

    subprocess.Popen.__init__ = noted


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    order = {name: number for number, name in enumerate(LONG)}
    items.sort(key=lambda item: order.get(item.path.stem, len(order)))


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_call():
    """End what a test has started itself and left behind; what its fixtures started is theirs to end."""
    _started.clear()
    yield
    for process in _started:
        if process.poll() is None:
            process.kill()
            process.wait()
