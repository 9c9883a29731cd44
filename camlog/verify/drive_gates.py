"""Gates on the drive itself: long enough, warmed up, the fault's conditions met again, nothing left out.

The numbers are the regulation's: 13 CCR 1968.2(c) for warm-up cycle and similar conditions (the latter from
memory), 13 CCR 1968.2(d) for the drive that lets permanent codes erase themselves.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from camlog import signals
from camlog.analysis.drive.regulation import (
    LOAD_STEP_PERCENT,
    PERMANENT_IDLE_S,
    PERMANENT_ROAD_KM_H,
    PERMANENT_ROAD_S,
    PERMANENT_RUNNING_S,
    SIMILAR_LOAD_FRACTION,
    SIMILAR_SPEED_RPM,
    WARM_UP_REACHED_DEGC,
    similar_conditions,
)
from camlog.analysis.findings import Findings
from camlog.verify.code_gates import COLD_START
from camlog.verify.gate import Gate, GateMaker
from camlog.verify.memory import LISTS, Memory, code_words

# A cold engine shows its worst in the first seconds, where even a short hole may hide it.
START_S = 10.0
START_HOLE_S = 2.0
# A fault of this length sets a code on many cars, and a longer hole can hide one (common practice, no source). It is no
# service limit of a vehicle: a profile that forgives a cam longer errors does not forgive a recording longer holes.
HOLE_S = 4.5
FRAME_KEYS = ("engine_speed", "engine_load", "coolant_temp")


def drive_gates(after: Findings, memory: Memory) -> list[Gate]:
    """Length, warm-up, conditions of the freeze frame, and a recording without holes."""
    return [_length(after), _warm_up(after), _freeze_frame(after, memory), _whole(after)]


def _length(after: Findings) -> Gate:
    make = GateMaker("drive_length", "Drive long enough")
    proof = after.conditions.permanent_code_drive
    words = (
        f"{proof.running_s:.0f} s running (of {PERMANENT_RUNNING_S:.0f}), {_seconds(proof.road_s)} at "
        f"{PERMANENT_ROAD_KM_H:.0f} km/h or more (of {PERMANENT_ROAD_S:.0f}), "
        f"{_seconds(proof.longest_idle_s)} of idle on end (of {PERMANENT_IDLE_S:.0f}); 13 CCR 1968.2(d)."
    )
    if proof.met is True:
        return make.passed(words[0].upper() + words[1:])
    todo = []
    if proof.running_s < PERMANENT_RUNNING_S:
        todo.append(f"let it run {_minutes(PERMANENT_RUNNING_S - proof.running_s)} longer in the same drive")
    if proof.road_s is None or proof.longest_idle_s is None:
        todo.append("record the vehicle speed too")
    else:
        if proof.road_s < PERMANENT_ROAD_S:
            todo.append(
                f"{_minutes(PERMANENT_ROAD_S - proof.road_s)} more at {PERMANENT_ROAD_KM_H:.0f} km/h or above"
            )
        if proof.longest_idle_s < PERMANENT_IDLE_S:
            todo.append(f"idle {PERMANENT_IDLE_S:.0f} s without touching the pedal")
    return make.not_shown(words, _sentence("; ".join(todo)) + " All of it in one drive, from one start on.")


def _warm_up(after: Findings) -> Gate:
    make = GateMaker("warm_up", "Real warm-up")
    warm = after.conditions.warm_up
    if warm.met is True:
        return make.passed(warm.reason)
    return make.not_shown(warm.reason, COLD_START)


def _freeze_frame(after: Findings, memory: Memory) -> Gate:
    make = GateMaker("freeze_frame", "Fault conditions met again")
    if memory.before is None:
        return make.not_shown(
            "Without a first drive nobody knows under which conditions the fault was set.",
            "Give the first drive, or the file that camlog clear saved, with --before.",
        )
    if not memory.before_whole:
        return make.not_shown(
            "The codes of the first drive were not read at its beginning and its end, so its conditions "
            "are not all known.",
            "This cannot be made up for now: record with the ignition on before the start and after the end.",
            answerable=False,
        )
    frames = _frames(memory)
    if unframed := [c for s in memory.before if not s.freeze_frame for c in memory.held(s, "stored")]:
        return make.not_shown(
            f"The first drive held {code_words(unframed)}, but its freeze frame was not read.",
            "Drive as the customer does when it shows: nobody can check the conditions for you.",
            answerable=False,
        )
    if not frames:
        codes = [c for s in memory.before for name in LISTS for c in memory.held(s, name)]
        if codes:
            return make.not_shown(
                f"The first drive held {code_words(codes)}, but no freeze frame was read with it.",
                "Drive as the customer does when it shows: nobody can check the conditions for you.",
                answerable=False,
            )
        return make.not_applicable(
            "The first drive held no code of the job and no freeze frame, so there are no stored conditions to meet."
        )
    found = [(frame, similar_conditions(after.trace, frame)) for frame in frames]
    missed = [(frame, similar) for frame, similar in found if similar.met is not True]
    if not missed:
        return make.passed(" ".join(similar.reason for _, similar in found))
    frame, similar = missed[0]
    if any(key not in frame for key in FRAME_KEYS):
        return make.not_shown(
            similar.reason,
            "This car's freeze frame is too poor to check; drive as the customer does.",
            answerable=False,
        )
    return make.not_shown(similar.reason, _how_to_meet(frame))


def _frames(memory: Memory) -> list[Mapping[str, Any]]:
    """The distinct freeze frames of the job, of the first drive and of the second."""
    found: list[Mapping[str, Any]] = []
    for snapshot in (*(memory.before or ()), *memory.during):
        frame = snapshot.freeze_frame
        if not frame or frame in found:
            continue
        code = frame.get("code")
        if not isinstance(code, str) or memory.in_question(code):
            found.append(frame)
    return found


def _how_to_meet(frame: Mapping[str, Any]) -> str:
    speed, load, coolant = (float(frame[k]) for k in FRAME_KEYS)
    slack = max(SIMILAR_LOAD_FRACTION * load, LOAD_STEP_PERCENT)
    warm = "warm" if coolant >= WARM_UP_REACHED_DEGC else f"still below {WARM_UP_REACHED_DEGC:.0f} °C coolant"
    return (
        f"With the engine {warm}, hold {speed:.0f} rpm (within {SIMILAR_SPEED_RPM:.0f}) at {load:.0f} % "
        f"load (within {slack:.0f}) for some seconds."
    )


def _whole(after: Findings) -> Gate:
    make = GateMaker("recording", "Recording without holes")
    holes = recording_holes(after)
    if holes is None:
        return make.not_shown("The engine speed was not recorded.", "Record the engine speed too.")
    starts = [s.time_s for s in after.conditions.starts]
    bad = [
        (name, a, b)
        for name, a, b in holes
        if b - a > HOLE_S or (b - a > START_HOLE_S and any(s <= b and a <= s + START_S for s in starts))
    ]
    if bad:
        name, a, b = max(bad, key=lambda hole: hole[2] - hole[1])
        more = f" There are {len(bad)} such holes." if len(bad) > 1 else ""
        return make.not_shown(
            f"For {b - a:.0f} s, from {a:.0f} s on, {name} was not recorded with the engine running; a "
            f"fault that lasts {HOLE_S:g} s sets a code on many cars.{more}",
            "Check cable and adapter, and record the drive again without interruption.",
        )
    return make.passed(
        f"No signal that carries the proof was away for more than {HOLE_S:g} s with the engine running."
    )


def recording_holes(after: Findings) -> list[tuple[str, float, float]] | None:
    """Stretches (signal in words, start_s, end_s) without a reading while the engine may have been running.

    Of engine speed and of both angles of every cam; holes of two seconds and more. None where the engine
    speed was never read.
    """
    trace = after.trace
    speed_s, _ = trace.samples("engine_speed")
    if not len(speed_s):
        return None
    begin, end = float(trace.time_s[0]), float(trace.time_s[-1])
    off = [(s.start_s, s.end_s) for s in after.conditions.segments if s.state in ("engine_off", "cranking")]
    found = []
    names = ["engine_speed"]
    for cam in after.cams:
        names += [signals.commanded(cam), signals.actual(cam)]
    for name in names:
        at = trace.samples(name)[0]
        edges = np.concatenate([[begin], at, [end]])
        for i in np.flatnonzero(np.diff(edges) > START_HOLE_S):
            a, b = float(edges[i]), float(edges[i + 1])
            if not _engine_off(off, a, b):
                found.append((signals.SIGNALS[name].title.lower(), a, b))
    return found


def _engine_off(off: list[tuple[float, float]], start_s: float, end_s: float) -> bool:
    """True where the engine was known to stand at both ends of a stretch and nothing in it says otherwise."""
    slack = 1.0
    inside = lambda t: any(a - slack <= t <= b + slack for a, b in off)
    return inside(start_s) and inside(end_s)


def _seconds(value: float | None) -> str:
    return "not known" if value is None else f"{value:.0f} s"


def _minutes(seconds: float) -> str:
    if seconds < 60.0:
        return f"{math.ceil(seconds)} s"
    minutes = math.ceil(seconds / 60.0)
    return f"{minutes} minute" + ("" if minutes == 1 else "s")


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + "."
