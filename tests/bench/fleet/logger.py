"""What a scan tool kept of a drive: rates, skew, gaps, rounded times, missing signals."""

from __future__ import annotations

import numpy as np

from camlog.signals import actual, commanded, duty, misfire
from camlog.trace import Trace
from tests.bench.fleet.car import CamSignals
from tests.bench.fleet.loop import STEP_S
from tests.bench.fleet.road import ROAD_S, Road

CYLINDERS = 4


def record(
    rng: np.random.Generator,
    rate_hz: float,
    road: Road,
    cams: dict[str, CamSignals],
    oiled: bool,
    misfires: float,
) -> Trace:
    """A trace of one drive; `misfires` is how many a minute each cylinder has, `oiled` whether oil moves the cams."""
    end_s = len(road.rpm) * ROAD_S - 0.2
    skew_s = float(rng.choice([0.0, 0.0, rng.uniform(0.01, 0.12)]))
    one_table = bool(rng.random() < 0.35)  # one row holds everything, slow signals repeated
    at = _times(rng, rate_hz, end_s, rng.choice([0.02, 0.1, 0.3]))
    at = at[_kept(rng, at)]
    held_s = rng.uniform(0.1, 0.3) if rng.random() < 0.15 else 0.0
    with_duty = rng.random() < 0.35
    blocks: list[tuple[np.ndarray, dict[str, np.ndarray]]] = []
    asked, told = {}, {}
    for cam, signals in cams.items():
        when = np.floor(at / held_s) * held_s if held_s else at
        step = signals.resolution
        asked[commanded(cam)] = _rounded(signals.command[_index(when, STEP_S, signals.command)], min(step, 0.5))
        later = np.maximum(when + skew_s, 0.0)
        told[actual(cam)] = _rounded(signals.reading[_index(later, STEP_S, signals.reading)], step)
        if with_duty:
            told[duty(cam)] = _rounded(signals.duty[_index(later, STEP_S, signals.duty)], 0.4)
    slow = _slow_signals(rng, road, oiled, misfires)
    rpm_apart = rng.random() < 0.33
    if not rpm_apart:
        asked["engine_speed"] = _rounded(road.rpm[_index(at, ROAD_S, road.rpm)], 0.25)
    else:
        slow["engine_speed"] = (road.rpm, 1.0)
    if skew_s and not one_table and rng.random() < 0.7:
        blocks += [(at, asked), (at + skew_s, told)]
    else:  # the skew is there all the same, unseen
        blocks.append((at, asked | told))
    slow_at = _times(rng, rng.uniform(0.5, 2.0), end_s, 0.1)
    if one_table:
        latest = slow_at[np.clip(np.searchsorted(slow_at, at) - 1, 0, None)]
        blocks[0][1].update({k: _rounded(y[_index(latest, ROAD_S, y)], r) for k, (y, r) in slow.items()})
    else:
        blocks.append((slow_at, {k: _rounded(y[_index(slow_at, ROAD_S, y)], r) for k, (y, r) in slow.items()}))
    return _trace(blocks, float(rng.choice([1e-6, 1e-6, 1e-6, 1e-3, 1e-3, 0.01, 0.01, 0.1])))


def _slow_signals(
    rng: np.random.Generator, road: Road, oiled: bool, misfires: float
) -> dict[str, tuple[np.ndarray, float]]:
    """Signals of the slower group, each with its resolution."""
    n = len(road.rpm)
    every = {
        "coolant_temp": (1.0, road.coolant, 1.0),
        "oil_temp": (0.67, road.oil, 1.0),
        "vehicle_speed": (0.85, road.speed, 1.0),
        "engine_load": (0.6, road.load, 0.4),
        "spark_advance": (0.3, 8.0 + road.rpm / 250.0 - 0.1 * road.load + 3.0, 0.5),
        "module_voltage": (0.3, 14.1 - 1.7 * (road.rpm < 100) + 0.05 * rng.normal(size=n), 0.01),
        "ambient_temp": (0.2, np.full(n, road.ambient), 1.0),
        "oil_pressure": (0.15 if oiled else 0.05, road.pressure, 4.0),
    }
    kept = {name: (y, step) for name, (share, y, step) in every.items() if rng.random() < share}
    if rng.random() < 0.25:
        for cylinder in range(1, CYLINDERS + 1):
            counts = rng.poisson(misfires / 60.0 * ROAD_S, n) * (road.rpm > 300.0)
            kept[misfire(cylinder)] = (np.cumsum(counts).astype(float), 1.0)
    return kept


def _times(rng: np.random.Generator, rate_hz: float, end_s: float, jitter: float) -> np.ndarray:
    steps = (1.0 + jitter * rng.standard_normal(int(end_s * rate_hz * 1.3) + 8)).clip(0.3, 4.0) / rate_hz
    at = np.cumsum(steps)
    return at[at < end_s]


def _kept(rng: np.random.Generator, at: np.ndarray) -> np.ndarray:
    """Rows that were not lost: single ones in some recordings, gaps of seconds in others."""
    keep = rng.random(len(at)) >= (rng.uniform(0.01, 0.08) if rng.random() < 0.2 else 0.0)
    for _ in range(rng.integers(1, 4) if rng.random() < 0.25 else 0):
        begin = rng.uniform(0.0, at[-1])
        keep &= (at < begin) | (at > begin + rng.uniform(2.0, min(20.0, 0.1 * at[-1] + 2.0)))
    return keep


def _index(when: np.ndarray, step_s: float, values: np.ndarray) -> np.ndarray:
    return np.minimum((when / step_s).astype(int), len(values) - 1)


def _rounded(values: np.ndarray, step: float) -> np.ndarray:
    return np.round(np.round(values / step) * step, 6)


def _trace(blocks: list[tuple[np.ndarray, dict[str, np.ndarray]]], tick_s: float) -> Trace:
    times = np.concatenate([at for at, _ in blocks])
    order = np.argsort(times, kind="stable")
    place = np.empty(len(times), dtype=int)
    place[order] = np.arange(len(times))
    columns: dict[str, np.ndarray] = {}
    start = 0
    for at, values in blocks:
        for name, value in values.items():
            columns[name] = np.full(len(times), np.nan)
            columns[name][place[start : start + len(at)]] = value
        start += len(at)
    time_s = np.round(np.round((times[order] - times.min()) / tick_s) * tick_s, 6)
    return Trace(time_s, {k: v for k, v in columns.items() if np.isfinite(v).any()})
