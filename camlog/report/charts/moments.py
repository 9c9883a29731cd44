"""Which seconds of a drive show the verdict best."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.rest import WATCHED_S
from camlog.analysis.findings import CamFindings
from camlog.report.words import key_evidence

SPAN_S = 30.0
SWINGS_S = 8.0  # short enough to see single swings
# Figures that are best seen where it swings about a command that hardly moves.
SWINGS = ("standing_swing_deg", "smooth_swing_deg", "swing_time_fraction", "cycle_shape")


@dataclass(frozen=True, slots=True)
class Stretch:
    """Seconds of the recording; `shows` names its question and answer in the words of a close look, filled with `values`."""

    start_s: float
    end_s: float
    shows: str
    values: Mapping[str, Any] = field(default_factory=dict)


def convincing_stretch(found: CamFindings) -> Stretch:
    """The stretch in which the verdict of a cam is seen best, by what the verdict is."""
    x, condition = found.examination, found.verdict.condition
    data, key = x.data, key_evidence(found.verdict)
    name = "" if key is None else key.figure.name
    if name in SWINGS and x.sticking.swings.begun_s:
        begin = _densest(np.array(x.sticking.swings.begun_s), SWINGS_S)
        return Stretch(begin, begin + SWINGS_S, "jumps" if x.sticking.swings.sticks else "swings")
    start_s = x.rest.cold_start.start_s
    if condition == "unstable" and name == "cold_start_flutter_deg" and start_s is not None:
        return Stretch(start_s - 1.0, start_s + WATCHED_S + 4.0, "start")
    times = x.sensor.spikes.times_s
    if condition == "sensor" and times:
        centre = float(np.median(times)) if len(times) < 3 else _densest(np.asarray(times), SPAN_S / 2)
        return Stretch(max(centre - SPAN_S / 3, 0.0), centre + 2 * SPAN_S / 3, "spikes", {"count": len(times)})
    score = _SCORES.get(condition, _liveliness)
    return Stretch(*_best_span(data, score(data)), condition, {"offset_deg": x.rest.offset_deg.value})


def _best_span(data: CamData, score: np.ndarray) -> tuple[float, float]:
    """Start and end of the SPAN_S with the highest sum of `score` (n,); NaN counts nothing."""
    t = data.actual_time_s
    first, last = float(t[0]), float(t[-1])
    if last - first <= SPAN_S:
        return first, last
    total = np.concatenate([[0.0], np.cumsum(np.nan_to_num(score))])
    end = np.searchsorted(t, t + SPAN_S, side="right")
    start = float(t[int(np.argmax(np.where(t + SPAN_S <= last, total[end] - total[:-1], -np.inf)))])
    return start, start + SPAN_S


def _duration(data: CamData) -> np.ndarray:
    return np.minimum(np.diff(data.actual_time_s, append=data.actual_time_s[-1]), data.actual_max_gap_s)


def _distance(data: CamData) -> np.ndarray:
    """Distance from the command, running engine only; a moving command counts double, so that motion is in view."""
    command = np.nan_to_num(data.command_at_actual)
    moving = np.abs(np.gradient(command)) > 0 if len(command) > 1 else 0.0
    return np.abs(data.error_deg) * data.running * (1.0 + moving) * _duration(data)


def _liveliness(data: CamData) -> np.ndarray:
    """How far the command moves."""
    return np.abs(np.diff(data.command_at_actual, append=np.nan)) * data.running


def _unsteadiness(data: CamData) -> np.ndarray:
    """How far the cam moves while its command hardly does."""
    step = np.abs(np.diff(data.command_at_actual, append=np.nan))
    return np.abs(data.error_deg) * (np.nan_to_num(step, nan=9.0) < 0.1) * data.running * _duration(data)


def _roughness(data: CamData) -> np.ndarray:
    """Second differences of the reading, and time without one."""
    a = data.actual_deg
    rough = np.zeros(len(a))
    rough[1:-1] = np.abs(np.diff(a, 2)) if len(a) > 2 else 0.0
    usual = data.actual_interval_s if np.isfinite(data.actual_interval_s) else 1.0
    missing_s = np.maximum(np.diff(data.actual_time_s, append=data.actual_time_s[-1]) - 3.0 * usual, 0.0)
    still = (np.abs(data.error_deg) > 3.0) & (np.abs(np.diff(a, append=np.nan)) == 0.0)
    return (rough + 5.0 * np.minimum(missing_s, 5.0) + 2.0 * still) * data.running


_SCORES: Mapping[str, Callable[[CamData], np.ndarray]] = {
    "unstable": _unsteadiness, "sensor": _roughness, "sticking": _distance, "stuck": _distance, "slow": _distance,
    "offset": _distance,
}  # fmt: skip


def _densest(times: np.ndarray, span_s: float) -> float:
    """The time with the most others in the `span_s` after it."""
    return float(times[int(np.argmax(np.searchsorted(times, times + span_s) - np.arange(len(times))))])
