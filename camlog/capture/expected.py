"""Before the drive: how often each cam's pair of angles will be read, what that is too seldom for, and what to leave out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from itertools import product

from camlog.cams import CAM_IDS, actual, cam_of, commanded, short
from camlog.capture import messages
from camlog.capture.link import Link
from camlog.capture.probe import Capabilities
from camlog.capture.requests import Request
from camlog.capture.schedule import Plan, Schedule, make_plan

_SIMULATED_S = 20.0
_TRIES = 2
# Without these a verdict says less than with fewer cams.
_KEPT = ("engine_speed", "coolant_temp", "oil_temp", "engine_load")


@dataclass(frozen=True)
class Expected:
    """`pairs_hz` is how often each cam's pair will be read a second, `slow` the cams whose pair comes less often than
    `least_hz`. `keep` are the signals to ask for alone, so that every pair among them comes often enough, and `later`
    the cams left for a drive of their own; `keep` is empty where none is slow, or nothing helps."""

    pairs_hz: Mapping[str, float]
    least_hz: float
    slow: tuple[str, ...] = ()
    keep: tuple[str, ...] = ()
    later: tuple[str, ...] = ()

    def lines(self) -> list[str]:
        """The same in sentences for a person; the last is ready to paste."""
        if not self.pairs_hz:
            return []
        rates = ", ".join(f"{short(cam)} {hz:.1f}/s" for cam, hz in self.pairs_hz.items())
        found = [messages("expected.rates", rates=rates)]
        if self.slow:
            from camlog.analysis.figures import QUESTIONS  # takes a second

            open_ = " ".join(q.title for q in QUESTIONS.values() if "sampling" in q.needs)
            cams = ", ".join(map(short, self.slow))
            found.append(messages("expected.slow", cams=cams, least=self.least_hz, questions=open_))
            later = ", ".join(map(short, self.later))
            found.append(
                messages(
                    "expected.keep" if self.keep else "expected.nothing",
                    only=",".join(self.keep),
                    later=later,
                )
            )
        return found


def expect(
    link: Link, capabilities: Capabilities, only: Iterable[str] | None, least_interval_s: float
) -> Expected:
    """What `make_plan` with the same arguments comes to on this link, by timing each of its requests.

    `least_interval_s` is the longest mean interval between readings of a pair that a verdict takes. Raises LinkLost.
    """
    plan = make_plan(capabilities, only)
    fast = [r for turn in plan.turns for r in turn]
    took = {r: s for r in fast if (s := _seconds(link, capabilities, r)) is not None}
    if not took:
        return Expected({}, 1.0 / least_interval_s)
    usual_s = sum(took.values()) / len(took)
    return _advised(capabilities, plan, lambda r: took.get(r, usual_s), 1.0 / least_interval_s)


def _seconds(link: Link, capabilities: Capabilities, request: Request) -> float | None:
    if not capabilities.address(link, request.header):
        return None
    replies = [link.ask(capabilities.wire_text(request)) for _ in range(_TRIES)]
    return min((r.round_trip_s for r in replies if r.messages), default=None)


def _advised(
    capabilities: Capabilities, plan: Plan, seconds: Callable[[Request], float], least_hz: float
) -> Expected:
    pairs_hz = pair_rates(plan, seconds)
    slow = tuple(cam for cam, hz in pairs_hz.items() if hz < least_hz)
    if not slow:
        return Expected(pairs_hz, least_hz)
    cams, others = list(pairs_hz), [s for s in plan.signals if cam_of(s) is None]
    for rest, count in product((others, [s for s in others if s in _KEPT]), range(len(cams), 0, -1)):
        keep = [s for s in plan.signals if cam_of(s) in cams[:count]] + rest
        if len(keep) == len(plan.signals):
            continue
        hz = pair_rates(make_plan(capabilities, keep), seconds)
        if min(hz.values()) >= least_hz:
            return Expected(pairs_hz, least_hz, slow, tuple(keep), tuple(cams[count:]))
    return Expected(pairs_hz, least_hz, slow)


def pair_rates(plan: Plan, seconds: Callable[[Request], float]) -> dict[str, float]:
    """How often a second each cam's pair is read by a plan whose requests take so many `seconds`."""
    schedule, now_s = Schedule(plan, 0.0), 0.0
    asked: Counter[str] = Counter()
    while now_s < _SIMULATED_S:
        request = schedule.next(now_s)
        if request is None:
            now_s = max(now_s + 1e-3, schedule.next_due_s())
            continue
        asked.update(request.signals)
        now_s += seconds(request)
    pairs = {cam: (commanded(cam), actual(cam)) for cam in CAM_IDS}
    return {
        cam: min(asked[s] for s in both) / now_s for cam, both in pairs.items() if all(asked[s] for s in both)
    }
