"""Any drive in any dialect: what is read back is what was written, or a question, or a refusal; never other values."""

from __future__ import annotations

import random

import pytest

from camlog.convert import convert
from camlog.errors import InputError
from camlog.trace import read_trace
from tests.foreign_writer import a_drive, written, wrong_values


@pytest.mark.parametrize("first", range(0, 160, 20))
def test_what_is_read_back_is_what_was_written(first, tmp_path):
    taken = 0
    for seed in range(first, first + 20):
        rng = random.Random(seed)
        file = written(a_drive(rng), rng)
        (tmp_path / "drive.csv").write_bytes(file.content)
        try:
            done = convert(tmp_path / "drive.csv", out=tmp_path / "out.csv", force=True)
        except InputError as error:
            assert "\n" not in str(error) and error.remedy
            continue
        trace = read_trace(tmp_path / "out.csv")
        assert wrong_values(done, trace, file) == [], seed
        taken += sum(c.certain and c.signal in file.truth for c in done.columns)
    assert taken > 20  # most drives are read, and not only asked about
