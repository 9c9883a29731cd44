"""The values of one drive, live or saved, for pages: a view on the stream that many pages can query at once."""

from __future__ import annotations

import math
import secrets
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from typing import Any

from camlog.cams import short
from camlog.limits import limits_for
from camlog.messages import capital
from camlog.profile import VehicleProfile
from camlog.serve.following import Following
from camlog.serve.words import sentence
from camlog.signals import CAM_IDS, actual, commanded
from camlog.sinks.lines import codes_text
from camlog.sinks.state import CamShown, DriveState, Shown
from camlog.sinks.words import FIGURES, clock_text, rate_text, value_text
from camlog.stream import Batch, Event, StreamItem, TakenBack

KEPT_S = 20.0  # length of a strip
KEPT_SAMPLES = 4000  # of a signal: 20 s at 200 a second
RATE_S = 5.0
# A pause in sampling of at least this time and this many usual intervals is a gap, over which no line is drawn.
HOLE_S = 2.0
HOLE_INTERVALS = 5.0
_SMOOTHING = 0.1
SCALE_STEP_DEG = 10.0

EVENTS_SHOWN = 12
TEXT_SHOWN = 200
_ANGLES = {name: cam for cam in CAM_IDS for name in (commanded(cam), actual(cam))}


class Board:
    """A view sink. It takes items from one thread and answers any thread; its memory does not grow with the drive.

    `clock` returns the current time of the stream in seconds; without one it is the time of the last item. `profile`
    has the range of each cam and its allowed error.
    """

    essential = False

    def __init__(self, clock: Callable[[], float] | None = None, profile: VehicleProfile | None = None):
        self._clock, self._profile = clock, profile
        self._limits = limits_for(profile)
        self._lock = threading.Lock()
        self._number = 0  # of the last batch; continues after a reset, so that a cursor never fits the wrong drive
        self.reset()

    def reset(self) -> None:
        """Forget everything: another drive, or another place in a saved one."""
        with self._lock:
            self.id = secrets.token_hex(8)
            self.state = DriveState(self._clock)
            self._history: dict[str, History] = {}
            self._following: dict[str, Following] = {}
            self._scales: dict[str, list[float]] = {}
            self._ranges: dict[str, tuple[float, float]] = {}
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
                self._number += 1
                # The command first, so that the cam is compared with the current one if both came at once.
                for name in sorted(item.values.keys() & _ANGLES.keys(), reverse=True):
                    self._angle(name, item.time_s, item.values[name])
            elif isinstance(item, Event):
                self._events.append(item)
            elif isinstance(item, TakenBack) and item.marker in self._events:
                self._events.remove(item.marker)

    def close(self) -> None:
        """Nothing to close."""

    def _angle(self, name: str, time_s: float, value: float) -> None:
        cam = _ANGLES[name]
        if cam not in self._following:
            limits, known = self._limits, self._profile.cam(cam) if self._profile else None
            self._following[cam] = Following(limits["jump_deg"].value, limits["hold_error_deg"].value)
            self._scales[cam] = list(known.range_deg) if known and known.range_deg else [0.0, SCALE_STEP_DEG]
        follow = self._following[cam]
        (follow.actual if name == actual(cam) else follow.commanded)(time_s, value)
        lowest, highest = self._ranges.get(name, (value, value))
        self._ranges[name] = min(lowest, value), max(highest, value)
        scale = self._scales[cam]
        scale[0] = min(scale[0], SCALE_STEP_DEG * math.floor(value / SCALE_STEP_DEG))
        scale[1] = max(scale[1], SCALE_STEP_DEG * math.ceil(value / SCALE_STEP_DEG))
        self._history.setdefault(name, History()).add(self._number, time_s, value)

    # ------------------------------------------------------------------ for a page
    def update(self, cursor: int = 0) -> dict[str, Any]:
        """The news since `cursor` (0: everything in the strips), ready for JSON.

        `fresh` tells the page to forget its data: at first, and after a reset. Times are seconds of the drive; a value
        of None is a gap.
        """
        with self._lock:
            state = self.state
            now_s = state.elapsed_s
            fresh = not self._first < cursor <= self._number
            samples = {name: history.newer(0 if fresh else cursor) for name, history in self._history.items()}
            return {
                "id": self.id, "cursor": self._number, "now_s": round(now_s, 3), "fresh": fresh,
                "samples": {name: both for name, both in samples.items() if both[0]},
                "values": {
                    name: {"word": capital(word), "text": value_text(name, shown.value, degree_sign=True), "stale": shown.stale}
                    for name, word in FIGURES.items() if (shown := state.shown(name)) is not None
                },
                "cams": [self._cam(found, now_s) for found in state.cams()],
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

    def rates(self) -> dict[str, float]:
        """The recent rate (per second) of each cam's pair of angles, that of the slower one."""
        with self._lock:
            now_s = self.state.elapsed_s
            return {found.cam: self._rate(found.cam, now_s) for found in self.state.cams()}

    def travel(self, cam: str) -> tuple[float, float]:
        """The ranges (deg) of command and cam since the beginning."""
        with self._lock:
            ranges = [self._ranges.get(name, (0.0, 0.0)) for name in (commanded(cam), actual(cam))]
        return ranges[0][1] - ranges[0][0], ranges[1][1] - ranges[1][0]

    def _rate(self, cam: str, now_s: float) -> float:
        both = [self._history.get(name) for name in (commanded(cam), actual(cam))]
        return min(0.0 if history is None else history.rate(now_s) for history in both)

    def _gap(self, now_s: float) -> dict[str, Any] | None:
        since = self.state.gap_since_s
        if since is None:
            return None
        seconds = round(max(0.0, now_s - since), 1)
        return {"since": clock_text(since), "seconds": seconds, "why": self.state.gap_text}

    def _cam(self, found: CamShown, now_s: float) -> dict[str, Any]:
        cam = found.cam
        stale = any(shown is None or shown.stale for shown in (found.commanded, found.actual))
        hz = self._rate(cam, now_s)
        slow = not stale and 0.0 < hz * self._limits["needed_pair_interval_s"].value < 1.0
        return {
            "cam": cam, "name": short(cam), "signals": [commanded(cam), actual(cam)],
            "commanded": _angle(found.commanded), "actual": _angle(found.actual),
            "error": None if found.difference_deg is None else f"{found.difference_deg:+z.1f}°",
            "at": [None if shown is None else round(shown.value, 2) for shown in (found.commanded, found.actual)],
            "tolerance": self._limits["hold_error_deg"].value, "scale": self._scales[cam],
            "doing": self._following[cam].doing(stale)._asdict(), "stale": stale,
            "rate": sentence("rate_slow" if slow else "rate", rate=rate_text(hz)),
        }  # fmt: skip


def _angle(shown: Shown | None) -> str | None:
    return None if shown is None else f"{shown.value:.1f}°"


class History:
    """The last KEPT_S of a signal. A gap in the sampling is a sample without a value."""

    def __init__(self) -> None:
        self._samples: deque[tuple[int, float, float | None]] = deque(maxlen=KEPT_SAMPLES)
        self._usual_s: float | None = None

    def add(self, number: int, time_s: float, value: float) -> None:
        """Add a sample; `number` never decreases. A time before the last one is replaced by the last one."""
        if self._samples:
            last_s = self._samples[-1][1]
            time_s = max(time_s, last_s)
            passed, usual = time_s - last_s, self._usual_s
            if usual is not None and passed > max(HOLE_S, HOLE_INTERVALS * usual):
                self._samples.append((number, last_s + usual, None))
            else:
                self._usual_s = passed if usual is None else usual + _SMOOTHING * (passed - usual)
        self._samples.append((number, time_s, value))
        while self._samples[0][1] < time_s - KEPT_S:
            self._samples.popleft()

    def newer(self, number: int) -> tuple[list[float], list[float | None]]:
        """Times (s) and values of the samples after `number`."""
        samples = []
        for sample in reversed(self._samples):
            if sample[0] <= number:
                break
            samples.append(sample)
        samples.reverse()
        return [round(t, 3) for _, t, _ in samples], [None if v is None else round(v, 3) for *_, v in samples]

    def rate(self, now_s: float) -> float:
        """Samples per second over the last RATE_S, or since the first."""
        recent = [t for _, t, v in self._samples if t > now_s - RATE_S and v is not None]
        return (len(recent) - 1) / max(now_s - recent[0], 1e-3) if len(recent) > 1 else 0.0


class StreamClock:
    """The current time of a stream from another process; the offset is taken from the item with the least delay."""

    def __init__(self) -> None:
        self._offset_s: float | None = None
        self._ended_s: float | None = None

    def seen(self, items: Sequence[StreamItem]) -> None:
        """These items have just come."""
        offset = time.monotonic() - max(item.time_s for item in items)
        if self._offset_s is None or offset < self._offset_s:
            self._offset_s = offset

    def end(self) -> None:
        """Stop the time."""
        self._ended_s = self()

    def __call__(self) -> float:
        if self._ended_s is not None:
            return self._ended_s
        return 0.0 if self._offset_s is None else max(0.0, time.monotonic() - self._offset_s)
