"""Before the drive: predict how often each cam's pair of angles will be read, by timing the requests of the plan."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from itertools import product

from camlog.cams import CAM_IDS, actual, cam_of, commanded
from camlog.capture.link import Link
from camlog.capture.probe import Capabilities
from camlog.capture.requests import Request
from camlog.capture.schedule import Plan, Schedule, make_plan
from camlog.capture.too_slow import Expected

_SIMULATED_S = 20.0
_TRIES = 2
# An advised plan must read pairs faster than needed by this factor, because the link may be slower in the drive.
_IN_HAND = 1.15
# Signals that a verdict needs more than another cam. All others are left out before a cam is.
_KEPT = ("engine_speed", "coolant_temp", "oil_temp", "engine_load")


def expect(link: Link, capabilities: Capabilities, only: Iterable[str] | None, least_interval_s: float) -> Expected:
    """The rates of the plan of `make_plan` on this link, from timing each of its requests.

    `least_interval_s` is the longest mean interval between readings of a pair that a verdict accepts. Raises
    LinkLost."""
    plan = make_plan(capabilities, only)
    fast = [r for turn in plan.turns for r in turn]
    seconds_of = {r: s for r in fast if (s := _seconds(link, capabilities, r)) is not None}
    if not seconds_of:
        return Expected({}, 1.0 / least_interval_s)
    usual_s = sum(seconds_of.values()) / len(seconds_of)
    return _advised(capabilities, plan, lambda r: seconds_of.get(r, usual_s), 1.0 / least_interval_s)


def _seconds(link: Link, capabilities: Capabilities, request: Request) -> float | None:
    if not capabilities.address(link, request.header):
        return None
    replies = [link.ask(capabilities.wire_text(request)) for _ in range(_TRIES)]
    return min((r.round_trip_s for r in replies if r.messages), default=None)


def _advised(capabilities: Capabilities, plan: Plan, seconds: Callable[[Request], float], least_hz: float) -> Expected:
    pairs_hz = pair_rates(plan, seconds)
    cams, others = list(pairs_hz), [s for s in plan.signals if cam_of(s) is None]
    for count, rest in product(range(len(cams), 0, -1), (others, [s for s in others if s in _KEPT])):
        keep = [s for s in plan.signals if cam_of(s) in cams[:count]] + rest
        if len(keep) == len(plan.signals):
            continue
        hz = pair_rates(make_plan(capabilities, keep), seconds)
        if min(hz.values()) >= _IN_HAND * least_hz:
            left_out = tuple(s for s in plan.signals if s not in keep)
            return Expected(pairs_hz, least_hz, tuple(keep), tuple(cams[count:]), left_out)
    return Expected(pairs_hz, least_hz)


def pair_rates(plan: Plan, seconds: Callable[[Request], float]) -> dict[str, float]:
    """Readings a second of each cam's pair of angles; `seconds` gives the duration of a request of the plan."""
    schedule, now_s = Schedule(plan, 0.0), 0.0
    counts: Counter[str] = Counter()
    while now_s < _SIMULATED_S:
        request = schedule.next(now_s)
        if request is None:
            now_s = max(now_s + 1e-3, schedule.next_due_s())
            continue
        counts.update(request.signals)
        now_s += seconds(request)
    pairs = {cam: (commanded(cam), actual(cam)) for cam in CAM_IDS}
    return {cam: min(counts[s] for s in both) / now_s for cam, both in pairs.items() if all(counts[s] for s in both)}
