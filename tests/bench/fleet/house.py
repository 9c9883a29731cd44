"""The project's own simulator as two families of the fleet."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any

from camlog.drive import Drive
from camlog.trace import Trace
from tests.bench.validity_cases import FAULTS, draw_case
from tests.drive_truth import drive_truth

if TYPE_CHECKING:
    from tests.bench.fleet.case import Case

KINDS = FAULTS


def record(case: Case, letter: str) -> tuple[Trace, Drive | None, dict[str, dict[str, Any]]]:
    """The trace, the drive file and, for each cam, the facts of a Truth."""
    drawn = dataclasses.replace(
        draw_case(case.seed, letter),
        kind=case.kind,
        severity=case.severity,
        rate_hz=case.rate_hz,
        minutes=case.minutes,
        start=case.start,
        poor="parked" if case.poor == "parked" else "",
    )
    done = drawn.drive()
    apart = drawn.apart() if case.kind != "healthy" else {}
    facts: dict[str, dict[str, Any]] = {}
    for cam, truth in drive_truth(drawn.setup, done.block)["cams"].items():
        facts[cam] = {"condition": "healthy"}
        if truth["condition"] != "healthy":
            facts[cam] = {
                "condition": truth["condition"],
                "also": tuple(truth["also"]),
                "shows": apart[cam].visible,
                "severity": case.severity,
                "kind": case.kind,
                "apart_s": apart[cam].worse_s,
            }
    return done.trace, done.drive if case.seed % 3 == 0 else None, facts
