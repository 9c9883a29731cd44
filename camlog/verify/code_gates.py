"""Gates on what the car's modules hold: codes, the lamp, and how long the memory has been filling."""

from __future__ import annotations

from collections.abc import Sequence

from camlog.analysis.drive.conditions import Conditions
from camlog.stream import TroubleCode
from camlog.verify.gate import Gate, GateMaker
from camlog.verify.memory import COUNTERS, LISTS, Memory, code_words, counter

NOT_READ = "The codes were not read at the end of the drive."
READ_AGAIN = "Leave the ignition on when you end the recording: the codes are read then."
COLD_START = (
    "Begin recording before starting the cold engine, and drive until it is warm, without stopping it."
)
# Whole minutes and kilometres are counted down, and a module counts by its own clock.
TIME_ROUNDING_MIN = 1.5
DISTANCE_ROUNDING_KM = 1.5
DISTANCE_TRUST = 0.9


def code_gates(memory: Memory, conditions: Conditions, driven_km: float | None) -> list[Gate]:
    """Stored, pending and permanent codes, other codes, the lamp, and the time since the last clear."""
    return [
        _list_gate(memory, "stored"),
        _list_gate(memory, "pending"),
        _permanent(memory, conditions),
        _others(memory),
        _lamp(memory),
        _since_clear(memory, conditions, driven_km),
    ]


def _list_gate(memory: Memory, name: str) -> Gate:
    make = GateMaker(f"{name}_codes", f"No {name} codes of the job")
    if memory.closing is None:
        return make.not_shown(NOT_READ, READ_AGAIN)
    if getattr(memory.closing, name) is None:
        return make.not_shown(
            f"The {name} codes could not be read from every module, so there may be some.",
            "Read the codes once more, with the ignition on and the adapter's lamp lit.",
        )
    found = memory.held(memory.closing, name)
    if found:
        old = _only_left_over(memory, found)
        todo = (
            "Clear the codes after the repair (camlog clear saves them first), where local rules allow it, "
            "and drive again."
            if old
            else "The fault is there again: go back to the diagnosis."
        )
        left = (
            " They stood there in the first drive too, and the memory was not cleared since." if old else ""
        )
        return make.failed(f"At the end of the drive: {code_words(found)}.{left}", todo, fault=not old)
    earlier = [c for s in memory.during if s is not memory.closing for c in memory.held(s, name)]
    if earlier:
        return make.not_shown(
            f"{code_words(earlier)} stood there earlier in this recording and was gone at its end.",
            "Record one more whole drive that begins and ends without it.",
        )
    return make.passed(f"No module held a {name} code of the job at the end of the drive.")


def _only_left_over(memory: Memory, found: Sequence[TroubleCode]) -> bool:
    """True where every code was there before the repair and nothing was cleared since: no proof."""
    opening = {c.code for name in LISTS for c in memory.held(memory.opening, name)}
    return memory.cleared_since_before is False and all(
        c.code in memory.codes_before and c.code in opening for c in found
    )


def _permanent(memory: Memory, conditions: Conditions) -> Gate:
    make = GateMaker("permanent_codes", "No permanent codes of the job")
    if memory.closing is None:
        return make.not_shown(NOT_READ, READ_AGAIN)
    if memory.closing.permanent is None:
        return make.not_shown(
            "The car did not answer about permanent codes; older cars keep none.",
            "This car cannot show it. The other checks must carry the proof, and you must judge it.",
            answerable=False,
        )
    found = memory.held(memory.closing, "permanent")
    if not found:
        return make.passed("No module held a permanent code of the job at the end of the drive.")
    if conditions.permanent_code_drive.met:
        todo = (
            "This drive was long enough for the permanent code to erase itself: with the recording still "
            "running stop the engine, leave the ignition on for some seconds, then end the recording. If "
            "it stays, its monitor has not yet passed: drive the same again."
        )
    else:
        todo = (
            "A permanent code erases itself, and only so, once its monitor has passed and one drive was "
            "long enough: 10 minutes running, 5 of them at 40 km/h or more, 30 s of idle on end (13 CCR "
            "1968.2(d))."
        )
    return make.not_shown(f"A permanent code is still there: {code_words(found)}.", todo)


def _others(memory: Memory) -> Gate:
    make = GateMaker("other_codes", "No other codes open")
    if memory.closing is None:
        return make.not_shown(NOT_READ, READ_AGAIN)
    every = [
        c for name in LISTS for c in getattr(memory.closing, name) or () if not memory.in_question(c.code)
    ]
    open_ones = [c for c in every if c.code not in memory.declared]
    if open_ones:
        codes = " ".join(f"--outside {c}" for c in dict.fromkeys(c.code for c in open_ones))
        return make.not_shown(
            f"Held besides: {code_words(open_ones)}. camlog cannot say whether it has to do with this job.",
            f"Look it up in the service information; repair it, or declare it outside this job ({codes}).",
        )
    if every:
        return make.passed(f"Declared outside this job by the technician: {code_words(every)}.")
    return make.passed("No module held any other code at the end of the drive.")


def _lamp(memory: Memory) -> Gate:
    make = GateMaker("lamp", "MIL (warning lamp) off")
    if memory.closing is None or memory.closing.mil is None:
        return make.not_shown("The state of the lamp was not read at the end of the drive.", READ_AGAIN)
    if memory.closing.mil:
        return make.failed(
            "The module commanded the MIL on at the end of the drive.",
            "Find the code that lights it: camlog codes.",
        )
    return make.passed("The module commanded the MIL off at the end of the drive.")


def _since_clear(memory: Memory, conditions: Conditions, driven_km: float | None) -> Gate:
    """An empty memory proves something only where it had a whole drive to fill in."""
    make = GateMaker("since_clear", "The memory had time to fill")
    closing = memory.closing
    if closing is None:
        return make.not_shown(NOT_READ, READ_AGAIN)
    if not _opening_is_whole(memory):
        return make.not_shown(
            "The codes and counters were not all read when the drive began, so a clearing in between would "
            "not show.",
            "Switch the ignition on, begin recording, and wait for the first line before you start the "
            "engine.",
        )
    if memory.cleared_in_drive:
        return make.failed(
            "The memory was cleared (or its supply was lost) during this recording.",
            "Record a whole drive that begins after the clearing.",
        )
    warm_ups, km, minutes = (counter(closing, k) for k in ("warm_ups", "distance_km", "time_min"))
    if km is None and minutes is None:
        return make.not_shown(
            "The car does not tell how long ago its memory was cleared.",
            "This car cannot show it. Clear the codes only before, never during, the drive, and judge it "
            "yourself.",
            answerable=False,
        )
    words = _counter_words(warm_ups, km, minutes)
    if (
        minutes is not None
        and minutes + TIME_ROUNDING_MIN < conditions.running_s / 60.0
        or (
            km is not None
            and driven_km is not None
            and km + DISTANCE_ROUNDING_KM < DISTANCE_TRUST * driven_km
        )
    ):
        return make.failed(
            f"The memory was cleared {words} ago, which is less than this drive was long.",
            "Record a whole drive that begins after the clearing.",
        )
    if warm_ups is not None and warm_ups < 1:
        return make.not_shown(
            f"The memory was cleared {words} ago: an empty memory that was just cleared proves nothing.",
            COLD_START,
        )
    return make.passed(f"The memory was last cleared {words} ago, before this drive began.")


def _opening_is_whole(memory: Memory) -> bool:
    """True where the opening snapshot holds what the closing one is set against."""
    opening, closing = memory.opening, memory.closing
    if opening is None or opening.stored is None or opening.pending is None or not opening.readiness:
        return False
    return all(counter(opening, k) is not None for k in COUNTERS if counter(closing, k) is not None)


def _counter_words(warm_ups: float | None, km: float | None, minutes: float | None) -> str:
    parts = []
    if warm_ups is not None:
        parts.append(f"{warm_ups:.0f} warm-up" + ("" if warm_ups == 1 else "s"))
    if km is not None:
        parts.append(f"{km:.0f} km")
    if minutes is not None:
        parts.append(f"{minutes:.0f} min of running")
    return ", ".join(parts)
