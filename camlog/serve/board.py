"""What a page shows of one drive, live or saved: a view on the stream that many pages may ask at once."""

from __future__ import annotations

import math
import secrets
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from camlog.cams import short
from camlog.report.thin import thin
from camlog.signals import CAM_IDS, actual, commanded, unit_of
from camlog.sinks.lines import codes_text
from camlog.sinks.state import DriveState, Shown
from camlog.sinks.words import clock_text, rate_text, value_text
from camlog.stream import Batch, Event, StreamItem
from camlog.units import shown_value

KEPT_S = 600.0
KEPT_SAMPLES = 30_000  # ten minutes at 50 a second
# A break in sampling at least this long, and this many usual intervals, is a hole: no line is drawn over it.
HOLE_S = 2.0
HOLE_INTERVALS = 5.0
_SMOOTHING = 0.1

FIGURES = ("engine_speed", "vehicle_speed", "oil_temp", "coolant_temp")
EVENTS_SHOWN = 12
# A page that missed more batches than this (a phone that slept) gets the last stretch anew, thinned.
MOST_MISSED = 3000
TEXT_SHOWN = 200
_ANGLES = {name: cam for cam in CAM_IDS for name in (commanded(cam), actual(cam))}


def error_name(cam: str) -> str:
    """Name under which a cam's error (actual minus commanded, deg) is charted."""
    return f"cam_{cam}_error"


class Board:
    """A view sink. Takes items from one thread, answers from any; memory does not grow with the drive.

    `clock` gives the present time of the stream in seconds; without one, time stands at the last item.
    """

    essential = False

    def __init__(self, clock: Callable[[], float] | None = None, *, kept: int = KEPT_SAMPLES):
        self._clock = clock
        self._kept = kept
        self._lock = threading.Lock()
        self._number = (
            0  # of the last batch; goes on over a reset, so that a cursor never fits the wrong drive
        )
        self.reset()

    def reset(self) -> None:
        """Forget everything: another drive, or another place in a saved one."""
        with self._lock:
            self.id = secrets.token_hex(8)
            self.state = DriveState(self._clock)
            self._history: dict[str, History] = {}
            self._first = self._number
            self._events: deque[Event] = deque(maxlen=EVENTS_SHOWN)

    # ------------------------------------------------------------------ the stream
    def accept(self, item: StreamItem) -> None:
        """Take one item of the stream."""
        if isinstance(item, Batch) and not all(map(math.isfinite, item.values.values())):
            item = Batch(item.time_s, {name: v for name, v in item.values.items() if math.isfinite(v)})
        with self._lock:
            self.state.accept(item)
            if isinstance(item, Batch):
                self._batch(item)
            elif isinstance(item, Event):
                self._events.append(item)

    def close(self) -> None:
        """Nothing to close."""

    def _batch(self, batch: Batch) -> None:
        self._number += 1
        moved = []
        for name, value in batch.values.items():
            if name in _ANGLES:
                if _ANGLES[name] not in moved:
                    moved.append(_ANGLES[name])
            elif name not in FIGURES:
                continue
            self._add(name, batch.time_s, value)
        for cam in moved:
            error = self.state.difference(cam)
            if error is not None:
                self._add(error_name(cam), *error)

    def _add(self, name: str, time_s: float, value: float) -> None:
        history = self._history.get(name)
        if history is None:
            history = self._history[name] = History(self._kept)
        history.add(self._number, time_s, value)

    # ------------------------------------------------------------------ for a page
    def update(self, cursor: int = 0, window_s: float = 60.0, points: int = 400) -> dict[str, Any]:
        """What is new since `cursor` (0: everything of the last `window_s` seconds, thinned), ready for JSON.

        `fresh` tells the page to forget what it holds: at first, after a reset, and where it has missed too
        much. Times are seconds of the drive, a value None a hole.
        """
        with self._lock:
            state = self.state
            now_s = state.elapsed_s
            missed = self._number - cursor
            fresh = not self._first < cursor <= self._number or missed > min(MOST_MISSED, self._kept)
            samples = {
                name: _listed(
                    *(history.last(min(window_s, KEPT_S), now_s, points) if fresh else history.newer(cursor)), unit_of(name)
                )
                for name, history in self._history.items()
            }
            return {
                "id": self.id, "cursor": self._number, "now_s": round(now_s, 3), "fresh": fresh,
                "samples": {name: both for name, both in samples.items() if both[0]},
                "values": {
                    name: {"text": value_text(name, shown.value, degree_sign=True), "stale": shown.stale}
                    for name in FIGURES if (shown := state.shown(name)) is not None
                },
                "cams": [self._cam(found) for found in state.cams()],
                "rates": [[group, rate_text(rate)] for group, rate in state.rates().items()],
                "gap": self._gap(now_s),
                "gaps": {"count": state.events["gap"], "seconds": round(state.gap_s, 1)},
                "codes": None if state.last_snapshot is None else codes_text(state.last_snapshot)[:2000],
                "events": [
                    {"time_s": e.time_s, "clock": clock_text(e.time_s), "kind": e.kind, "text": e.text[:TEXT_SHOWN]}
                    for e in reversed(self._events)
                ],
                "markers": state.events["marker"],
                "batches": state.batches,
            }  # fmt: skip

    def cams(self) -> list[str]:
        """Cams seen so far, in the order of the engine."""
        with self._lock:
            return [found.cam for found in self.state.cams()]

    def signals(self) -> frozenset[str]:
        """Signals seen so far."""
        with self._lock:
            return self.state.signals

    def _gap(self, now_s: float) -> dict[str, Any] | None:
        since = self.state.gap_since_s
        return (
            None
            if since is None
            else {"since": clock_text(since), "seconds": round(max(0.0, now_s - since), 1)}
        )

    def _cam(self, found) -> dict[str, Any]:
        return {
            "cam": found.cam,
            "name": short(found.cam),
            "commanded": _angle(found.commanded),
            "actual": _angle(found.actual),
            "error": None if found.difference_deg is None else f"{found.difference_deg:+.1f} deg",
            "stale": any(shown is not None and shown.stale for shown in (found.commanded, found.actual)),
        }


def _angle(shown: Shown | None) -> str | None:
    return None if shown is None else f"{shown.value:.1f} deg"


def _listed(times: np.ndarray, values: np.ndarray, unit: str) -> list[list[float | None]]:
    shown = np.round(shown_value(values, unit), 3).tolist()
    return [np.round(times, 3).tolist(), [None if math.isnan(value) else value for value in shown]]


class History:
    """A ring of (sequence number, time, value). A hole in the sampling stands as a sample without a value (NaN)."""

    def __init__(self, kept: int = KEPT_SAMPLES):
        self._kept = kept
        # Written twice, one ring length apart: every stretch can then be had without copying around the end.
        self._table = np.full((3, 2 * kept), np.nan)
        self._count = 0
        self._last_s: float | None = None
        self._interval_s: float | None = None

    def add(self, number: int, time_s: float, value: float) -> None:
        """Add a sample; `number` never decreases. A time before the last one is put at the last one."""
        if self._last_s is not None:
            time_s = max(time_s, self._last_s)
            passed = time_s - self._last_s
            usual = self._interval_s
            if usual is not None and passed > max(HOLE_S, HOLE_INTERVALS * usual):
                self._put(number, self._last_s + usual, np.nan)
            else:
                self._interval_s = passed if usual is None else usual + _SMOOTHING * (passed - usual)
        self._put(number, time_s, value)
        self._last_s = time_s

    def _put(self, number: int, time_s: float, value: float) -> None:
        at = self._count % self._kept
        for column in (at, at + self._kept):
            self._table[:, column] = (number, time_s, value)
        self._count += 1

    def newer(self, number: int) -> tuple[np.ndarray, np.ndarray]:
        """Times (s) and values of the samples after `number`, shape (n,) each."""
        numbers, times, values = self._stretch()
        first = int(np.searchsorted(numbers, number, side="right"))
        return times[first:], values[first:]

    def last(self, span_s: float, now_s: float, points: int) -> tuple[np.ndarray, np.ndarray]:
        """Times and values of the last `span_s` seconds, thinned to about `points`; minima and maxima stay."""
        _, times, values = self._stretch()
        first = int(np.searchsorted(times, now_s - span_s, side="left"))
        times, values = times[first:], values[first:]
        kept = thinned(values, points)
        return times[kept], values[kept]

    def _stretch(self) -> np.ndarray:
        end = self._count % self._kept + self._kept
        return self._table[:, end - min(self._count, self._kept) : end]


def thinned(values: np.ndarray, points: int) -> np.ndarray:
    """Indices of at most about `points` values, as the reports thin a line, and every hole."""
    read = np.flatnonzero(~np.isnan(values))
    kept, _ = thin(read, values[read], points)
    return np.union1d(kept, np.flatnonzero(np.isnan(values))).astype(np.int64)


class StreamClock:
    """Present time of a stream that comes from another process: the quickest item so far tells the distance."""

    def __init__(self):
        self._offset_s: float | None = None
        self._ended_s: float | None = None

    def seen(self, items: Sequence[StreamItem]) -> None:
        """These items have just come."""
        offset = time.monotonic() - max(item.time_s for item in items)
        if self._offset_s is None or offset < self._offset_s:
            self._offset_s = offset

    def end(self) -> None:
        """Time stands from here on."""
        self._ended_s = self()

    def __call__(self) -> float:
        if self._ended_s is not None:
            return self._ended_s
        return 0.0 if self._offset_s is None else max(0.0, time.monotonic() - self._offset_s)
