"""What is no name of a file is refused in one line that says so: an empty text, `.`, `..`, the root folder."""

from __future__ import annotations

import pytest

from tests.command_help import camlog

NO_NAMES = ("", ".", "..", "/")
COMMANDS = (
    ("analyze",), ("replay",), ("convert",), ("compare", "x.csv"), ("verify",), ("vehicle", "check"), ("vehicle", "new"),
    ("job", "new"), ("job", "show", "--job"), ("library", "add"), ("record", "--vehicle"), ("record", "--out"),
    ("replay", "--raw"), ("convert", "x.csv", "--map"),
)  # fmt: skip


@pytest.mark.parametrize("words", COMMANDS, ids=" ".join)
@pytest.mark.parametrize("name", NO_NAMES)
def test_it_is_refused(words, name):
    done = camlog(*words, name)
    lines = done.stderr.strip().splitlines()
    assert done.returncode == 2 and lines[-1].startswith("camlog: "), done
    assert "unforeseen" not in done.stderr and not done.stdout.strip()
    assert len(lines) == 1, done.stderr
