"""What the engine's own signals say beside the cams: module voltage and fuel trims (oil pressure: see `oil_pressure`)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from camlog.limits import Limit
from camlog.trace import Trace

RUNNING_RPM = 400.0
MIN_READINGS = 5
# Of the readings with the engine running this share must lie beyond the limit.
BEYOND_SHARE = 0.25


@dataclass(frozen=True, slots=True)
class EngineSupply:
    """A sentence for each that was found, empty where not: `low_voltage`, `fuel_trim`."""

    low_voltage: str = ""
    fuel_trim: str = ""


def engine_supply(trace: Trace, limits: Mapping[str, Limit]) -> EngineSupply:
    """Read voltage and fuel trims with the engine running."""
    return EngineSupply(_voltage(trace, limits["module_voltage_min_v"]), _trims(trace, limits["fuel_trim_percent"]))


def _running(trace: Trace, name: str) -> tuple[np.ndarray, np.ndarray]:
    """Times and values of a signal's readings with the engine running; speed must be known."""
    t, value = trace.samples(name)
    speed_t, speed = trace.samples("engine_speed")
    if not len(t) or not len(speed_t):
        return np.empty(0), np.empty(0)
    rpm = np.interp(t, speed_t, speed)
    keep = (rpm >= RUNNING_RPM) & (t >= speed_t[0]) & (t <= speed_t[-1])
    return t[keep], value[keep]


def _voltage(trace: Trace, limit: Limit) -> str:
    _, volts = _running(trace, "module_voltage")
    if len(volts) < MIN_READINGS or np.mean(volts < limit.value) < BEYOND_SHARE:
        return ""
    return f"The module's voltage is low with the engine running: {np.median(volts):.1f} V; the limit is {limit}."


def _trims(trace: Trace, limit: Limit) -> str:
    for bank in ("b1", "b2"):
        t, short = _running(trace, f"short_fuel_trim_{bank}")
        long_t, long = _running(trace, f"long_fuel_trim_{bank}")
        if len(t) < MIN_READINGS or len(long_t) < MIN_READINGS:
            continue
        total = short + np.interp(t, long_t, long)
        if np.mean(np.abs(total) > limit.value) >= BEYOND_SHARE:
            return f"Fuel trims of bank {bank[1]} are {np.median(total):+.0f} % in all; the limit is {limit}."
    return ""
