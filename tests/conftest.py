"""What holds for all tests: Ctrl-C's signal ends what they start, and nothing that one starts outlives it."""

from __future__ import annotations

import os
import signal
import subprocess
import threading

import pytest

_started: list[subprocess.Popen] = []


def pytest_configure() -> None:
    os.environ["CAMLOG_LIBRARY"] = "/no such folder/library.sqlite"  # not that of whoever runs the tests
    # A shell without job control starts a background job with the signal ignored, and all that it starts inherits this.
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    start = subprocess.Popen.__init__

    def noted(process: subprocess.Popen, *arguments: object, **options: object) -> None:
        start(process, *arguments, **options)
        if threading.current_thread() is threading.main_thread():  # others serve several tests
            _started.append(process)

    subprocess.Popen.__init__ = noted


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_call():
    """End what a test has started itself and left behind; what its fixtures started is theirs to end."""
    _started.clear()
    yield
    for process in _started:
        if process.poll() is None:
            process.kill()
            process.wait()
