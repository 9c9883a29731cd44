"""The live source: requests over a link become the stream of batches and events.

A thread of its own keeps the link busy; the next request is on its way before the
last answer is taken apart. What the thread finds waits in a queue for `stream`, so
that a slow disk or screen never delays a request.
"""

from __future__ import annotations

import queue
import threading
import time
from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator
from datetime import datetime
from typing import Any

from camlog.capture.link import Link, LinkLost, Reply
from camlog.capture.probe import Capabilities, probe
from camlog.capture.requests import Request, read_answer
from camlog.capture.schedule import Plan, Schedule, make_plan
from camlog.capture.snapshot import read_snapshot, read_vin
from camlog.errors import InputError
from camlog.profile import VehicleProfile
from camlog.stream import Batch, CodeSnapshot, Event, StreamItem

BACKOFF_S = (0.3, 0.5, 1.0, 2.0, 4.0)  # waits between tries to come back; the last repeats
SILENCE_S = 1.5  # this long without one good answer is a gap, and the link is set up anew
SPLIT_AFTER = 6  # failures of one request in a row, while others succeed, before its items are asked for singly
EVENT_REPEAT_S = 5.0  # one kind of trouble that goes on is one event each this long, and a count
_WINDOW = 400  # round trips kept for the time uncertainty

# In words for the drive file and the screen.
PROBLEMS = {
    "no_data": "no data from the vehicle",
    "can_error": "CAN error",
    "bus_error": "bus error",
    "buffer_full": "adapter buffer full",
    "stopped": "adapter stopped a request",
    "unable_to_connect": "adapter unable to connect to the vehicle",
    "adapter_reset": "adapter restarted",
    "data_error": "adapter reports a data error",
    "not_understood": "adapter did not understand a request",
    "garbage": "unreadable reply",
    "pending": "module still busy (response pending)",
    "negative": "module refused a request",
    "wrong_service": "reply to another service",
    "wrong_echo": "reply to another PID",
    "wrong_length": "reply of the wrong length",
    "out_of_range": "value outside its possible range",
    "other_module": "another module answered too",
    "unplugged": "adapter unplugged",
    "hung": "adapter does not answer",
}


class LiveSource:
    """A vehicle being recorded.

    Connecting happens in the constructor (InputError where it fails): the link is
    opened and probed, the plan of requests made, and the codes read. `stream()`
    then yields batches, events and code snapshots until `stop()` or `minutes`.

    `clock` counts monotonic seconds; times in the stream start at 0 when streaming starts.
    """

    def __init__(
        self,
        port: str,
        profile: VehicleProfile | None = None,
        *,
        baud: int | None = None,
        only: Iterable[str] | None = None,
        store_vin: bool = False,
        codes: bool = True,
        clock: Callable[[], float] = time.monotonic,
    ):
        self.port = port
        self.profile = profile
        self.baud = baud
        self.clock = clock
        self.codes = codes
        self.errors: Counter[str] = Counter()
        self.requests_sent = 0
        self.gap_seconds = 0.0
        self._round_trips: deque[float] = deque(maxlen=_WINDOW)
        self._queue: queue.Queue[StreamItem | None] = queue.Queue()
        self._stop = threading.Event()
        self._failed: BaseException | None = None
        self._last_event: dict[str, float] = {}
        self._start_s = 0.0
        self._gap_since: float | None = None
        self.link = Link(port, baud=baud, clock=clock)
        try:
            self.capabilities: Capabilities = probe(self.link, profile)
            self.plan: Plan = make_plan(self.capabilities, only)
            if not self.plan.requests:
                raise InputError(
                    "the vehicle offers none of the signals asked for",
                    file=port,
                    remedy="Check the names, and that the vehicle profile fits this vehicle.",
                )
            self.vin = read_vin(self.link) if store_vin else None
            self.first_snapshot = self._snapshot() if codes else None
        except LinkLost as lost:
            self.link.close()
            raise InputError(
                f"the connection broke while the vehicle was being examined ({lost})",
                file=port,
                remedy="Check the cable and the adapter, and try again.",
            ) from lost
        except BaseException:
            self.link.close()
            raise
        self.started_at = datetime.now().astimezone().isoformat(timespec="milliseconds")

    # ---------------------------------------------------------------- facts
    @property
    def signals(self) -> list[str]:
        return self.plan.signals

    def vehicle(self) -> dict[str, Any]:
        """The drive file's `vehicle` object."""
        name = self.profile.name if self.profile else None
        found: dict[str, Any] = {"name": name, "vin": self.vin}
        if self.profile:
            found["profile_sha256"] = self.profile.sha256
        return found

    def adapter(self) -> dict[str, Any]:
        """The drive file's `adapter` object: what is in use, how sure times are, and what went wrong how often."""
        trips = sorted(self._round_trips)
        return {
            "port": self.port,
            **self.capabilities.to_dict(),
            "time_uncertainty_s": round(trips[len(trips) // 2] / 2, 6) if trips else None,
            "requests": self.requests_sent,
            "errors": dict(self.errors),
        }

    # ---------------------------------------------------------------- control
    def now_s(self) -> float:
        """Seconds since streaming started."""
        return self.clock() - self._start_s

    def add_event(self, event: Event) -> None:
        """Put an event of the operator's (a marker) into the stream."""
        self._queue.put(event)

    def mark(self, text: str = "") -> None:
        """Add a marker at this moment."""
        self.add_event(Event(self.now_s(), "marker", text))

    def stop(self) -> None:
        """End the stream after the request under way and the closing code snapshot."""
        self._stop.set()

    def stream(self, minutes: float | None = None) -> Iterator[StreamItem]:
        """The live stream. Ends after `minutes` or `stop()`; closes the link."""
        self._start_s = self.clock()
        end_s = None if minutes is None else 60.0 * minutes
        worker = threading.Thread(target=self._work, args=(end_s,), name="capture", daemon=True)
        if self.first_snapshot:
            yield self.first_snapshot
        worker.start()
        try:
            while True:
                item = self._queue.get()
                if item is None:
                    break
                yield item
        finally:
            self._stop.set()
            worker.join(timeout=10.0)
            self.link.close()
        if self._failed:
            raise self._failed

    # ---------------------------------------------------------------- thread
    def _work(self, end_s: float | None) -> None:
        try:
            self._poll(end_s)
            if self.codes and self._gap_since is None:
                try:
                    self._queue.put(self._snapshot(self.now_s()))
                except LinkLost as lost:
                    self._trouble(lost.kind)
        except BaseException as error:  # noqa: BLE001 - handed to the reader of the stream
            self._failed = error
        finally:
            self._queue.put(None)

    def _poll(self, end_s: float | None) -> None:
        schedule = Schedule(self.plan, self.now_s())
        failures: Counter[Request] = Counter()
        in_flight: Request | None = None
        last_good_s = self.now_s()
        while not self._stop.is_set() and (end_s is None or self.now_s() < end_s):
            try:
                if in_flight is None:
                    in_flight = self._send_next(schedule)
                    if in_flight is None:
                        self._stop.wait(min(0.05, max(0.0, schedule.next_due_s() - self.now_s())))
                        continue
                request, received = in_flight, self.link.receive()
                if not self.link.looks_clean(received):
                    self.link.drain()
                in_flight = self._send_next(schedule)
                reply = self.link.parse(received)
                good = self._take(request, reply)
                if good:
                    last_good_s = reply.time_s - self._start_s
                    failures[request] = 0
                    continue
                failures[request] += 1
                if reply.problem is None and in_flight is not None:
                    # A well-formed answer to something else: let what is under way end before asking on.
                    self._quietly_receive()
                    self.link.drain()
                    in_flight = None
                if reply.problem == "adapter_reset" or self.now_s() - last_good_s > SILENCE_S:
                    if in_flight is not None:
                        self._quietly_receive()
                    in_flight = None
                    self._come_back(last_good_s, reply.problem or "no_data")
                    last_good_s = self.now_s()
                elif failures[request] >= SPLIT_AFTER and len(request.items) > 1:
                    schedule.split(request)
                    names = ", ".join(request.signals)
                    self._event("adapter_error", f"asked together no longer answered, now one by one: {names}")
            except LinkLost as lost:
                in_flight = None
                self._trouble(lost.kind)
                self._come_back(last_good_s, lost.kind)
                last_good_s = self.now_s()
        if in_flight is not None:
            self._quietly_receive()

    def _send_next(self, schedule: Schedule) -> Request | None:
        request = schedule.next(self.now_s())
        if request is None:
            return None
        if request.header is not None:
            self.link.set_header(request.header)
        self.link.send(self.capabilities.wire_text(request))
        self.requests_sent += 1
        return request

    def _quietly_receive(self) -> None:
        try:
            self.link.receive()
        except LinkLost:
            pass

    def _take(self, request: Request, reply: Reply) -> bool:
        """Put a reply's values into the stream; True where it held any."""
        answer = read_answer(request, reply.messages)
        problem = answer.problem
        if problem == "no_data" and reply.problem:
            problem = reply.problem
        for kind in {problem, reply.problem} - {None}:
            self._trouble(kind)
        if answer.values:
            self._round_trips.append(reply.received_s - reply.sent_s)
            self._queue.put(Batch(max(0.0, reply.time_s - self._start_s), answer.values))
        return bool(answer.values)

    def _trouble(self, kind: str) -> None:
        """Count a problem, and say it as an event unless the same one was said a moment ago."""
        self.errors[kind] += 1
        now = self.now_s()
        if now - self._last_event.get(kind, float("-inf")) >= EVENT_REPEAT_S:
            self._event("adapter_error", PROBLEMS.get(kind, kind))
            self._last_event[kind] = now

    def _event(self, kind: str, text: str, time_s: float | None = None) -> None:
        self._queue.put(Event(self.now_s() if time_s is None else time_s, kind, text))

    def _come_back(self, last_good_s: float, kind: str) -> None:
        """Say the gap, then try with growing waits until the vehicle answers again or the recording ends."""
        self._gap_since = last_good_s
        self._event("gap", f"no answers since {last_good_s:.1f} s: {PROBLEMS.get(kind, kind)}")
        attempt = 0
        while not self._stop.is_set():
            if self._reopen(fresh=kind == "unplugged" or attempt >= 2):
                now = self.now_s()
                self.gap_seconds += now - last_good_s
                self._gap_since = None
                self._event("reconnect", f"answers again after {now - last_good_s:.1f} s")
                return
            self._stop.wait(BACKOFF_S[min(attempt, len(BACKOFF_S) - 1)])
            attempt += 1

    def _reopen(self, fresh: bool) -> bool:
        """Set the link up again: by the short way where the port still stands, else from the start."""
        if not fresh and self.link.resync():
            return True
        header = self.capabilities.header
        self.link.close()
        try:
            self.link = Link(self.port, baud=self.baud, clock=self.clock)
            self.link.ok("ATS0")
            return self.link.set_header(header) and bool(self.link.ask(b"0100").messages)
        except (InputError, LinkLost):
            return False

    def _snapshot(self, time_s: float = 0.0) -> CodeSnapshot:
        snapshot = read_snapshot(self.link, self.capabilities, time_s)
        self.link.set_header(self.capabilities.header)
        return snapshot
