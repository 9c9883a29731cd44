"""The worker's side of a recording: connection, capture and trace file.

It sends `("say", text)` while connecting, `("connected", lines, simulated)`, `("planned", signals, expected)`, before
the recording `("checked", [...])` with the car's answers, and then `("items", [...], left out so far)`. Its orders are
`("only", signals)`, `("start", path)`, `("mark", text)`, `("take_back", time_s)` and `("stop",)`. If the server dies,
the recording ends as with `stop`: with closing codes and a whole drive file.
"""

from __future__ import annotations

import os
import sys
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from typing import TYPE_CHECKING

from camlog.errors import InputError
from camlog.serve.words import problem
from camlog.serve.worker import Link
from camlog.stream import Batch, StreamItem

if TYPE_CHECKING:
    from camlog.capture.live import LiveSource

REAL_TIME_PRIORITY = 1
RECORDER_NICE = -10
SEND_INTERVAL_S = 0.05
# Most rows that wait for a server that does not take them: half a minute of a fast adapter.
WAITING_ITEMS = 2000
_LAST_SEND_S = 2.0


class PipeView:
    """A view that sends the stream to the server without ever waiting for it; items without room are counted."""

    essential = False

    def __init__(self, send: Callable[..., None], waiting: int = WAITING_ITEMS):
        self._send, self._most = send, waiting
        self._items: list[StreamItem] = []
        self._lock = threading.Lock()
        self._ended = threading.Event()
        self.left_out = 0
        self._sender = threading.Thread(target=self._work, name="page-view", daemon=True)
        self._sender.start()

    def accept(self, item: StreamItem) -> None:
        """Keep an item for the server; events and codes still have room when rows have none."""
        with self._lock:
            if len(self._items) < (self._most if isinstance(item, Batch) else 2 * self._most):
                self._items.append(item)
            else:
                self.left_out += 1

    def close(self) -> None:
        """Send the waiting items, if the server still takes them."""
        self._ended.set()
        self._sender.join(timeout=_LAST_SEND_S)

    def _work(self) -> None:
        ended = False
        while not ended:
            ended = self._ended.wait(SEND_INTERVAL_S)
            with self._lock:
                items, self._items = self._items, []
            if items:
                try:
                    self._send("items", items, self.left_out)
                except OSError:
                    return  # the server is gone


def record_drive(
    link: Link, port: str | None, vehicle: str | None, store_vin: bool
) -> tuple[int, list[str], int] | None:
    """Connect, read on until the order, record until stopped or left alone. Gives the rows, what went wrong on the way,
    and the rows left out for the page; None where nothing was recorded."""
    from camlog.capture.ports import LinkLost

    _before_others()
    try:
        return _record(link, port, vehicle, store_vin)
    except LinkLost as lost:
        raise problem("recorder_lost", why=lost) from lost
    except InputError as error:
        if port is None or error.file != port:
            raise
        raise InputError(f"{port}: {error.what}", remedy=error.remedy, on_page=error.on_page) from error  # named whole


def _before_others() -> None:
    """An answer of the adapter waits for no browser and no page, where the system lets this process ask for that.

    It needs the rights for it (root, or a limit set for the user), else nothing changes. Real time is safe here: a few
    percent of one processor, asleep between answers.
    """
    if sys.platform == "linux":
        with suppress(OSError):
            os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(REAL_TIME_PRIORITY))
            return
    if sys.platform != "win32":
        with suppress(OSError):
            os.nice(RECORDER_NICE)


def _read_until_ordered(link: Link, source: LiveSource) -> tuple[str, ...]:
    """Read the signals to record repeatedly, only for the page; returns the order that ends it."""
    from camlog.capture.requests import read_answer
    from camlog.capture.schedule import Schedule

    order: tuple = ("only",)
    source.deadline.never()
    while not order or order[0] not in ("start", "stop"):
        now_s = source.clock()
        if order and order[0] == "only":
            if order[1:]:
                source.choose(order[1])
            link.send("planned", tuple(source.signals), source.expected)
            began_s = next_s = now_s = source.clock()
            schedule = Schedule(source.plan, began_s)
            items: list[StreamItem] = [source.first_snapshot] if source.first_snapshot else []
        if (request := schedule.next(now_s)) is not None:
            source.capabilities.address(source.link, request.header)
            reply = source.link.ask(source.capabilities.wire_text(request), source.link.poll_timeout_s)
            if values := read_answer(request, reply.messages).values:
                items.append(Batch(now_s - began_s, values))
        else:
            time.sleep(SEND_INTERVAL_S)
        if items and now_s >= next_s:
            link.send("checked", items)
            items, next_s = [], now_s + SEND_INTERVAL_S
        order = link.receive(0.0)
    return order


def try_profile(link: Link, port: str | None, vehicle: str) -> list[tuple[str, str, str, list[str]]]:
    """Try a profile on the car as `camlog vehicle try` does; instructions are sent as `("say", text)`.

    Returns name, value at idle, finding and notes of each signal.
    """
    from camlog.capture.ports import LinkLost
    from camlog.profile import read_profile
    from camlog.trial.collect import collect
    from camlog.trial.judge import judge
    from camlog.trial.shown import row

    ended = threading.Event()
    link.heard = lambda order: ended.set()
    link.at_end = ended.set
    profile = read_profile(vehicle)
    try:
        found = collect(port, profile, say=lambda text: link.send("say", text), stopped=ended.is_set)
    except LinkLost as lost:
        raise problem("recorder_lost", why=lost) from lost
    return [row(trial) for trial in judge(profile, found.readings)]


def _record(link: Link, port: str | None, vehicle: str | None, store_vin: bool) -> tuple[int, list[str], int] | None:
    from camlog.capture.record import connection_lines, open_source, record
    from camlog.capture.troubles import PROBLEMS
    from camlog.profile import read_profile

    profile = read_profile(vehicle) if vehicle else None
    source = open_source(port, profile, store_vin=store_vin, say=lambda text: link.send("say", text))
    order: tuple[str, ...] = ("stop",)
    link.at_end = lambda: link.heard(("stop",))
    try:
        link.send("connected", connection_lines(source), source.adapter()["simulated"])
        order = _read_until_ordered(link, source)
    finally:
        if order[0] != "start":
            source.link.close()
    if order[0] != "start":
        return None

    def heard(order: tuple) -> None:
        if order[0] == "mark":
            source.mark(order[1])
        elif order[0] == "take_back":
            source.take_back(order[1])
        elif order[0] == "stop":
            source.stop()

    link.heard = heard
    # Not from the signal itself: it may have interrupted the very call that this makes.
    link.at_end = lambda: threading.Thread(target=source.stop, name="ending").start()
    view = PipeView(link.send)
    done = record(source, order[1], views=[view])
    return done.rows, [f"{PROBLEMS.get(kind, kind)} ×{count}" for kind, count in done.errors.items()], view.left_out
