"""The schedule: every signal as often as needed (`camlog.rates`), cam angles as fast as the remaining link allows."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from camlog.cams import cam_of, is_angle
from camlog.capture.probe import Capabilities
from camlog.capture.requests import SERVICE_CURRENT, SERVICE_MONITOR_TESTS, Item, Request, misfire_item, pack, pid_item
from camlog.rates import MEDIUM_HZ, need_of
from camlog.signals import BY_PID, in_order

MEDIUM_PERIOD_S = 1.0 / MEDIUM_HZ
# Signals added to the request for engine speed if the answer still fits into one frame, most useful first.
_COMPANIONS = ("engine_load", "throttle_position", "vehicle_speed", "manifold_pressure")


@dataclass(frozen=True)
class Plan:
    """The plan of requests. `turns` follow each other in rotation; the requests of a turn are sent one after the other,
    and a turn no more often than its period in `turn_periods_s` (0: as fast as the link goes). `timed` are requests
    with their period (s), sent between turns."""

    turns: tuple[tuple[Request, ...], ...]
    timed: tuple[tuple[Request, float], ...]
    turn_periods_s: tuple[float, ...]

    @property
    def requests(self) -> tuple[Request, ...]:
        return tuple(r for turn in self.turns for r in turn) + tuple(r for r, _ in self.timed)

    @property
    def signals(self) -> list[str]:
        """All signals of the plan, in the order of the vocabulary, then unknown ones."""
        return in_order({s for r in self.requests for s in r.signals})

    def groups(self) -> dict[str, list[str]]:
        """Signals by rate group: `fast`, `medium`, `slow`."""
        by_rate: dict[str, list[str]] = {"fast": [], "medium": [], "slow": []}
        for turn in self.turns:
            for request in turn:
                by_rate["fast"] += request.signals
        for request, period_s in self.timed:
            by_rate["medium" if period_s <= MEDIUM_PERIOD_S + 1e-9 else "slow"] += request.signals
        return by_rate


def make_plan(capabilities: Capabilities, only: Iterable[str] | None = None) -> Plan:
    """Pack the signals that the vehicle offers (with `only`, the named ones) into requests and set their rates."""
    chosen = None if only is None else set(only)

    def keep(item: Item) -> bool:
        return chosen is None or not chosen.isdisjoint(item.signals)

    turns: list[tuple[Request, ...]] = []
    speed_turns: list[tuple[Request, ...]] = []
    timed: list[tuple[Request, float]] = []
    from_profile: set[str] = set()
    for (service, header), items in capabilities.items.items():
        from_profile |= {s for i in items for s in i.signals}
        most = capabilities.max_identifiers[service, header]
        kept = [i for i in items if keep(i)]
        angles = [i for i in kept if any(map(is_angle, i.signals))]
        duties = [i for i in kept if i not in angles and any(map(cam_of, i.signals))]
        if angles and len(angles) + len(duties) <= most:
            angles += duties
        turns += _angle_turns(angles, service, header, most)
        rest = [i for i in kept if i not in angles]
        speed = [i for i in rest if "engine_speed" in i.signals]
        speed_turns += [(r,) for r in pack(speed, service, header, most)]
        timed += _timed([i for i in rest if i not in speed], service, header, most)

    standard = [pid_item(p) for p in sorted(capabilities.pids) if BY_PID[p].name not in from_profile]
    standard = [i for i in standard if keep(i)]
    fast = _speed_and_companions(standard, capabilities.max_pids)
    if fast:
        speed_turns.append((Request(SERVICE_CURRENT, tuple(fast), capabilities.header),))
    rest = [i for i in standard if i not in fast]
    timed += _timed(rest, SERVICE_CURRENT, capabilities.header, capabilities.max_pids)
    misfires = [i for i in map(misfire_item, capabilities.misfire_cylinders) if keep(i)]
    timed += _timed(misfires, SERVICE_MONITOR_TESTS, capabilities.header, 1)
    # Without angles, engine speed gets the rest of the link.
    speed_period_s = need_of("engine_speed").period_s if turns else 0.0
    periods = (0.0,) * len(turns) + (speed_period_s,) * len(speed_turns)
    return Plan((*turns, *speed_turns), tuple(timed), periods)


def _speed_and_companions(standard: Sequence[Item], most: int) -> list[Item]:
    """Engine speed and the companions that fit into one answer frame; empty if engine speed is not among the items."""
    by_name = {i.signals[0]: i for i in standard}
    if "engine_speed" not in by_name:
        return []
    chosen = [by_name["engine_speed"]]
    for name in _COMPANIONS:
        item = by_name.get(name)
        if item is not None and len(chosen) < most:
            fits = Request(SERVICE_CURRENT, (*chosen, item)).answer_frames == 1
            chosen += [item] if fits else []
    return chosen


def _timed(items: Sequence[Item], service: int, header: int | None, most: int) -> list[tuple[Request, float]]:
    """Requests for items that are not read as fast as the link goes, each with the period (s) its signals need."""
    by_period: dict[float, list[Item]] = {}
    for item in items:
        by_period.setdefault(min(need_of(s).period_s for s in item.signals), []).append(item)
    return [(r, p) for p, chosen in sorted(by_period.items()) for r in pack(chosen, service, header, most)]


def _by_cams(items: Iterable[Item]) -> list[list[Item]]:
    """Groups of items such that all items of a cam are in one group."""
    groups: list[tuple[set[str], list[Item]]] = []
    for item in items:
        cams, members = {cam for s in item.signals if (cam := cam_of(s))}, [item]
        for group in [g for g in groups if g[0] & cams]:
            cams, members = cams | group[0], group[1] + members
            groups.remove(group)
        groups.append((cams, members))
    return [members for _, members in groups]


def _angle_turns(angles: Sequence[Item], service: int, header: int | None, most: int) -> list[tuple[Request, ...]]:
    """Turns for cam angles: whole cams in one request if they fit, else a cam's two angles one after the other."""
    turns: list[tuple[Request, ...]] = []
    open_items: list[Item] = []
    for items in _by_cams(angles):
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


class Schedule:
    """Gives the next request: the turns in rotation when due, and after each turn the most overdue timed request."""

    def __init__(self, plan: Plan, now_s: float):
        self._turns = plan.turns
        self._turn_period_s = plan.turn_periods_s
        self._turn_due_s = [now_s] * len(plan.turns)
        self._period = {r: p for r, p in plan.timed}
        self._due = {r: now_s for r, _ in plan.timed}
        self._turn = 0
        self._queue: list[Request] = []
        self._timed_next = True

    def next(self, now_s: float) -> Request | None:
        """The request to send now; None if nothing is due (only without fast signals)."""
        if self._queue:
            return self._queue.pop(0)
        if self._timed_next or not self._turns:
            self._timed_next = False
            # The longest overdue first, so that on a slow link all come equally often and none is left out.
            late = {r: now_s - due for r, due in self._due.items() if due <= now_s}
            if late:
                request = max(late, key=late.__getitem__)
                self._due[request] = now_s + self._period[request]
                return request
        if not self._turns:
            return None
        self._queue = list(self._turns[self._next_turn(now_s)])
        self._timed_next = True
        return self._queue.pop(0)

    def _next_turn(self, now_s: float) -> int:
        """Number of the next turn in rotation that is due; turns without a period are always due."""
        while True:
            turn, self._turn = self._turn, (self._turn + 1) % len(self._turns)
            if self._turn_due_s[turn] <= now_s:
                # Counted from the due time, which keeps the rate; missed turns are not made up for on a slow link.
                self._turn_due_s[turn] = max(now_s, self._turn_due_s[turn] + self._turn_period_s[turn])
                return turn

    def next_due_s(self) -> float:
        """Time at which the next timed request is due (for waiting, if there are no fast signals)."""
        return min(self._due.values(), default=float("inf"))

    def split(self, request: Request) -> None:
        """Ask for a request's items one by one from now on, because they are not answered together."""
        singles = tuple(Request(request.service, (i,), request.header) for i in request.items)
        self._queue = []
        self._turns = tuple(tuple(s for r in turn for s in (singles if r == request else (r,))) for turn in self._turns)
        if request in self._period:
            period, due = self._period.pop(request), self._due.pop(request)
            for single in singles:
                self._period[single], self._due[single] = period, due
