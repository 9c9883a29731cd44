"""The live source: requests over a link become the stream of batches and events.

A thread keeps the link busy: the next request is sent before the last answer is decoded. Its results wait in a queue
for `stream`, so that a slow disk or screen never delays a request."""

from __future__ import annotations

import math
import queue
import threading
import time
from collections.abc import Callable, Generator, Iterable
from typing import Any

from camlog.capture import error
from camlog.capture.clocks import Deadline, DriveClock
from camlog.capture.connect import open_link
from camlog.capture.expected import expect
from camlog.capture.identity import known, read_identity
from camlog.capture.judge import RoundTrips
from camlog.capture.link import Link
from camlog.capture.polling import Poller
from camlog.capture.ports import LinkLost
from camlog.capture.probe import probe
from camlog.capture.raw_log import RawLog, plan_facts
from camlog.capture.schedule import make_plan
from camlog.capture.snapshot import read_snapshot, read_vin
from camlog.capture.troubles import MODULE_SILENT, Troubles
from camlog.limits import limits_for
from camlog.profile import VehicleProfile
from camlog.stream import CodeSnapshot, Event, StreamItem, TakenBack, now
from camlog.trust import vin_hash

# Connecting to the slowest vehicles (an older bus, a profile of many identifiers) takes half a minute.
CONNECT_WITHIN_S = 120.0
# Time at the end for the request under way, and for the closing codes if an answer is not proper. With `_STUCK_S` and
# the time to close the files, a misbehaving adapter is released within two seconds.
LAST_REQUEST_S = 0.3
CLOSING_IN_TROUBLE_S = 0.7
TROUBLE_LATELY_S = 5.0
# The closing codes may take this many times as long as those at the start, within the bounds below.
CLOSING_TIMES = 3.0
CLOSING_LEAST_S, CLOSING_MOST_S = 1.2, 45.0
_LOOK_S = 0.1
_STUCK_S = 0.2  # this long after the deadline, the thread is stuck in the system (such as opening a port)


class LiveSource:
    """A vehicle being recorded.

    The constructor connects (InputError if that fails): it opens and probes the link, makes the plan of requests, and
    reads the codes. `stream()` then yields batches, events and code snapshots until `stop()` or `minutes`.
    `clock` counts monotonic seconds. Times in the stream start at 0 when streaming starts and include sleep of the
    computer. However the adapter behaves, connecting ends within `CONNECT_WITHIN_S`, and the stream within two seconds
    after `stop()` or `minutes`; only an adapter that still answers properly gets the time to read the closing codes."""

    def __init__(
        self,
        port: str,
        profile: VehicleProfile | None = None,
        *,
        baud: int | None = None,
        only: Iterable[str] | None = None,
        store_vin: bool = False,
        codes: bool = True,
        clock: Callable[[], float] = time.perf_counter,
        raw: RawLog | None = None,
    ):
        self.raw = raw
        self.port = port
        self.profile = profile
        self.baud = baud
        self.clock = clock if isinstance(clock, DriveClock) else DriveClock(clock)
        self.codes = codes
        self.trips = RoundTrips()
        self._poller: Poller | None = None
        self._queue: queue.Queue[StreamItem | None] = queue.Queue()
        self._marks: list[Event] = []
        self.stopped = threading.Event()
        self.deadline = Deadline()
        self._closing = False
        self._abandoned = False
        self._hears = True
        self._failed: BaseException | None = None
        self.start_s = math.inf
        self.troubles = Troubles(self.now_s, self.put)
        self.errors = self.troubles.counts
        self.deadline.set(CONNECT_WITHIN_S)
        self.link = self.connect()
        try:
            self.capabilities = probe(self.link, profile)
            self.choose(only)
            vin = read_vin(self.link)
            self.vin = vin if store_vin else None
            self.vin_hash = vin_hash(vin) if vin else None
            self._identity = known(self.capabilities, self.link.form.protocol_id, vin)
            began_s = self.clock()
            self.first_snapshot = self._snapshot() if codes else None
            self._codes_took_s = self.clock() - began_s
        except LinkLost as lost:
            self.link.close()
            raise error("broke_at_first", port, lost=lost) from lost
        except BaseException:
            self.link.close()
            raise
        self.started_at = now("milliseconds")

    def choose(self, only: Iterable[str] | None) -> None:
        """Plan to ask for `only` these signals (None: all), before streaming. Raises InputError if the vehicle offers
        none of them, LinkLost."""
        only = None if only is None else tuple(only)  # iterated more than once
        self.plan = make_plan(self.capabilities, only)
        if not self.plan.requests:
            raise error("nothing_wanted", self.port)
        least_s = limits_for(self.profile)["needed_pair_interval_s"].value
        self.expected = expect(self.link, self.capabilities, only, least_s)

    # ---------------------------------------------------------------- facts
    @property
    def signals(self) -> list[str]:
        return self.plan.signals

    def vehicle(self) -> dict[str, Any]:
        """The drive file's `vehicle` object."""
        name = self.profile.name if self.profile else None
        hashes = {"vin_hash": self.vin_hash, "profile_sha256": self.profile.sha256 if self.profile else None}
        return {"name": name, "vin": self.vin} | {key: value for key, value in hashes.items() if value}

    def adapter(self) -> dict[str, Any]:
        """The drive file's `adapter` object: adapter and bus, the certainty of times, and the count of each problem."""
        usual_s = self.trips.usual_s()
        return {
            "port": self.port,
            **self.capabilities.to_dict(),
            "time_uncertainty_s": None if usual_s is None else round(usual_s / 2, 6),
            "time_uncertainty_max_s": None if usual_s is None else round(self.trips.longest_s / 2, 6),
            "requests": self.requests_sent,
            "errors": dict(self.errors),
        }

    @property
    def requests_sent(self) -> int:
        return self._poller.requests_sent if self._poller else 0

    @property
    def gap_seconds(self) -> float:
        """Time (s) without answers while streaming; a gap that does not end counts at the end of the recording."""
        return self._poller.gap_seconds if self._poller else 0.0

    @property
    def module_silent(self) -> bool:
        """True where the adapter works and the engine module stopped answering, as with the ignition off."""
        return self._poller is not None and self._poller.gap == MODULE_SILENT

    # ---------------------------------------------------------------- control
    def now_s(self) -> float:
        """Seconds since streaming started; 0 before."""
        return max(0.0, self.clock() - self.start_s)

    def put(self, item: StreamItem) -> None:
        """Put an item, such as a marker of the operator, into the stream."""
        self._queue.put(item)

    def mark(self, text: str = "") -> None:
        self._marks.append(Event(self.now_s(), "marker", text))
        self.put(self._marks[-1])

    def take_back(self, time_s: float) -> None:
        """Remove the marker that `mark` added at `time_s`, if there is one."""
        for marker in [m for m in self._marks if m.time_s == time_s][-1:]:
            self._marks.remove(marker)
            self.put(TakenBack(self.now_s(), marker))

    def stop(self) -> None:
        """End the stream after the request under way and the closing code snapshot."""
        if not self.stopped.is_set() and not self._closing:
            self.deadline.at_most(LAST_REQUEST_S)
        self.stopped.set()

    def stream(self, minutes: float | None = None) -> Generator[StreamItem]:
        """The live stream. Ends after `minutes` or `stop()`; closes the link."""
        self.start_s = self.clock()
        self.clock.stood_still_s()  # forget a standstill before the recording, which missed nothing
        self.deadline.never()
        if minutes is not None:
            self.deadline.set(60.0 * minutes + LAST_REQUEST_S)
        if self.stopped.is_set():
            self.deadline.at_most(LAST_REQUEST_S)
        if self.raw:
            facts = plan_facts(self.link, self.capabilities, self.plan.requests, self.started_at)
            self.raw.note(self.start_s, stream=facts)
        self._poller = Poller(self, None if minutes is None else 60.0 * minutes)
        worker = threading.Thread(target=self._work, args=(self._poller,), name="capture", daemon=True)
        worker.start()
        try:
            if self.first_snapshot:
                yield self.first_snapshot
            while (item := self._next_item()) is not None:
                yield item
        except BaseException:
            self._abandoned = True  # the reader of the stream has left, so take no closing snapshot
            raise
        finally:
            self.stopped.set()
            self.deadline.at_most(0.0)
            worker.join(timeout=_STUCK_S)
            if worker.is_alive() or not self._hears:
                self.link.drop()  # a reset would not reach it
            else:
                self.link.close()
        if self._failed:
            raise self._failed

    def connect(self) -> Link:
        return open_link(self.port, baud=self.baud, clock=self.clock, deadline=self.deadline, raw=self.raw)

    def change(self, link: Link) -> str | None:
        self.capabilities.address(link, self.capabilities.header)
        return self._identity.change(read_identity(link, self._identity))

    def _next_item(self) -> StreamItem | None:
        """The next item of the capture thread; None at its end, or if the thread is stuck in the system."""
        while True:
            try:
                return self._queue.get(timeout=0.0 if self._abandoned else _LOOK_S)
            except queue.Empty:
                if self._abandoned:
                    return None
                if self.deadline.left_s < -_STUCK_S:
                    self._abandoned = True
                    if self._poller is not None and self._poller.gap is None:
                        self.troubles.note("hung")

    def _work(self, poller: Poller) -> None:
        try:
            poller.run()
            self.link = poller.link
            self._hears = poller.works
            if self.codes and self._hears and not self._abandoned:
                self._hears = self._close_with_codes()
            poller.end(self._hears)
        except LinkLost as lost:
            self._hears = False
            self.troubles.note(lost.kind)
        except BaseException as failed:  # noqa: BLE001 - handed to the reader of the stream
            self._failed = failed
        finally:
            self.link = poller.link
            if self._abandoned:
                self.link.drop()
            self._queue.put(None)

    def _close_with_codes(self) -> bool:
        """Read the codes once more, while proper answers keep coming; True if any were read."""
        self._closing = True
        if self.raw:
            self.raw.note(self.clock(), closing=True)
        most_s = min(CLOSING_MOST_S, max(CLOSING_LEAST_S, CLOSING_TIMES * self._codes_took_s))
        in_trouble = self.troubles.quiet_for_s < TROUBLE_LATELY_S
        self.deadline.set_closing(most_s, CLOSING_IN_TROUBLE_S, in_trouble)
        if not (self.link.sync() or self.link.restore()):
            return False
        try:
            snapshot = self._snapshot(self.now_s())
        except LinkLost:
            if self.troubles.silent:
                return False  # out of time, though the adapter works
            raise
        if snapshot.unread:
            return False
        self._queue.put(snapshot)
        return True

    def _snapshot(self, time_s: float = 0.0) -> CodeSnapshot:
        snapshot = read_snapshot(self.link, self.capabilities, time_s)
        self.capabilities.address(self.link, self.capabilities.header)
        return snapshot
