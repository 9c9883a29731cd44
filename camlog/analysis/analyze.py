"""From a Trace to Findings: the whole analysis in the order the data goes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from camlog import cautions
from camlog.analysis import do_not_run
from camlog.analysis.cam.camdata import CamData, cam_data
from camlog.analysis.cam.examine import Examination, examine
from camlog.analysis.causes.causes import MECHANICAL_TIMING
from camlog.analysis.causes.rank import Cause, diagnose
from camlog.analysis.code_evidence import code_evidence
from camlog.analysis.drive.conditions import Conditions
from camlog.analysis.drive.conditions import conditions as drive_conditions
from camlog.analysis.drive.coverage import Coverage
from camlog.analysis.drive.coverage import coverage as drive_coverage
from camlog.analysis.engine_supply import engine_supply
from camlog.analysis.figures import FAULTS
from camlog.analysis.findings import CamFindings, Findings
from camlog.analysis.misfire.rates import measure_misfire
from camlog.analysis.verdict.judge import judge_all
from camlog.analysis.verdict.oil_effect import response_pattern
from camlog.drive import Drive
from camlog.limits import Limit, limits_for
from camlog.oil_windows import oil_windows
from camlog.profile import VehicleProfile
from camlog.profile.model import layout_of
from camlog.signals import CAM_IDS
from camlog.trace import Trace

if TYPE_CHECKING:
    from camlog.library.known_good import KnownGood


@dataclass(frozen=True)
class Examined:
    """Everything measured in a drive before anything is judged; each mapping has one entry a cam."""

    limits: Mapping[str, Limit]
    conditions: Conditions
    data: Mapping[str, CamData]
    covered: Coverage
    cams: Mapping[str, Examination]


def examine_drive(trace: Trace, drive: Drive | None = None, profile: VehicleProfile | None = None) -> Examined:
    """Measure every figure of every cam of a drive. Arguments as for `analyze`."""
    limits = limits_for(profile)
    windows = oil_windows(limits)
    conditions = drive_conditions(trace, drive, windows, limits)
    cam_data_of = {cam: cam_data(trace, cam, profile, conditions.windows.windows) for cam in CAM_IDS}
    data = {cam: of_cam for cam, of_cam in cam_data_of.items() if of_cam is not None}
    covered = drive_coverage(trace, windows=windows, profile=profile, limits=limits)
    engine = profile.engine if profile is not None else None
    cams = {
        cam: examine(of_cam, limits, engine, [d for other, d in data.items() if other != cam])
        for cam, of_cam in data.items()
    }
    return Examined(limits, conditions, data, covered, cams)


def analyze(
    trace: Trace, drive: Drive | None = None, profile: VehicleProfile | None = None, known_good: KnownGood | None = None
) -> Findings:
    """Analyze a drive.

    `drive` adds codes, events and gaps. `profile` adds this vehicle's engine geometry, oil grade, cam travel and
    limits. `known_good` adds the known-good cars of its kind. A trace without cam angles gives findings without cams,
    and a sentence that says so. No file is read or written."""
    measured = examine_drive(trace, drive, profile)
    limits, examined, covered = measured.limits, measured.cams, measured.covered
    events = drive.events if drive is not None else ()
    complaint = " ".join(e.text for e in events if e.kind == "marker")
    codes, supply = code_evidence(drive), engine_supply(trace, limits)
    verdicts = judge_all(examined, covered.per_cam, limits, codes=codes, complaint=complaint, known_good=known_good)
    patterns = {cam: response_pattern(x, limits) for cam, x in examined.items()}
    starts_s = [s.time_s for s in measured.conditions.starts]
    misfire = measure_misfire(trace, measured.conditions.windows, starts_s, profile, measured.data, limits)
    diagnosis = diagnose(
        verdicts, patterns, misfire, codes, sufficient=covered.sufficient,
        with_supply=sum(x.sticking.with_supply for x in examined.values()), supply=supply,
    )  # fmt: skip
    causes = diagnosis.causes
    refused = do_not_run.reasons(
        verdicts=verdicts, examined=examined, causes=causes, codes=codes, misfire=misfire, pressure=supply.pressure,
        events=events, starts_s=starts_s, limits=limits,
    )  # fmt: skip
    if refused:
        # No part of the result may ask anybody to run or drive this engine.
        covered = covered.without_driving()
        verdicts = judge_all(examined, covered.per_cam, limits, codes=codes, complaint=complaint, known_good=known_good)
        diagnosis = replace(diagnosis, standing=True)
        causes = do_not_run.checks_at_standstill(causes, refused)
    first_lines = do_not_run.sentences(refused)
    cams = {
        cam: CamFindings(cam, verdicts[cam], x, covered.per_cam.get(cam), patterns[cam]) for cam, x in examined.items()
    }
    return Findings(
        trace=trace, conditions=measured.conditions, cams=cams, misfire=misfire, codes=codes, causes=causes, diagnosis=diagnosis,
        coverage=covered,
        cautions=(*first_lines, *_cautions(cams, causes, codes.codes, bool(refused), profile)), do_not_run=first_lines,
        limits=limits, profile=profile, drive=drive,
    )  # fmt: skip


def _cautions(
    cams: Mapping[str, CamFindings], causes: Sequence[Cause], codes: Sequence[object], refused: bool,
    profile: VehicleProfile | None,
) -> tuple[str, ...]:  # fmt: skip
    """The cautions of these findings, without those printed beside each check."""
    keys = [cautions.ADVICE] if refused else [cautions.ADVICE, cautions.DRIVE]
    timing = any(c.cause == MECHANICAL_TIMING for c in do_not_run.leading(causes))
    if timing or any(c.verdict.condition in FAULTS for c in cams.values()):
        keys += [cautions.TIMING, cautions.TORQUE]
    if codes:
        keys.append(cautions.EVIDENCE)
    beside = [c for cause in do_not_run.leading(causes) for check in cause.next_checks for c in check.cautions]
    # The caution about valves meeting pistons is left out for a non-interference engine.
    idle = () if layout_of(profile).interference else cautions.sentences([cautions.TIMING])
    return tuple(c for c in dict.fromkeys((*cautions.sentences(keys), *beside)) if c not in idle)
