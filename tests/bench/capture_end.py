"""How soon Ctrl-C ends a recording: every misbehaving adapter, in every state, again and again on a busy computer.

    python -m tests.bench.capture_end [ROUNDS]

Each row is a kind of misbehaviour and when it begins; the seconds are those of the slowest round, without the time for
which other work of this computer held the recording up. The bound is that of the README: two seconds.
"""

from __future__ import annotations

import multiprocessing
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from tests.misbehaving_adapters import KINDS
from tests.test_capture_hold import CODES_WITHIN_S, ENDS_WITHIN_S, HARMLESS, WHEN, ended_by_ctrl_c


def _burn() -> None:
    while True:
        pass


def main(rounds: int = 3) -> None:
    burners = [multiprocessing.Process(target=_burn, daemon=True) for _ in range(2)]
    for burner in burners:
        burner.start()
    slowest: dict[tuple[str, str], float] = {}
    with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor(3) as pool:
        runs = [
            ((kind, when), pool.submit(ended_by_ctrl_c, Path(folder, f"{n}-{round_}-{when}"), kind, when=when))
            for round_ in range(rounds)
            for when in WHEN
            for n, kind in enumerate(KINDS)
        ]
        for case, run in runs:
            slowest[case] = max(slowest.get(case, 0.0), run.result().took_s)
    for burner in burners:
        burner.kill()
    for (kind, when), took_s in sorted(slowest.items(), key=lambda item: -item[1]):
        print(f"{took_s:5.2f} s  {kind}, {when}")
    limits = {case: ENDS_WITHIN_S + (CODES_WITHIN_S if case[0] in HARMLESS else 0.0) for case in slowest}
    late = sum(took_s > limits[case] for case, took_s in slowest.items())
    print(f"{rounds} rounds of {len(slowest)} cases: {late} ended later than {ENDS_WITHIN_S:g} s")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
