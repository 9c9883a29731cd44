"""The drive itself: the engine may be run, the drive was long enough, the engine warmed up, the conditions of the fault
were met again, and no readings are missing.

The numbers are the regulation's: 13 CCR 1968.2(c) for warm-up cycle and similar conditions (the latter
from memory), 13 CCR 1968.2(d) for the drive that lets permanent codes erase themselves."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from camlog import cams, signals
from camlog.analysis.code_evidence import LISTS
from camlog.analysis.drive import regulation
from camlog.analysis.findings import Findings
from camlog.messages import capital
from camlog.verify.gate import Case, Outcome, failed, gate, messages, not_applicable, not_shown, passed
from camlog.verify.memory import Memory, code_words

# In the first seconds after a start even a short gap may hide a fault.
START_S = 10.0
START_HOLE_S = 2.0
# A fault of this length sets a code on many cars, so a longer gap can hide one (common practice, no source). It does
# not depend on the limits of the profile.
HOLE_S = 4.5
ENGINE_OFF_SLACK_S = 1.0
FRAME_KEYS = ("engine_speed", "engine_load", "coolant_temp")


@gate(10, "fit_to_run")
def fit_to_run(case: Case) -> Outcome:
    """Nothing in the drive indicates that the engine must not be run."""
    refused = case.after.do_not_run
    if refused:
        return failed("refused", fault=True, why=refused[1], first=refused[0])
    return passed("runs" if len(case.after.trace.samples("oil_pressure")[0]) else "runs_pressure_unread")


@gate(80, "drive_length")
def drive_length(case: Case) -> Outcome:
    """The drive was as long as the one that lets permanent codes erase themselves."""
    proof = case.after.conditions.permanent_code_drive
    values: dict[str, Any] = {
        "running": proof.running_s, "running_needed": regulation.PERMANENT_RUNNING_S,
        "road": _seconds(proof.road_s), "road_needed": regulation.PERMANENT_ROAD_S,
        "road_km_h": regulation.PERMANENT_ROAD_KM_H,
        "idle": _seconds(proof.longest_idle_s), "idle_needed": regulation.PERMANENT_IDLE_S,
    }  # fmt: skip
    if proof.met is True:
        return passed("long_enough", **values)
    return not_shown("short", lacking=capital("; ".join(_lacking(proof))), **values)


def _lacking(proof: regulation.PermanentCodeDrive) -> Iterator[str]:
    if proof.running_s < regulation.PERMANENT_RUNNING_S:
        left = _minutes(regulation.PERMANENT_RUNNING_S - proof.running_s)
        yield messages("drive_length_words.run_longer", time=left)
    if proof.road_s is None or proof.longest_idle_s is None:
        yield messages("drive_length_words.record_speed")
        return
    if proof.road_s < regulation.PERMANENT_ROAD_S:
        left = _minutes(regulation.PERMANENT_ROAD_S - proof.road_s)
        yield messages("drive_length_words.road_longer", time=left, km_h=regulation.PERMANENT_ROAD_KM_H)
    if proof.longest_idle_s < regulation.PERMANENT_IDLE_S:
        yield messages("drive_length_words.idle", seconds=regulation.PERMANENT_IDLE_S)


def _seconds(value: float | None) -> str:
    name = "unknown" if value is None else "seconds"
    return messages(f"drive_length_words.{name}", value=value)


def _minutes(seconds: float) -> str:
    if seconds < 60.0:
        return _seconds(math.ceil(seconds))
    minutes = math.ceil(seconds / 60.0)
    return messages("drive_length_words.minutes", value=minutes)


@gate(90, "warm_up")
def warm_up(case: Case) -> Outcome:
    """The drive contains a warm-up cycle."""
    warm = case.after.conditions.warm_up
    if warm.met is True:
        return passed("warmed", reason=warm.reason)
    return not_shown("not_warmed", reason=warm.reason)


@gate(100, "freeze_frame")
def freeze_frame(case: Case) -> Outcome:
    """The conditions under which the codes were set were met again."""
    memory = case.memory
    if memory.before is None:
        return not_shown("no_first_drive")
    if not memory.before_whole:
        return not_shown("first_drive_unread", answerable=False)
    if unframed := [c for s in memory.before if not s.freeze_frame for c in memory.held(s, "stored")]:
        return not_shown("frame_unread", answerable=False, codes=code_words(unframed))
    frames = _frames(memory)
    if not frames:
        codes = [c for s in memory.before for name in LISTS for c in memory.held(s, name)]
        if codes:
            return not_shown("no_frame", answerable=False, codes=code_words(codes))
        return not_applicable("nothing_stored")
    results = [(frame, regulation.similar_conditions(case.after.trace, frame)) for frame in frames]
    missed = next(((frame, similar) for frame, similar in results if similar.met is not True), None)
    if missed is None:
        return passed("met", reason=" ".join(similar.reason for _, similar in results))
    frame, similar = missed
    if any(key not in frame for key in FRAME_KEYS):
        return not_shown("poor_frame", answerable=False, reason=similar.reason)
    speed, load, coolant = (float(frame[k]) for k in FRAME_KEYS)
    return not_shown(
        "not_met_warm" if coolant >= regulation.WARM_UP_REACHED_DEGC else "not_met_cold",
        reason=similar.reason, speed=speed, speed_slack=regulation.SIMILAR_SPEED_RPM, load=load,
        load_slack=max(regulation.SIMILAR_LOAD_FRACTION * load, regulation.LOAD_STEP_PERCENT),
        warm=regulation.WARM_UP_REACHED_DEGC,
    )  # fmt: skip


def _frames(memory: Memory) -> list[Mapping[str, Any]]:
    """The distinct freeze frames of the job from both drives."""
    frames: list[Mapping[str, Any]] = []
    for snapshot in (*(memory.before or ()), *memory.during):
        frame = snapshot.freeze_frame
        if not frame or frame in frames:
            continue
        code = frame.get("code")
        if not isinstance(code, str) or memory.in_question(code):
            frames.append(frame)
    return frames


@gate(110, "recording")
def recording(case: Case) -> Outcome:
    """No signal needed for the proof has a long gap while the engine was running."""
    after = case.after
    if not len(after.trace.samples("engine_speed")[0]):
        return not_shown("no_speed")
    starts = [s.time_s for s in after.conditions.starts]
    holes = [(b - a, a, name) for name, a, b in _holes(after)]
    bad = [h for h in holes if h[0] > HOLE_S or any(s <= h[1] + h[0] and h[1] <= s + START_S for s in starts)]
    if not bad:
        return passed("whole", longest=HOLE_S)
    length, begin, name = max(bad, key=lambda hole: hole[0])
    return not_shown(
        "holes" if len(bad) > 1 else "hole", length=length, begin=begin, longest=HOLE_S, count=len(bad),
        signal=signals.SIGNALS[name].title.lower(),
    )  # fmt: skip


def _holes(after: Findings) -> Iterator[tuple[str, float, float]]:
    """Gaps (signal, start s, end s) of START_HOLE_S or more in engine speed and the angles of every cam, while the
    engine may have been running."""
    trace = after.trace
    begin, end = float(trace.time_s[0]), float(trace.time_s[-1])
    still = (s for s in after.conditions.segments if s.state in ("engine_off", "cranking"))
    off = [(s.start_s - ENGINE_OFF_SLACK_S, s.end_s + ENGINE_OFF_SLACK_S) for s in still]
    for name in ("engine_speed", *(f(cam) for cam in after.cams for f in (cams.commanded, cams.actual))):
        edges = np.concatenate([[begin], trace.samples(name)[0], [end]])
        for i in np.flatnonzero(np.diff(edges) > START_HOLE_S):
            a, b = float(edges[i]), float(edges[i + 1])
            # The engine counts as off during a gap if it was off at both ends.
            if not all(any(x <= t <= y for x, y in off) for t in (a, b)):
                yield name, a, b
