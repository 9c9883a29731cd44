"""Replay a saved drive as a stream."""

from __future__ import annotations

import dataclasses
import heapq
import math
import time
from collections.abc import Callable, Iterable, Iterator
from datetime import datetime, timedelta

from camlog.drive import Drive
from camlog.messages import say
from camlog.stream import Batch, CodeSnapshot, Event, StreamItem
from camlog.trace import Trace
from camlog.trust import descent

# Order of items with the same time: events first, so that a gap comes before the row that ends it.
_ORDER = {Event: 0, CodeSnapshot: 1, Batch: 2}


def replay(
    trace: Trace, drive: Drive | None = None, *, speed: float | str = 1.0, start_s: float | None = None,
    end_s: float | None = None, clock: Callable[[], float] = time.perf_counter,
    sleep: Callable[[float], object] = time.sleep, stop: Callable[[], bool] | None = None,
) -> Iterator[StreamItem]:  # fmt: skip
    """Batches of `trace`, and events and code snapshots of `drive`, in time order at the recorded pace times `speed`.

    `speed` "max" is as fast as they are consumed. Only items from `start_s` to `end_s` (both included, times of the
    trace) are yielded; times stay as recorded. `sleep` may return early; `stop` is called before every item and every
    sleep, and True ends the stream.
    Raises InputError, at once, for an invalid speed or a stretch that is not in the trace."""
    factor = parse_speed(speed)
    first_s, last_s = stretch(trace, start_s, end_s)
    items = _merged(trace, drive, first_s, last_s)
    return _paced(items, factor, start_s, clock, sleep, stop or (lambda: False))


def parse_speed(speed: float | str) -> float | None:
    """The factor of a replay speed, None for "max". Raises InputError for anything else."""
    if isinstance(speed, str) and speed.strip().lower() == "max":
        return None
    try:
        factor = float(speed)
    except (TypeError, ValueError):
        factor = math.nan
    if not (math.isfinite(factor) and factor > 0):
        raise say.error("speed", speed=str(speed)[:20])
    return factor


def stretch(trace: Trace, start_s: float | None, end_s: float | None) -> tuple[float, float]:
    """First and last second of a stretch, infinite where open. Raises InputError if it is not in the trace."""
    first_s = -math.inf if start_s is None else start_s
    last_s = math.inf if end_s is None else end_s
    if math.isnan(first_s) or math.isnan(last_s) or first_s > last_s:
        raise say.error("no_stretch", first=first_s, last=last_s)
    if len(trace.time_s) and (first_s > trace.time_s[-1] or last_s < trace.time_s[0]):
        range_text = f"from {first_s:g} s on" if first_s > trace.time_s[-1] else f"up to {last_s:g} s"
        ends = {"first": trace.time_s[0], "last": trace.time_s[-1]}
        raise say.error("beyond_recording", trace.name or None, asked=range_text, **ends)
    return first_s, last_s


def _merged(trace: Trace, drive: Drive | None, first_s: float, last_s: float) -> Iterator[StreamItem]:
    beside: list[StreamItem] = [*drive.events, *drive.code_snapshots] if drive else []
    beside = sorted((i for i in beside if first_s <= i.time_s <= last_s), key=_when)
    whole = math.isinf(first_s) and math.isinf(last_s)
    batches = (trace if whole else trace.between(first_s, last_s)).batches()
    return heapq.merge(beside, batches, key=_when)


def _when(item: StreamItem) -> tuple[float, int]:
    return item.time_s, _ORDER[type(item)]


def _paced(
    items: Iterable[StreamItem], factor: float | None, start_s: float | None, clock: Callable[[], float],
    sleep: Callable[[float], object], stop: Callable[[], bool],
) -> Iterator[StreamItem]:  # fmt: skip
    began = clock()
    for item in items:
        if factor is not None:
            start_s = item.time_s if start_s is None else start_s
            # Timed from the start, not from the item before, so that a slow reader does not delay later items.
            due = began + (item.time_s - start_s) / factor
            while not stop() and (left := due - clock()) > 0:
                sleep(left)
        if stop():
            return
        yield item


def rebased(items: Iterable[StreamItem], start_s: float) -> Iterator[StreamItem]:
    """The same items with `start_s` as time 0, for a stretch that becomes a trace of its own."""
    for item in items:
        yield dataclasses.replace(item, time_s=max(0.0, item.time_s - start_s))


def cut_drive(drive: Drive | None, start_s: float, trace: Trace) -> Drive:
    """The initial drive file for a stretch of `trace` from `start_s` on; events and codes are added from the stream."""
    ancestry = descent(drive, trace.sha256, trace.name, f"cut at {start_s:g} s")
    drive = drive or Drive()
    started_at = drive.started_at
    if started_at is not None:
        try:
            moved = datetime.fromisoformat(started_at) + timedelta(seconds=start_s)
            started_at = moved.isoformat(timespec="milliseconds")
        except OverflowError:  # a time of thousands of years, from a wrong clock
            started_at = None
    begun = dataclasses.replace(drive, started_at=started_at, trace_sha256=None, events=(), code_snapshots=())
    return dataclasses.replace(begun, ancestry=ancestry)
