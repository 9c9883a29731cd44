"""The car's own monitors: those that would detect the fault have run again. They are the three for cams, misfire and
sensors (SAE J1979 readiness, from memory). "Complete" counts only if it was reached after the repair, because a monitor
may have been complete all along."""

from __future__ import annotations

from camlog.analysis.code_evidence import TestResult, code_evidence
from camlog.drive import Drive
from camlog.stream import CodeSnapshot
from camlog.verify.gate import CLOSING, Case, Outcome, failed, gate, messages, not_shown, passed
from camlog.verify.memory import Memory, counter

VVT = "egr_vvt_system"
MONITORS = (VVT, "misfire", "components")
# Continuous monitors. On many cars they always read complete, even if they have not run since the codes were cleared
# (SAE J1979, 13 CCR 1968.2, both from memory).
ALWAYS_RUNNING = ("misfire", "components")


def _label(name: str) -> str:
    return messages(f"monitor_names.{name}")


@gate(70, "monitor_{}", "monitor", each=lambda case: MONITORS, label=_label, needs=CLOSING)
def monitor(case: Case, closing: CodeSnapshot, name: str) -> Outcome:
    """A monitor for cam, misfire or sensor faults has completed since the codes were cleared after the first drive."""
    memory = case.memory
    tests = [t for t in code_evidence(Drive(code_snapshots=(closing,))).tests if _belongs(t, name)]
    if over := [t for t in tests if t.over is not None]:
        return failed("beyond_limit", fault=True, tests=_words(over))
    state = closing.readiness.get(name)
    if state is None:
        return not_shown("unread")
    if state == "unsupported":
        return not_shown("unsupported", answerable=False)
    runs = messages(f"monitor_runs.{name}")
    if state == "incomplete":
        return not_shown("incomplete", runs=runs)
    if tests and not any(t.run for t in tests):
        return not_shown("nothing_measured", runs=runs)
    if memory.cleared_in_drive:
        return not_shown("cleared_in_drive")
    shown = [t for t in tests if t.run and name == VVT]
    results = messages("monitor.results", tests=_words(shown)) if shown else ""
    ran_in_this_drive = memory.opening is not None and memory.opening.readiness.get(name) == "incomplete"
    if ran_in_this_drive and (name not in ALWAYS_RUNNING or memory.before is None):
        return passed("ran_in_drive", results=results)
    if memory.before is not None and memory.cleared_since_before is not True:
        return not_shown("stale")
    if name in ALWAYS_RUNNING:
        return _seen_to_run(memory, name)
    if closing.since_clear is None:
        return not_shown("clear_not_told", answerable=memory.before is None)
    return passed("complete", results=results)


def _seen_to_run(memory: Memory, name: str) -> Outcome:
    """A continuous monitor was read as incomplete since the codes were cleared, and as complete at the end."""
    read = [s for s in memory.since_clear if name in s.readiness]
    if any(s.readiness[name] == "incomplete" for s in read):
        return passed("completed_since")
    if read and counter(read[0], "time_min") == 0 and read[0] is not memory.closing:
        return not_shown("always_complete", answerable=False)
    return not_shown("never_seen")


def _belongs(result: TestResult, monitor: str) -> bool:
    return result.bank is not None if monitor == VVT else monitor == "misfire" and result.cylinder is not None


def _words(results: list[TestResult]) -> str:
    return "; ".join(map(_result_words, results))


def _result_words(result: TestResult) -> str:
    test = result.test
    low, high = ("" if limit is None else f"{limit:g}" for limit in (test.min, test.max))
    limits = messages("monitor.test_limits", low=low, high=high) if low or high else ""
    return messages("monitor.test", test=test).rstrip() + limits
