"""How right the verdicts are on drives whose truth is known: `python -m tests.bench.validity`.

Three halves: simulated vehicles of family A and of family B (they differ in controller, command map and
friction), and outside cars that share nothing with the simulator (`validity_outside`). Each drive is analyzed
from its trace alone: no drive file, no vehicle profile. Limits and confidence were chosen on even seeds below
3,000 of family A; rules that held only for the simulator were found on outside seeds below 1,000 and on two
earlier runs of this study (500,001 and 700,001), and corrected. This runs on seeds from 900,001 on. `--save
FILE` keeps every examination, `--judge FILE` judges them again without driving.
"""

from __future__ import annotations

import argparse
import dataclasses
import os
import pickle
import sys
import time
from collections.abc import Iterable, Iterator
from multiprocessing import Pool
from pathlib import Path

from camlog.analysis import analyze
from camlog.analysis.limits import LIMITS
from camlog.analysis.verdict.judge import judge_all
from camlog.simulate.offline import SimulatedDrive
from camlog.trace import Trace
from tests.bench.validity_cases import Case, draw_case, draw_poor_case, visible
from tests.bench.validity_outside import draw_outside
from tests.bench.validity_report import Examined, Row, report

FIRST_SEED = 900_001
OUTSIDE_SHARE = 0.3  # outside drives on top, for each simulated one
POOR_SHARE = 0.15
NICE = 10


def simulated(seed: int) -> list[Examined]:
    """A simulated drive fit to be judged, family A for odd seeds, B for even ones."""
    case = draw_case(seed, "AB"[seed % 2 == 0])
    drive = case.drive()
    return _examined(drive.trace, _known(case, drive), f"simulated {case.family}", case)


def poor(seed: int) -> list[Examined]:
    """A simulated drive too poor to judge: very short, parked, or read about once a second."""
    case = draw_poor_case(seed)
    drive = case.drive()
    return _examined(drive.trace, _known(case, drive), f"poor: {case.poor}", case)


def _known(case: Case, drive: SimulatedDrive) -> dict[str, tuple]:
    """Per cam: condition, other names, whether it was seen, share of the drive in which it showed."""
    worse_s = case.worse_s() if case.kind != "healthy" else {}
    known = {}
    for cam, truth in drive.truth["cams"].items():
        worse = worse_s.get(cam, 0.0)
        shown = 1.0 if truth["condition"] == "sensor" else worse / (60.0 * case.minutes)
        known[cam] = (truth["condition"], tuple(truth["also"]), visible(truth, worse), shown)
    return known


def outside(seed: int) -> list[Examined]:
    """A drive of an outside car."""
    case = draw_outside(seed)
    trace, truth = case.record()
    seconds = 60.0 * case.minutes
    known = {
        cam: (t.condition, t.also, t.seen, 1.0 if t.condition == "sensor" else t.apart_s / seconds)
        for cam, t in truth.items()
    }
    return _examined(trace, known, "outside", case)


def _examined(trace: Trace, known: dict[str, tuple], half: str, case) -> list[Examined]:
    findings = analyze(trace)
    found = []
    for cam, (condition, also, seen, shown) in known.items():
        cam_found = findings.cams.get(cam)
        if cam_found is None:
            raise AssertionError(f"{half} drive {case.seed}: no finding for {cam}")
        bare = dataclasses.replace(cam_found.examination, data=None)
        row = Row(
            half, case.seed, cam, case.kind, case.severity, case.rate_hz, condition, also, seen, shown,
            cam_found.coverage is not None and cam_found.coverage.sufficient,
            cam_found.verdict.condition, cam_found.verdict.confidence,
        )  # fmt: skip
        found.append(Examined(row, bare, cam_found.coverage))
    return found


def _one(job: tuple[str, int]) -> list[Examined]:
    kind, seed = job
    return {"simulated": simulated, "poor": poor, "outside": outside}[kind](seed)


def run(drives: int, jobs: int, first_seed: int) -> Iterator[list[Examined]]:
    """Drive, record, analyze; one list a drive."""
    work = [("simulated", first_seed + i) for i in range(drives)]
    work += [("outside", first_seed + i) for i in range(int(drives * OUTSIDE_SHARE))]
    work += [("poor", first_seed + i) for i in range(int(drives * POOR_SHARE))]
    began, told = time.monotonic(), 0.0
    with Pool(jobs, initializer=os.nice, initargs=(NICE,)) as pool:
        for done, found in enumerate(pool.imap(_one, work, chunksize=4), 1):
            yield found
            if sys.stderr.isatty() and time.monotonic() - told > 2.0:
                told = time.monotonic()
                print(f"\r{done} of {len(work)} drives, {told - began:.0f} s ", end="", file=sys.stderr)


def judged_again(drives: Iterable[list[Examined]]) -> Iterator[Row]:
    """The rows of saved examinations with the verdicts of today."""
    for cams in drives:
        verdicts = judge_all(
            {c.row.cam: c.examination for c in cams},
            {c.row.cam: c.coverage for c in cams if c.coverage},
            LIMITS,
        )
        for c in cams:
            verdict = verdicts[c.row.cam]
            yield dataclasses.replace(c.row, got=verdict.condition, confidence=verdict.confidence)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "--drives", type=int, default=1000, help="simulated drives fit to be judged (default 1000)"
    )
    parser.add_argument("--jobs", type=int, default=2, help="processes (default 2)")
    parser.add_argument("--first-seed", type=int, default=FIRST_SEED)
    parser.add_argument("--save", type=Path, help="keep every examination in this file")
    parser.add_argument("--judge", type=Path, help="judge the examinations of this file, drive nothing")
    options = parser.parse_args()
    if options.judge:
        drives = pickle.loads(options.judge.read_bytes())
        rows = list(judged_again(drives))
    else:
        drives = list(run(options.drives, options.jobs, options.first_seed))
        rows = [c.row for cams in drives for c in cams]
    if options.save:
        options.save.write_bytes(pickle.dumps(drives))
    print(report(rows))


if __name__ == "__main__":
    main()
