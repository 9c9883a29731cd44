"""Drives in random dialects, units, signs, clocks and languages: are they ever read as other values than were written?

    python -m tests.bench.convert_property [CASES]

Ends by printing how many of the cases (10,000 by default) were read whole, asked about or refused, and what was wrong.
"""

from __future__ import annotations

import random
import sys
import tempfile
from collections import Counter
from pathlib import Path

from camlog.convert import convert
from camlog.errors import InputError
from camlog.trace import read_trace
from tests.foreign_writer import a_drive, written, wrong_values

CASES = 10_000


def main() -> None:
    cases = int(sys.argv[1]) if len(sys.argv) > 1 else CASES
    counted: Counter[str] = Counter()
    refused: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        source, out = Path(folder) / "drive.csv", Path(folder) / "out.csv"
        for seed in range(cases):
            rng = random.Random(seed)
            file = written(a_drive(rng), rng)
            source.write_bytes(file.content)
            try:
                done = convert(source, out=out, force=True)
            except InputError as error:
                counted["refused"] += 1
                refused[error.what[:60]] += 1
                continue
            wrong = wrong_values(done, read_trace(out), file)
            counted["wrong" if wrong else "asked" if done.doubtful else "whole"] += 1
            for sentence in wrong:
                print(f"case {seed}: {sentence}")
    for what, count in refused.most_common(5):
        print(f"refused {count} times: {what}")
    print(
        f"{cases} drives: {counted['whole']} read whole, {counted['asked']} asked about, {counted['refused']} refused, {counted['wrong']} wrong (at most 0)"
    )


if __name__ == "__main__":
    main()
