"""The multi-rate schedule: cam angles and engine speed as fast as the link goes, the rest as slowly as it changes."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from camlog.capture.probe import Capabilities
from camlog.capture.requests import (
    SERVICE_CURRENT,
    SERVICE_MONITOR_TESTS,
    Item,
    Request,
    misfire_item,
    pack,
    pid_item,
)
from camlog.signals import BY_PID, SIGNALS

MEDIUM_PERIOD_S = 0.9  # driving signals: fast enough to tell idle, cruise and tip-in apart
SLOW_PERIOD_S = 1.8  # temperatures, trims, voltage, misfire counts: at least once in two seconds

_MEDIUM = frozenset(
    {
        "engine_load",
        "vehicle_speed",
        "throttle_position",
        "manifold_pressure",
        "mass_air_flow",
        "spark_advance",
        "oil_pressure",
    }
)
# Signals that ride along with engine speed where its answer has room in one frame, most useful first.
_COMPANIONS = ("engine_load", "throttle_position", "vehicle_speed", "manifold_pressure")


@dataclass(frozen=True)
class Plan:
    """What will be asked: `turns` in rotation as fast as the link goes, each turn's requests one after the other;
    `timed` requests with their period in seconds, slipped in between turns."""

    turns: tuple[tuple[Request, ...], ...]
    timed: tuple[tuple[Request, float], ...]

    @property
    def requests(self) -> tuple[Request, ...]:
        return tuple(r for turn in self.turns for r in turn) + tuple(r for r, _ in self.timed)

    @property
    def signals(self) -> list[str]:
        """All signals asked for, in the vocabulary's order, then those it does not know."""
        asked = {s for r in self.requests for s in r.signals}
        return [s for s in SIGNALS if s in asked] + sorted(asked - SIGNALS.keys())

    def groups(self) -> dict[str, list[str]]:
        """Signals by rate group: `fast`, `medium`, `slow`."""
        found: dict[str, list[str]] = {"fast": [], "medium": [], "slow": []}
        for turn in self.turns:
            for request in turn:
                found["fast"] += request.signals
        for request, period_s in self.timed:
            found["medium" if period_s <= MEDIUM_PERIOD_S else "slow"] += request.signals
        return found


def _is_angle(name: str) -> bool:
    return name.startswith("cam_") and name.endswith(("_commanded", "_actual"))


def _cam_order(item: Item) -> str:
    return min(item.signals).removesuffix("_commanded").removesuffix("_actual")


def make_plan(capabilities: Capabilities, only: Iterable[str] | None = None) -> Plan:
    """Pack what the vehicle offers (or of it `only` the named signals) into requests and set their rates."""
    wanted = None if only is None else set(only)

    def keep(item: Item) -> bool:
        return wanted is None or not wanted.isdisjoint(item.signals)

    turns: list[tuple[Request, ...]] = []
    timed: list[tuple[Request, float]] = []
    from_profile: set[str] = set()
    for (service, header), items in capabilities.items.items():
        from_profile |= {s for i in items for s in i.signals}
        most = capabilities.max_identifiers[service, header]
        angles = [i for i in items if keep(i) and any(map(_is_angle, i.signals))]
        turns += _angle_turns(angles, service, header, most)
        rest = [i for i in items if keep(i) and i not in angles]
        speed = [i for i in rest if "engine_speed" in i.signals]
        turns += [(r,) for r in pack(speed, service, header, most)]
        for period_s, chosen in _by_rate([i for i in rest if i not in speed]):
            timed += [(r, period_s) for r in pack(chosen, service, header, most)]

    standard = [pid_item(p) for p in sorted(capabilities.pids) if BY_PID[p].name not in from_profile]
    standard = [i for i in standard if keep(i)]
    by_name = {i.signals[0]: i for i in standard}
    if "engine_speed" in by_name:
        fast = [by_name["engine_speed"]]
        for name in _COMPANIONS:
            item = by_name.get(name)
            if item is None or len(fast) >= capabilities.max_pids:
                continue
            if Request(SERVICE_CURRENT, (*fast, item)).answer_frames == 1:
                fast.append(item)
        turns.append((Request(SERVICE_CURRENT, tuple(fast), capabilities.header),))
        standard = [i for i in standard if i not in fast]
    for period_s, chosen in _by_rate(standard):
        timed += [
            (r, period_s) for r in pack(chosen, SERVICE_CURRENT, capabilities.header, capabilities.max_pids)
        ]
    misfires = [i for i in map(misfire_item, capabilities.misfire_cylinders) if keep(i)]
    timed += [(Request(SERVICE_MONITOR_TESTS, (i,), capabilities.header), SLOW_PERIOD_S) for i in misfires]
    return Plan(tuple(turns), tuple(timed))


def _angle_turns(
    angles: Sequence[Item], service: int, header: int | None, most: int
) -> list[tuple[Request, ...]]:
    """Turns for cam angles: whole cams to a request where they fit, a cam's two angles side by side where not."""
    by_cam: dict[str, list[Item]] = {}
    for item in angles:
        by_cam.setdefault(_cam_order(item), []).append(item)
    turns: list[tuple[Request, ...]] = []
    open_items: list[Item] = []
    for items in by_cam.values():
        if len(items) > most:
            turns.append(tuple(pack(items, service, header, most)))
        elif len(open_items) + len(items) <= most:
            open_items += items
        else:
            turns.append((Request(service, tuple(open_items), header),))
            open_items = list(items)
    if open_items:
        turns.append((Request(service, tuple(open_items), header),))
    return turns


def _by_rate(items: Sequence[Item]) -> list[tuple[float, list[Item]]]:
    medium = [i for i in items if any(s in _MEDIUM or s.endswith("_duty") for s in i.signals)]
    return [(MEDIUM_PERIOD_S, medium), (SLOW_PERIOD_S, [i for i in items if i not in medium])]


class Schedule:
    """Hands out requests: the turns in rotation, and after each turn the most overdue timed request."""

    def __init__(self, plan: Plan, now_s: float):
        self._turns = plan.turns
        self._period = {r: p for r, p in plan.timed}
        self._due = {r: now_s for r, _ in plan.timed}
        self._turn = 0
        self._queue: list[Request] = []
        self._timed_next = True

    def next(self, now_s: float) -> Request | None:
        """The request to send now; None where nothing is due (only without fast signals)."""
        if self._queue:
            return self._queue.pop(0)
        if self._timed_next or not self._turns:
            self._timed_next = False
            # The longest overdue: where the link cannot keep up, all come equally often and none is left out.
            late = {r: now_s - due for r, due in self._due.items() if due <= now_s}
            if late:
                request = max(late, key=late.__getitem__)
                self._due[request] = now_s + self._period[request]
                return request
        if not self._turns:
            return None
        self._queue = list(self._turns[self._turn])
        self._turn = (self._turn + 1) % len(self._turns)
        self._timed_next = True
        return self._queue.pop(0)

    def next_due_s(self) -> float:
        """When the next timed request falls due (for waiting, where there are no fast signals)."""
        return min(self._due.values(), default=float("inf"))

    def split(self, request: Request) -> None:
        """Ask for a request's items one by one from now on: together they are not answered."""
        singles = tuple(Request(request.service, (i,), request.header) for i in request.items)
        self._queue = []
        self._turns = tuple(
            tuple(s for r in turn for s in (singles if r == request else (r,))) for turn in self._turns
        )
        if request in self._period:
            period, due = self._period.pop(request), self._due.pop(request)
            for single in singles:
                self._period[single], self._due[single] = period, due
