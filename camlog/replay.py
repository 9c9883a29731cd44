"""A saved drive comes back: as the stream it was recorded from, or as the car it was recorded on."""

from __future__ import annotations

import dataclasses
import heapq
import math
import time
from collections.abc import Callable, Iterable, Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from camlog.drive import Drive
from camlog.errors import InputError
from camlog.signals import SIGNALS
from camlog.stream import Batch, CodeSnapshot, Event, StreamItem
from camlog.trace import Trace
from camlog.trust import descent

if TYPE_CHECKING:
    from camlog.profile import VehicleProfile

# What happened at a time comes before what was read at it: a gap is told before the row that ends it.
_ORDER = {Event: 0, CodeSnapshot: 1, Batch: 2}

# A control module answers with its present value; a trace only knows when it was last read. A value is
# held over missed samples, but not over a real gap: a flat line there would look like a stuck cam.
HOLD_INTERVALS = 5.0
HOLD_AT_LEAST_S = 2.0

# The adapter stays this long after the trace's end, so that a client can still ask for codes.
LINGER_S = 3.0

# What a simulated adapter reads at its power pin where the trace has no module voltage: an engine running.
NOMINAL_SUPPLY_V = 14.0


def replay(
    trace: Trace,
    drive: Drive | None = None,
    *,
    speed: float | str = 1.0,
    start_s: float | None = None,
    end_s: float | None = None,
    clock: Callable[[], float] = time.perf_counter,
    sleep: Callable[[float], object] = time.sleep,
    stop: Callable[[], bool] | None = None,
) -> Iterator[StreamItem]:
    """Batches of `trace`, events and code snapshots of `drive`, in time order, at the pace they came.

    `speed` 1 is as recorded, 2 twice as fast, "max" as fast as they are taken. Only items from `start_s`
    to `end_s` (both included, times of the trace) come; times stay as recorded. `sleep` may return early;
    `stop` is asked before every item and every sleep, and True ends the stream.

    Raises InputError, at once, for a speed that is none and for a stretch the trace does not have.
    """
    factor = parse_speed(speed)
    first_s, last_s = _stretch(trace, start_s, end_s)
    items = _merged(trace, drive, first_s, last_s)
    if factor is None:
        return _unpaced(items, stop)
    return _paced(items, factor, start_s, clock, sleep, stop)


def parse_speed(speed: float | str) -> float | None:
    """Factor of a replay speed, None for "max". Raises InputError where it is neither."""
    if isinstance(speed, str) and speed.strip().lower() == "max":
        return None
    try:
        factor = float(speed)
    except (TypeError, ValueError):
        factor = math.nan
    if not (math.isfinite(factor) and factor > 0):
        raise InputError(
            f"speed {str(speed)[:20]!r} is no speed",
            remedy="Give a number above 0, such as 4 for four times, or max.",
        )
    return factor


def _stretch(trace: Trace, start_s: float | None, end_s: float | None) -> tuple[float, float]:
    first_s = -math.inf if start_s is None else start_s
    last_s = math.inf if end_s is None else end_s
    if math.isnan(first_s) or math.isnan(last_s) or first_s > last_s:
        raise InputError(
            f"a stretch from {first_s:g} s to {last_s:g} s is none",
            remedy="Let the start lie before the end.",
        )
    if len(trace.time_s) and (first_s > trace.time_s[-1] or last_s < trace.time_s[0]):
        asked = f"from {first_s:g} s on" if first_s > trace.time_s[-1] else f"up to {last_s:g} s"
        raise InputError(
            f"has nothing {asked}", file=trace.name or None,
            remedy=f"It goes from {trace.time_s[0]:g} s to {trace.time_s[-1]:g} s.",
        )  # fmt: skip
    return first_s, last_s


def _merged(trace: Trace, drive: Drive | None, first_s: float, last_s: float) -> Iterator[StreamItem]:
    beside: list[StreamItem] = [*drive.events, *drive.code_snapshots] if drive else []
    beside = sorted((i for i in beside if first_s <= i.time_s <= last_s), key=_when)
    whole = math.isinf(first_s) and math.isinf(last_s)
    batches = (trace if whole else trace.between(first_s, last_s)).batches()
    return heapq.merge(beside, batches, key=_when)


def _when(item: StreamItem) -> tuple[float, int]:
    return item.time_s, _ORDER[type(item)]


def _unpaced(items: Iterable[StreamItem], stop: Callable[[], bool] | None) -> Iterator[StreamItem]:
    for item in items:
        if stop and stop():
            return
        yield item


def _paced(
    items: Iterable[StreamItem],
    factor: float,
    start_s: float | None,
    clock: Callable[[], float],
    sleep: Callable[[float], object],
    stop: Callable[[], bool] | None,
) -> Iterator[StreamItem]:
    began = clock()
    for item in items:
        if start_s is None:
            start_s = item.time_s
        # Against the start, not the item before: a slow reader delays nothing that follows.
        due = began + (item.time_s - start_s) / factor
        while not (stop and stop()) and (left := due - clock()) > 0:
            sleep(left)
        if stop and stop():
            return
        yield item


def rebased(items: Iterable[StreamItem], start_s: float) -> Iterator[StreamItem]:
    """The same items with `start_s` as their time 0, as for a stretch that is to be a trace of its own."""
    for item in items:
        yield dataclasses.replace(item, time_s=max(0.0, item.time_s - start_s))


def cut_drive(drive: Drive | None, start_s: float, trace: Trace) -> Drive:
    """What a stretch of `trace` from `start_s` on begins its drive file with; events and codes come with the stream."""
    ancestry = descent(drive, trace.sha256, trace.name, f"cut at {start_s:g} s")
    drive = drive or Drive()
    started_at = drive.started_at
    if started_at is not None:
        try:
            moved = datetime.fromisoformat(started_at) + timedelta(seconds=start_s)
            started_at = moved.isoformat(timespec="milliseconds")
        except OverflowError:  # a clock that leapt by thousands of years
            started_at = None
    begun = dataclasses.replace(drive, started_at=started_at, trace_sha256=None, events=(), code_snapshots=())
    return dataclasses.replace(begun, ancestry=ancestry)


class TraceCar:
    """A saved trace as the car behind an adapter (`camlog.simulate.car.Car`).

    A signal has the value of its latest sample; nothing is put between samples. It has none before its
    first sample, after the trace's end, and where samples stay out for `HOLD_INTERVALS` of its median
    intervals (at least `HOLD_AT_LEAST_S`). Signals are those with samples that an adapter can ask for:
    standard ones, misfire counts, and those `profile` defines (all of the trace's where it is None).
    Codes are the drive file's latest snapshot up to now, and cannot be cleared.

    The trace begins at vehicle time 0; with `lead_in_s`, that long after a client first asks for a value.
    Until then every signal stands at its first sample, so that a client can connect and find out what
    there is.
    """

    def __init__(
        self,
        trace: Trace,
        drive: Drive | None = None,
        profile: VehicleProfile | None = None,
        *,
        lead_in_s: float | None = None,
    ):
        self._drive = drive or Drive()
        self._first_s = float(trace.time_s[0]) if len(trace.time_s) else 0.0
        self._last_s = float(trace.time_s[-1]) if len(trace.time_s) else 0.0
        self._now_s = 0.0  # vehicle time, as told by advance
        self._lead_in_s = lead_in_s
        self._begins_s = 0.0 if lead_in_s is None else math.inf  # vehicle time at which the trace begins
        self._snapshots = sorted(self._drive.code_snapshots, key=lambda s: s.time_s)
        self._samples = {}
        for name in trace.signals:
            times, values = trace.samples(name)
            if len(times) and (profile is None or can_be_asked(name, profile)):
                interval_s = float(np.median(np.diff(times))) if len(times) > 1 else math.inf
                self._samples[name] = (times, values, max(HOLD_AT_LEAST_S, HOLD_INTERVALS * interval_s))
        self.vin = str(self._drive.vehicle.get("vin") or "")

    @property
    def signals(self) -> frozenset[str]:
        """Names of the signals that can be asked for."""
        return frozenset(self._samples)

    @property
    def begun(self) -> bool:
        """True once the trace runs."""
        return self._now_s >= self._begins_s

    @property
    def time_s(self) -> float:
        """The present time in the trace, seconds."""
        return self._first_s + (self._now_s - self._begins_s if self.begun else 0.0)

    @property
    def ended(self) -> bool:
        """True once the trace has run to its end."""
        return self.time_s > self._last_s

    def advance(self, time_s: float) -> None:
        """Go on to vehicle time `time_s`; a time in the past changes nothing."""
        self._now_s = max(self._now_s, time_s)

    def value(self, signal: str) -> float | None:
        """The latest sample of a signal, or None where there is none yet, or none any more."""
        if math.isinf(self._begins_s):
            self._begins_s = self._now_s + (self._lead_in_s or 0.0)
        return self._value(signal)

    def _value(self, signal: str) -> float | None:
        if signal not in self._samples:
            return None
        times, values, hold_s = self._samples[signal]
        if not self.begun:
            return float(values[0])
        now = self.time_s
        if now > self._last_s:
            return None
        latest = int(np.searchsorted(times, now, side="right")) - 1
        if latest < 0 or now - times[latest] > hold_s:
            return None
        return float(values[latest])

    @property
    def ignition_on(self) -> bool:
        """True: what stands still after the trace's end are the values, codes can be asked for on."""
        return True

    @property
    def battery_voltage(self) -> float:
        """The trace's module voltage; where it has none, an adapter's supply with the engine running."""
        voltage = self._value("module_voltage")
        return NOMINAL_SUPPLY_V if voltage is None else voltage

    def code_snapshot(self) -> CodeSnapshot:
        """The drive file's latest snapshot up to now; one that knows nothing where there is none."""
        found = CodeSnapshot(self.time_s)
        for snapshot in self._snapshots:
            if snapshot.time_s <= self.time_s:
                found = snapshot
        return found

    def clear_codes(self) -> bool:
        """False: what was recorded stays recorded."""
        return False


def can_be_asked(name: str, profile: VehicleProfile | None) -> bool:
    """True for a signal an adapter can be asked for: a standard one, a misfire count, one of the profile."""
    known = SIGNALS.get(name)
    standard = known is not None and (known.pid is not None or name.startswith("misfire_"))
    return standard or (profile is not None and profile.definition(name) is not None)


def serve_trace(
    trace: Trace,
    drive: Drive | None = None,
    profile: VehicleProfile | None = None,
    *,
    speed: float | str = 1.0,
    start_s: float | None = None,
    end_s: float | None = None,
    lead_in_s: float = 0.0,
    link: str | Path | None = None,
    tcp: str | None = None,
    pty: bool = False,
    announce: Callable[[str], object] = print,
) -> None:
    """Serve a stretch of a trace on a simulated adapter until a little after its end, or until it is stopped.

    `announce` is given the port to connect to; on the network of this computer (`tcp`: at HOST:PORT), or
    with `pty` a pseudo-terminal (reached by `link` too). For `lead_in_s` see TraceCar. Raises InputError for the speed "max", which no client could
    follow, for a stretch the trace does not have, and where the port cannot be had.
    """
    from camlog.simulate.adapter import SimulatedAdapter, serve

    factor = parse_speed(speed)
    if factor is None:
        raise InputError(
            "an adapter cannot go at speed max", remedy="Give a number, such as 2; 1 is as recorded."
        )
    first_s, last_s = _stretch(trace, start_s, end_s)
    car = TraceCar(trace.between(first_s, last_s), drive, profile, lead_in_s=lead_in_s)
    try:
        adapter = SimulatedAdapter(car, profile, time_scale=factor)
    except ValueError as error:
        raise InputError(str(error), file=profile.file if profile else None) from error
    over_since: list[float] = []

    def ended() -> bool:
        # Also when no client asks any more: then nobody but this brings the car forward.
        car.advance(adapter.vehicle_time(adapter.elapsed_s))
        if car.ended and not over_since:
            over_since.append(adapter.elapsed_s)
        return bool(over_since) and adapter.elapsed_s - over_since[0] > LINGER_S

    serve(adapter, link=link, tcp=tcp, pty=pty, announce=announce, ended=ended)
