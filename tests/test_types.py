"""Types and form: no name that a system lacks, no None where there must be a value, one form of the text."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
SYSTEMS = ("win32", "darwin", "linux")


def said_by(*command: str) -> str:
    done = subprocess.run([sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False)
    return done.stdout + done.stderr


@pytest.fixture(scope="module", params=SYSTEMS)
def found(request) -> list[str]:
    """What mypy finds in all of camlog for one system; what it found before is kept for files that are the same."""
    cache = ROOT / ".mypy_cache" / request.param
    options = ("--no-site-packages", "--platform", request.param, "--cache-dir", str(cache))
    lines = said_by("mypy", *options, "camlog").splitlines()
    assert "checked" in lines[-1] or "no issues" in lines[-1], lines
    return lines


def test_no_name_is_used_that_a_system_lacks(found):
    assert not [line for line in found if re.search(r"Module has no attribute|Cannot find implementation", line)]


def test_values_are_of_the_type_they_are_said_to_be(found):
    assert not [line for line in found if ": error:" in line]


def test_the_text_has_one_form():
    assert said_by("ruff", "format", "--check", "camlog", "tests").strip().endswith("already formatted")
    assert "All checks passed" in said_by("ruff", "check", "camlog", "tests")
