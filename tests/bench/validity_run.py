"""Drives of the fleet, examined once and kept: what the verdict is fitted on and tested with.

Examining takes most of the time, judging hardly any: `examined` yields what is kept of each drive, and everything
else (fit, leave-one-family-out, report) works on that.
"""

from __future__ import annotations

import dataclasses
import os
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from multiprocessing import Pool
from types import SimpleNamespace
from typing import Any

from camlog.analysis.analyze import examine_drive
from camlog.analysis.cam.examine import Examination
from camlog.analysis.code_evidence import CodeEvidence, code_evidence
from camlog.analysis.drive.coverage import CamCoverage
from camlog.limits import Limit
from tests.bench.fleet import FAMILIES, Case, Truth, draw, draw_poor
from tests.bench.validity_outside import draw_outside

TEXTBOOK = "textbook"  # plants of the handbooks under random commands
POOR_SHARE = 0.1
NICE = 10


@dataclass(frozen=True)
class Kept:
    """One examined drive: its family, what was drawn, the truth and the figures of each cam."""

    family: str
    seed: int
    kind: str
    severity: float
    rate_hz: float
    minutes: float
    poor: str | None
    truth: Mapping[str, Truth]
    cams: Mapping[str, Examination]
    covered: Mapping[str, CamCoverage]
    limits: Mapping[str, Limit]
    codes: CodeEvidence | None = None
    rules: Mapping[str, tuple[str, float]] = dataclasses.field(default_factory=dict)


Rules = Callable[[Mapping[str, Examination], Mapping[str, CamCoverage]], Mapping[str, tuple[str, float]]]
RULES: Rules | None = None  # a former way to judge, set by whoever wants it compared


def keep(job: tuple[str, int, bool]) -> Kept:
    """Drive, record and examine one drive: (family, seed, poor)."""
    family, seed, poor = job
    if family == TEXTBOOK:
        case = draw_outside(seed)
        trace, facts = case.record()
        truth = {
            cam: Truth(t.condition, t.also, t.seen and t.condition != "healthy", case.severity, case.kind, 0.0, t.apart_deg,
                       t.apart_s)
            for cam, t in facts.items()
        }  # fmt: skip
        return _kept(family, case, None, truth, examine_drive(trace), None)
    return keep_case((draw_poor if poor else draw)(family, seed))


def keep_case(case: Case) -> Kept:
    """Drive, record and examine one drive of the fleet."""
    recording = case.record()
    known = examine_drive(recording.trace, recording.drive, recording.profile)
    return _kept(case.family, case, case.poor, recording.truth, known, code_evidence(recording.drive))


def _kept(family: str, case: Case, poor: str | None, truth: Mapping[str, Truth], known, codes) -> Kept:
    # Of the readings themselves only how close they lay is kept.
    bare = {
        cam: dataclasses.replace(x, data=SimpleNamespace(actual_interval_s=x.data.actual_interval_s))
        for cam, x in known.cams.items()
    }
    covered = dict(known.covered.per_cam)
    return Kept(
        family, case.seed, case.kind, case.severity, case.rate_hz, case.minutes, poor, dict(truth), bare, covered,
        dict(known.limits), codes, RULES(bare, covered) if RULES else {},
    )  # fmt: skip


def jobs(drives: int, first_seed: int, families: tuple[str, ...] = tuple(FAMILIES)) -> list[tuple[str, int, bool]]:
    """About so many drives: evenly from every family and the textbook plants, and poor ones beside them."""
    each = max(drives // (len(families) + 1), 1)
    work = [(f, first_seed + i, False) for i in range(each) for f in (*families, TEXTBOOK)]
    return work + [(f, first_seed + i, True) for i in range(max(int(POOR_SHARE * each), 1)) for f in families]


def examined(work: Sequence[Any], processes: int = 2, keep: Callable[[Any], Kept] = keep) -> Iterator[Kept]:
    """Each drive of `work` examined by `keep`, in order."""
    began, said = time.monotonic(), 0.0
    with Pool(processes, initializer=os.nice, initargs=(NICE,)) as pool:
        for done, found in enumerate(pool.imap(keep, work, chunksize=4), 1):
            yield found
            if sys.stderr.isatty() and time.monotonic() - said > 2.0:
                said = time.monotonic()
                print(f"\r{done} of {len(work)} drives, {said - began:.0f} s ", end="", file=sys.stderr)
