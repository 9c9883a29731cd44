"""Gates on the car's own monitors: those that would have caught the fault have really run again.

The three that watch cams, misfire and sensors (SAE J1979 readiness, from memory). "Complete" counts only
where it was reached after the repair: a monitor may read complete because it was so all along.
"""

from __future__ import annotations

from camlog.analysis.verdict.code_evidence import TestResult, code_evidence
from camlog.codes.service06 import misfire_cylinder
from camlog.drive import Drive
from camlog.verify.code_gates import NOT_READ, READ_AGAIN
from camlog.verify.gate import Gate, GateMaker
from camlog.verify.memory import Memory, counter

# What makes a monitor run, in the driver's words: common practice, no source.
MONITORS = {
    "egr_vvt_system": "Cam-timing monitor has run",
    "misfire": "Misfire monitor has run",
    "components": "Component monitor has run",
}
HOW_TO_RUN = {
    "egr_vvt_system": "Engine warm: several brisk tip-ins from a steady cruise with the throttle released "
    "after each, 20 s of steady cruise at about 2,000 rpm, then idle.",
    "misfire": "Drive for 10 minutes at changing speed and load, from a start on.",
    "components": "Let the engine run for some minutes, with some driving.",
}
# Monitors that run all the time read complete on many cars whether or not they have run since the clear (SAE J1979,
# 13 CCR 1968.2, both from memory).
ALWAYS_RUNNING = ("misfire", "components")
CLEAR_AND_RECORD = (
    "Clear the codes after the repair (camlog clear saves them first; with nothing stored add --yes), where local rules "
    "allow it, and begin the next recording before the engine is started."
)
STALE = (
    "It reads complete, but nothing shows that the memory was cleared after the first drive: it may have "
    "been complete since before the repair."
)


def monitor_gates(memory: Memory) -> list[Gate]:
    """One gate for each monitor that would catch a cam, misfire or sensor fault."""
    return [_monitor(memory, name) for name in MONITORS]


def _monitor(memory: Memory, name: str) -> Gate:
    drive_for_it = HOW_TO_RUN[name]
    make = GateMaker(f"monitor_{name}", MONITORS[name])
    if memory.closing is None:
        return make.not_shown(NOT_READ, READ_AGAIN)
    tests = [t for t in code_evidence(Drive(code_snapshots=(memory.closing,))).tests if _belongs(t, name)]
    over = [t for t in tests if t.over is not None]
    if over:
        return make.failed(
            f"The module's own test is beyond its limit: {'; '.join(map(_test_words, over))}.",
            "The fault is there again: go back to the diagnosis.",
            fault=True,
        )
    state = memory.closing.readiness.get(name)
    if state is None:
        return make.not_shown("Its readiness was not read at the end of the drive.", READ_AGAIN)
    if state == "unsupported":
        return make.not_shown(
            "This car has no such monitor, or does not report it.",
            "This car cannot show it. The other checks must carry the proof, and you must judge it.",
            answerable=False,
        )
    if state == "incomplete":
        return make.not_shown("It has not run to its end since the last clear.", drive_for_it)
    if tests and not any(t.run for t in tests):
        return make.not_shown(
            "It reads complete, but none of its test results has been measured since the last clear.",
            drive_for_it,
        )
    results = [t for t in tests if t.run and name == "egr_vvt_system"]
    words = f" Its results (MID/TID): {'; '.join(map(_test_words, results))}." if results else ""
    if memory.cleared_in_drive:
        return make.not_shown(
            "The memory was cleared in the middle of this recording.",
            "Record a whole drive that begins after the clearing.",
        )
    ran_in_this_drive = memory.opening is not None and memory.opening.readiness.get(name) == "incomplete"
    if ran_in_this_drive and (name not in ALWAYS_RUNNING or memory.before is None):
        return make.passed("It was incomplete when the drive began and complete at its end." + words)
    if memory.before is not None and memory.cleared_since_before is not True:
        return make.not_shown(
            STALE,
            CLEAR_AND_RECORD,
        )
    if name in ALWAYS_RUNNING:
        return _seen_to_run(make, memory, name)
    if memory.closing.since_clear is None:
        return make.not_shown(
            "It reads complete, but the car does not tell since when its memory has been filling.",
            "This car cannot show it by itself: give the first drive with --before.",
            answerable=memory.before is None,
        )
    return make.passed("Complete since the last clear." + words)


def _seen_to_run(make: GateMaker, memory: Memory, name: str) -> Gate:
    """Of a monitor that may read complete at all times: seen incomplete since the clear, and complete at the end."""
    read = [s for s in memory.since_clear if name in s.readiness]
    if any(s.readiness[name] == "incomplete" for s in read):
        return make.passed("It was incomplete after the clear that followed the first drive, and has completed since.")
    never_incomplete = bool(read) and counter(read[0], "time_min") == 0 and read[0] is not memory.closing
    return make.not_shown(
        "It reads complete, but was never seen incomplete since the clear; on many cars it always reads complete.",
        "This car cannot show it. The other checks must carry the proof, and you must judge it."
        if never_incomplete
        else CLEAR_AND_RECORD,
        answerable=not never_incomplete,
    )


def _belongs(result: TestResult, monitor: str) -> bool:
    if monitor == "egr_vvt_system":
        return result.bank is not None
    if monitor != "misfire":
        return False
    try:
        mid = int(result.test.mid, 16)
    except ValueError:
        return False
    return misfire_cylinder(mid) is not None


def _test_words(result: TestResult) -> str:
    test = result.test
    low, high = ("" if limit is None else f"{limit:g}" for limit in (test.min, test.max))
    limits = f" (limits {low}..{high})" if low or high else ""
    return f"{test.mid}/{test.tid} {test.value:g} {test.unit}".rstrip() + limits
