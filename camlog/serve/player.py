"""The worker's side of a replay: streams a saved drive at the chosen speed.

It sends `("opened", start_s, duration_s, events)`, then `("begin", known items, from the start)` if the views restart,
`("show", items)` for the board, `("count", items)` for the guide, and `("state", state)` after each change of the
`State`. Its orders are `(number, "play", speed)`, `(number, "pause")`, `(number, "go_to", time_s)` and
`(number, "close")`; the state has the number of the last order that was carried out.
"""

from __future__ import annotations

import math
import time
from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple

from camlog.drive import Drive
from camlog.replay import parse_speed, replay
from camlog.serve.worker import Link
from camlog.stream import StreamItem
from camlog.trace import Trace

PAST_S = 20.0  # length of the drive before a jump's place that is sent too, to fill the strips
_BURST = 200  # items sent before the next check for orders: a few milliseconds of work
_TURN_S = 0.05
_LEAST_WAIT_S = 0.001


class State(NamedTuple):
    """The place of a replay: it was at `place_s` when the monotonic clock, which all processes share, was at `clock_s`.
    `behind`: items before that place are still to be sent."""

    order: int = 0
    clock_s: float = 0.0
    place_s: float = 0.0
    playing: bool = False
    ended: bool = False
    speed: float | str = 1.0
    behind: bool = False


class _Reel:
    """The items of a stream in order, taken as they come due; none twice, none left out."""

    def __init__(self, items: Iterable[StreamItem]):
        self._items = iter(items)
        self._next: StreamItem | None = next(self._items, None)

    @property
    def next_s(self) -> float:
        """Time of the next item, infinite at the end."""
        return math.inf if self._next is None else self._next.time_s

    def due(self, now_s: float) -> list[StreamItem]:
        """The items whose time has come, up to a burst of them."""
        taken: list[StreamItem] = []
        while self._next is not None and self._next.time_s <= now_s and len(taken) < _BURST:
            taken.append(self._next)
            self._next = next(self._items, None)
        return taken


class _Playback:
    def __init__(self, link: Link, trace: Trace, drive: Drive | None):
        self._link, self._trace, self._drive = link, trace, drive
        self._start_s, self._end_s = float(trace.time_s[0]), float(trace.time_s[-1])
        link.send("opened", self._start_s, self._end_s, tuple(drive.events) if drive is not None else ())
        self._order = 0
        self._playing = self._ended = self._behind = False
        self._speed: float | str = 1.0
        self._stand(self._start_s)
        self._shown_s = self._start_s
        self._go_to(self._start_s)

    def run(self) -> None:
        """Carry out orders and send what is due until `close`."""
        wait_s: float | None = 0.0
        while not (order := self._link.receive(wait_s)) or order[1] != "close":
            if order:
                self._order, what, *values = order
                if what == "go_to":
                    self._go_to(*values)
                else:
                    self._stand(self._place_s())
                    self._playing = what == "play"
                    self._speed = values[0] if values and values[0] is not None else self._speed
            wait_s = self._turn()

    def _place_s(self) -> float:
        pace = parse_speed(self._speed)
        if not self._playing or self._ended:
            return self._since[1]
        if pace is None:
            return min(max(self._since[1], self._shown_s), self._end_s)
        return min(self._since[1] + (time.monotonic() - self._since[0]) * pace, self._end_s)

    def _stand(self, place_s: float) -> None:
        """Set the current place, from which the replay continues."""
        self._since = (time.monotonic(), place_s)

    def _go_to(self, time_s: float) -> None:
        place_s = min(max(time_s, self._start_s), self._end_s)
        # From the first row on means from the beginning: the first codes were read before it.
        from_s = None if place_s - PAST_S <= self._start_s else place_s - PAST_S
        again = place_s <= self._shown_s  # else the guide continues
        self._link.send("begin", self._known_at(from_s), again)
        self._reel = _Reel(replay(self._trace, self._drive, speed="max", start_s=from_s))
        if again:
            self._guide_reel = _Reel(replay(self._trace, self._drive, speed="max"))
        self._ended = False
        self._stand(place_s)
        self._shown_s = place_s

    def _known_at(self, time_s: float | None) -> list[StreamItem]:
        """The items before a time that remain valid: the marks, and the codes as last read."""
        if time_s is None or self._drive is None:
            return []
        marks = [e for e in self._drive.events if e.kind == "marker" and e.time_s < time_s]
        codes = [s for s in self._drive.code_snapshots if s.time_s < time_s]
        return sorted([*marks, *codes[-1:]], key=lambda item: item.time_s)

    def _turn(self) -> float | None:
        """Send the items that are due; returns the time (s) to the next one, None if it waits for an order."""
        pace = parse_speed(self._speed)
        running = self._playing and not self._ended
        now_s = self._place_s()
        # With the last row comes what stands after it: the closing codes.
        last = running and (pace is None or now_s >= self._end_s)
        due_s = math.inf if last else now_s
        if items := self._reel.due(due_s):
            self._link.send("show", items)
            self._shown_s = min(max(self._shown_s, items[-1].time_s), self._end_s)
        counted_s = max(now_s, self._shown_s)
        if items := self._guide_reel.due(counted_s):
            self._link.send("count", items)
        self._behind = self._reel.next_s <= due_s < math.inf or self._guide_reel.next_s <= counted_s
        more = self._behind or (last and self._reel.next_s < math.inf)
        if last and not more:
            self._stand(self._end_s)
            self._ended = True
        state = State(
            self._order, time.monotonic(), self._place_s(), self._playing and not self._ended, self._ended, self._speed,
            self._behind,
        )  # fmt: skip
        self._link.send("state", state)
        if more:
            return _LEAST_WAIT_S
        if not state.playing:
            return None
        next_s = min(self._reel.next_s, self._end_s)
        return min(_TURN_S, max(_LEAST_WAIT_S, (next_s - state.place_s) / (pace or 1.0)))


def play_drive(link: Link, path: Path) -> None:
    """Play a saved drive in a worker until it is closed. Raises InputError if the drive cannot be read."""
    from camlog.convert import read_any

    trace, drive, _ = read_any(path)
    _Playback(link, trace, drive).run()
