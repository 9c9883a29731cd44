"""Which seconds of a drive show the verdict best."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.coldstart import WATCHED_S
from camlog.analysis.findings import Findings
from camlog.numbers import number
from camlog.report.words import key_evidence

SPAN_S = 30.0
SWINGS_S = 8.0  # short enough to see single swings
STEADY_DEG = 1.5
# Figures that are best seen where it swings about a command that hardly moves.
SWINGS = ("standing_swing_deg", "smooth_swing_deg", "swing_time_fraction", "cycle_shape")


@dataclass(frozen=True, slots=True)
class Stretch:
    """Seconds of the recording, with the question they answer and the answer."""

    start_s: float
    end_s: float
    question: str
    answer: str


def convincing_stretch(findings: Findings, cam: str) -> Stretch:
    """The stretch of SPAN_S in which the cam's verdict is seen best, by what the verdict is."""
    found = findings.cams[cam]
    data, condition = found.examination.data, found.verdict.condition
    key = key_evidence(found.verdict)
    swings = found.examination.sticking.swings
    if key is not None and key.figure.name in SWINGS and len(swings.begun_s):
        begin = _densest(np.array(swings.begun_s), SWINGS_S)
        if swings.sticks:
            return Stretch(begin, begin + SWINGS_S, "does it move smoothly?",
                           "The stretch in which it jumps to and fro most, standing still in between.")  # fmt: skip
        return Stretch(begin, begin + SWINGS_S, "does it hold still?",
                       "The stretch in which it swings about its command most.")  # fmt: skip
    if condition == "unstable":
        cold = found.examination.rest.cold_start
        if key is not None and key.figure.name == "cold_start_flutter_deg" and cold.start_s is not None:
            return Stretch(cold.start_s - 1.0, cold.start_s + WATCHED_S + 4.0, "does it hold still after the start?",
                           "From the moment the engine starts.")  # fmt: skip
        return _of(data, _unsteadiness(data), "does it hold still?",
                   "The stretch of steady command in which it wanders most.")  # fmt: skip
    if condition == "sensor":
        times = found.examination.sensor.spikes.times_s
        if times:
            centre = float(np.median(times)) if len(times) < 3 else _densest(np.asarray(times), SPAN_S / 2)
            return Stretch(max(centre - SPAN_S / 3, 0.0), centre + 2 * SPAN_S / 3, "can this reading be a cam's?",
                           f"Around a jump no cam can make ({len(times)} of them in the drive).")  # fmt: skip
        return _of(
            data,
            _roughness(data),
            "can this reading be a cam's?",
            "The stretch in which the reading is worst.",
        )
    if condition in ("sticking", "stuck", "slow"):
        words = {
            "sticking": "does it move smoothly?", "stuck": "does it move at all?", "slow": "does it arrive in time?",
        }  # fmt: skip
        return _of(
            data, _distance(data), words[condition], "The stretch in which it is farthest from its command."
        )
    if condition == "offset":
        offset = found.examination.rest.offset_deg.value
        said = "" if offset is None else f" At rest it stands {number(abs(offset))} deg off."
        return _of(data, _distance(data), "does it come to rest where it should?",
                   "The stretch in which it is farthest from its command." + said)  # fmt: skip
    question = "does it follow its command?" if condition == "healthy" else "what was recorded?"
    return _of(data, _liveliness(data), question, "The stretch in which the command moves most.")


def _of(data: CamData, score: np.ndarray, question: str, answer: str) -> Stretch:
    """The stretch of SPAN_S with the highest mean score (n,) a second; NaN counts nothing."""
    t = data.actual_time_s
    first, last = float(t[0]), float(t[-1])
    if last - first <= SPAN_S:
        return Stretch(first, last, question, answer)
    total = np.concatenate([[0.0], np.cumsum(np.nan_to_num(score))])
    end = np.searchsorted(t, t + SPAN_S, side="right")
    whole = t + SPAN_S <= last
    gain = np.where(whole, total[end] - total[:-1], -np.inf)
    start = float(t[int(np.argmax(gain))])
    return Stretch(start, start + SPAN_S, question, answer)


def _duration(data: CamData) -> np.ndarray:
    return np.minimum(np.diff(data.actual_time_s, append=data.actual_time_s[-1]), data.actual_max_gap_s)


def _distance(data: CamData) -> np.ndarray:
    """Distance from the command, running engine only; a moving command counts double, so that motion is in view."""
    moving = (
        np.abs(np.gradient(np.nan_to_num(data.command_at_actual))) > 0 if len(data.actual_deg) > 1 else 0.0
    )
    return np.abs(data.error_deg) * data.running * (1.0 + moving) * _duration(data)


def _liveliness(data: CamData) -> np.ndarray:
    return np.abs(np.diff(data.command_at_actual, append=np.nan)) * data.running


def _unsteadiness(data: CamData) -> np.ndarray:
    """How far the cam moves while its command hardly does."""
    step = np.abs(np.diff(data.command_at_actual, append=np.nan))
    return np.abs(data.error_deg) * (np.nan_to_num(step, nan=9.0) < 0.1) * data.running * _duration(data)


def _roughness(data: CamData) -> np.ndarray:
    """Second differences of the reading, and time without one."""
    a = data.actual_deg
    rough = np.zeros(len(a))
    if len(a) > 2:
        rough[1:-1] = np.abs(a[2:] - 2.0 * a[1:-1] + a[:-2])
    usual = data.actual_interval_s if np.isfinite(data.actual_interval_s) else 1.0
    missing_s = np.maximum(np.diff(data.actual_time_s, append=data.actual_time_s[-1]) - 3.0 * usual, 0.0)
    still = (np.abs(data.error_deg) > 3.0) & (np.abs(np.diff(a, append=np.nan)) == 0.0)
    return (rough + 5.0 * np.minimum(missing_s, 5.0) + 2.0 * still) * data.running


def _densest(times: np.ndarray, span_s: float) -> float:
    """The time with the most others in the `span_s` after it."""
    count = np.searchsorted(times, times + span_s) - np.arange(len(times))
    return float(times[int(np.argmax(count))])
