"""The state of a drive that a view shows: latest values, rates, cam differences, gaps, last event. No drawing here."""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Callable
from dataclasses import dataclass

from camlog.cams import CAM_IDS, actual, cam_of, commanded, duty, is_angle, short
from camlog.oil_windows import TEMPERATURE_HOLD_S
from camlog.signals import MISFIRE
from camlog.stream import Batch, CodeSnapshot, Event, StreamItem, TakenBack

RATE_WINDOW_S = 5.0  # rates are over this time, or over the last RATE_BATCHES batches if those are farther apart
RATE_BATCHES = 4
STALE_AFTER_S = (
    3.0  # a value older than this (of a temperature: a minute), and than three of its intervals, shows its age
)
STALE_INTERVALS = 3.0
# Commanded and actual angle farther apart in time than this are not compared.
DIFFERENCE_REACH_S = 1.0

_ENGINE = ("engine_speed", "vehicle_speed", "engine_load", "throttle_position", "manifold_pressure",
           "mass_air_flow", "spark_advance")  # fmt: skip


def group_of(signal: str) -> str:
    """The group of signals, in words, whose rate is shown together; each cam's angles are a group."""
    if is_angle(signal):
        return signal
    if cam_of(signal):
        return "valve duty"
    if signal in _ENGINE:
        return "engine"
    if signal.endswith("_temp"):
        return "temperatures"
    if signal.startswith(MISFIRE):
        return "misfires"
    return "fuel trims" if "_fuel_trim_" in signal else "others"


@dataclass(frozen=True, slots=True)
class Shown:
    """A signal's latest value, its age, and whether it is too old to be the present value (`stale`)."""

    value: float
    age_s: float
    stale: bool


@dataclass(frozen=True, slots=True)
class CamShown:
    """One cam's angles; `difference_deg` is actual minus commanded at one common time, or None."""

    cam: str
    commanded: Shown | None
    actual: Shown | None
    duty: Shown | None
    difference_deg: float | None


class DriveState:
    """A sink that gives what to show. Memory does not grow with the drive.

    `clock` gives the present time of the stream (s); without it, the present time is that of the last item."""

    def __init__(self, clock: Callable[[], float] | None = None):
        self._clock = clock
        self._last_item_s = 0.0
        self._last_batch_s: float | None = None
        self._samples: dict[str, deque[tuple[float, float]]] = {}
        self._group_times: dict[str, deque[float]] = {}
        self._gap_since_s: float | None = None
        self._gap_told_s = 0.0
        self._gap_total_s = 0.0
        self.gap_text = ""  # the text of the last gap
        self.batches = 0
        self.events: Counter[str] = Counter()
        self.last_event: Event | None = None
        self.last_snapshot: CodeSnapshot | None = None

    def accept(self, item: StreamItem) -> None:
        self._last_item_s = max(self._last_item_s, item.time_s)
        if isinstance(item, Batch):
            self._batch(item)
        elif isinstance(item, Event):
            self.events[item.kind] += 1
            self.last_event = item
            if item.kind == "gap" and self._gap_since_s is None:
                self._gap_told_s, self.gap_text = item.time_s, item.text
                self._gap_since_s = item.time_s if self._last_batch_s is None else self._last_batch_s
        elif isinstance(item, CodeSnapshot):
            self.last_snapshot = item
        elif isinstance(item, TakenBack):
            self.events["marker"] -= 1
            self.last_event = None if self.last_event == item.marker else self.last_event

    def _batch(self, batch: Batch) -> None:
        if not batch.values:
            return
        self.batches += 1
        if self._gap_since_s is not None:
            if batch.time_s > self._gap_told_s:
                self._gap_total_s += max(0.0, batch.time_s - self._gap_since_s)
                self._gap_since_s = None
            else:  # the last row before the gap, received after it
                self._gap_since_s = max(self._gap_since_s, batch.time_s)
        self._last_batch_s = batch.time_s
        for name, value in batch.values.items():
            self._samples.setdefault(name, deque(maxlen=2)).append((batch.time_s, value))
        for group in {group_of(name) for name in batch.values}:
            times = self._group_times.setdefault(group, deque())
            times.append(batch.time_s)
            while len(times) > RATE_BATCHES and times[0] < batch.time_s - RATE_WINDOW_S:
                times.popleft()

    @property
    def elapsed_s(self) -> float:
        """Present time of the stream (s)."""
        return self._last_item_s if self._clock is None else max(0.0, self._clock())

    @property
    def in_gap(self) -> bool:
        """True from a gap event until the next batch."""
        return self._gap_since_s is not None

    @property
    def gap_since_s(self) -> float | None:
        """Time (s) at which the present gap began; None outside a gap."""
        return self._gap_since_s

    @property
    def gap_s(self) -> float:
        """Seconds lost in gaps so far, the present one included."""
        since = self._gap_since_s
        return self._gap_total_s + (0.0 if since is None else max(0.0, self.elapsed_s - since))

    @property
    def signals(self) -> frozenset[str]:
        return frozenset(self._samples)

    def shown(self, signal: str) -> Shown | None:
        """The latest value of a signal; None if there was none."""
        samples = self._samples.get(signal)
        if not samples:
            return None
        age_s = max(0.0, self.elapsed_s - samples[-1][0])
        interval_s = samples[-1][0] - samples[0][0]
        least_s = TEMPERATURE_HOLD_S if group_of(signal) == "temperatures" else STALE_AFTER_S
        return Shown(samples[-1][1], age_s, age_s > max(least_s, STALE_INTERVALS * interval_s))

    def rates(self) -> dict[str, float]:
        """Recent readings a second of each cam's pair of angles (the slower of the two) and of each other group."""
        now = max(self.elapsed_s, self._last_item_s)
        rates_hz = {}
        for group, times in sorted(self._group_times.items()):
            span_s = max(now, times[-1]) - times[0]
            rates_hz[group] = (len(times) - 1) / span_s if span_s > 0 else 0.0
        angles = {cam: [rates_hz.pop(name(cam), 0.0) for name in (commanded, actual)] for cam in CAM_IDS}
        return {f"{short(cam)} pair": min(hz) for cam, hz in angles.items() if all(hz)} | rates_hz

    def cams(self) -> list[CamShown]:
        """Every cam with readings so far, in the order of CAM_IDS."""
        cam_ids = [c for c in CAM_IDS if commanded(c) in self._samples or actual(c) in self._samples]
        return [self._cam(cam, self.difference(cam)) for cam in cam_ids]

    def _cam(self, cam: str, difference: tuple[float, float] | None) -> CamShown:
        angles = self.shown(commanded(cam)), self.shown(actual(cam))
        return CamShown(cam, *angles, self.shown(duty(cam)), None if difference is None else difference[1])

    def difference(self, cam: str) -> tuple[float, float] | None:
        """The latest time (s) at which both angles are known, and actual minus commanded (deg) then."""
        first, second = self._samples.get(commanded(cam)), self._samples.get(actual(cam))
        if not first or not second:
            return None
        common_s = min(first[-1][0], second[-1][0])
        # The angle sampled last is interpolated between its last two samples at the other's time.
        was, came = _at(first, common_s), _at(second, common_s)
        return None if was is None or came is None else (common_s, came - was)


def _at(samples: deque[tuple[float, float]], time_s: float) -> float | None:
    (t0, v0), (t1, v1) = samples[0], samples[-1]
    if time_s == t1:
        return v1
    if not t0 <= time_s < t1 or t1 - t0 > DIFFERENCE_REACH_S:
        return None
    return v0 + (v1 - v0) * (time_s - t0) / (t1 - t0)
