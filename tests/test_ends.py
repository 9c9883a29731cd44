"""The tests themselves: Ctrl-C's signal reaches what they start, and nothing that they start outlives them."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

CONFTEST = Path(__file__).with_name("conftest.py")
INNER = """
import signal, subprocess, sys
from pathlib import Path

def started():
    code = "print(1, flush=True); import time; time.sleep(60)"
    child = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
    child.stdout.readline()
    return child

def test_one_that_is_interrupted():
    child = started()
    child.send_signal(signal.SIGINT)
    assert child.wait(10) == -signal.SIGINT

def test_one_that_is_left_behind():
    Path("left").write_text(str(started().pid))
    assert 0, "as a test fails"
"""


def test_what_a_test_starts_hears_ctrl_c_and_ends_with_it(tmp_path):
    """Run as a background job of a shell without job control inherits it (POSIX.1-2017, shell, 2.11): ignored."""
    (tmp_path / "test_inner.py").write_text(INNER)
    (tmp_path / "conftest.py").write_bytes(CONFTEST.read_bytes())
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "test_inner.py"]
    done = subprocess.run(
        command, cwd=tmp_path, capture_output=True, text=True, timeout=60,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_IGN),
    )  # fmt: skip
    assert "1 failed, 1 passed" in done.stdout and "as a test fails" in done.stdout
    left = int((tmp_path / "left").read_text())
    try:
        os.kill(left, 0)
    except ProcessLookupError:
        return
    os.kill(left, signal.SIGKILL)
    raise AssertionError("it outlived the test that started it")
