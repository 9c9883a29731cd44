"""The memory of the car's modules: codes, the lamp, and how long ago it was cleared."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from camlog.analysis.code_evidence import LISTS
from camlog.stream import CodeSnapshot, TroubleCode
from camlog.trace import Trace
from camlog.verify.gate import CLOSING, Case, Outcome, failed, gate, messages, not_shown, passed
from camlog.verify.memory import COUNTERS, Memory, code_words, counter

# Modules round minutes and kilometres down, and count by their own clock.
TIME_ROUNDING_MIN = 1.5
DISTANCE_ROUNDING_KM = 1.5
DISTANCE_TRUST = 0.9
SPEED_HOLD_S = 5.0  # road speed is unknown in a longer gap


@gate(20, "{}_codes", "code_list", each=lambda case: ("stored", "pending"), needs=CLOSING)
def code_list(case: Case, closing: CodeSnapshot, name: str) -> Outcome:
    """No stored or pending code that concerns the job, at the end or earlier in the drive."""
    memory = case.memory
    if getattr(closing, name) is None:
        return not_shown("unread")
    held = memory.held(closing, name)
    if held:
        old = _only_left_over(memory, held)
        return failed("left_over" if old else "held", fault=not old, codes=code_words(held))
    earlier = [c for s in memory.during if s is not closing for c in memory.held(s, name)]
    return not_shown("held_earlier", codes=code_words(earlier)) if earlier else passed("none")


def _only_left_over(memory: Memory, held: Sequence[TroubleCode]) -> bool:
    """True if every code was present before the repair and nothing was cleared since."""
    opening = {c.code for name in LISTS for c in memory.held(memory.opening, name)}
    return memory.cleared_since_before is False and {c.code for c in held} <= memory.codes_before & opening


@gate(30, "permanent_codes", needs=CLOSING)
def permanent_codes(case: Case, closing: CodeSnapshot) -> Outcome:
    """No permanent code that concerns the job."""
    if closing.permanent is None:
        return not_shown("unread", answerable=False)
    held = case.memory.held(closing, "permanent")
    if not held:
        return passed("none")
    long_enough = case.after.conditions.permanent_code_drive.met
    return not_shown("held_after_long_drive" if long_enough else "held", codes=code_words(held))


@gate(40, "other_codes", needs=CLOSING)
def other_codes(case: Case, closing: CodeSnapshot) -> Outcome:
    """No other code, or only those that the technician declares to be outside the job."""
    memory = case.memory
    every = [c for name in LISTS for c in getattr(closing, name) or () if not memory.in_question(c.code)]
    if undeclared := [c for c in every if c.code not in memory.declared]:
        return not_shown("open", codes=code_words(undeclared))
    return passed("declared", codes=code_words(every)) if every else passed("none")


@gate(50, "lamp")
def lamp(case: Case) -> Outcome:
    """The module commanded the warning lamp off at the end."""
    closing = case.memory.closing
    if closing is None or closing.mil is None:
        return not_shown("unread")
    return failed("on") if closing.mil else passed("off")


@gate(60, "since_clear", needs=CLOSING)
def since_clear(case: Case, closing: CodeSnapshot) -> Outcome:
    """A whole drive has passed since the last clearing; before that an empty memory proves nothing."""
    memory = case.memory
    if not _opening_is_whole(memory):
        return not_shown("opening_unread")
    if memory.cleared_in_drive:
        return failed("cleared_in_drive")
    counted = {k: counter(closing, k) for k in COUNTERS}
    warm_ups, km, minutes = counted.values()
    if km is None and minutes is None:
        return not_shown("not_told", answerable=False)
    ago = ", ".join(messages(f"since_clear_words.{k}", value=v) for k, v in counted.items() if v is not None)
    driven = driven_km(case.after.trace)
    too_short = minutes is not None and minutes + TIME_ROUNDING_MIN < case.after.conditions.running_s / 60.0
    too_near = km is not None and driven is not None and km + DISTANCE_ROUNDING_KM < DISTANCE_TRUST * driven
    if too_short or too_near:
        return failed("younger_than_drive", ago=ago)
    if warm_ups is not None and warm_ups < 1:
        return not_shown("fresh", ago=ago)
    return passed("filled", ago=ago)


def _opening_is_whole(memory: Memory) -> bool:
    """True if the opening snapshot has everything with which the closing one is compared."""
    opening, closing = memory.opening, memory.closing
    if opening is None or opening.stored is None or opening.pending is None or not opening.readiness:
        return False
    return all(counter(opening, k) is not None for k in COUNTERS if counter(closing, k) is not None)


def driven_km(trace: Trace) -> float | None:
    """Distance of a drive (km), by trapezoids over its road speed; None if that was never read."""
    t, speed = trace.samples("vehicle_speed")
    if len(t) < 2:
        return None
    steps = np.diff(t)
    steps = np.where(steps <= SPEED_HOLD_S, steps, 0.0)
    return float(np.sum(steps * (speed[1:] + speed[:-1]) / 2.0) / 3600.0)
