"""Every number that judges a cam, in one place, each with its unit and where it comes from.

A vehicle profile's `[limits]` table overrides any of them by name: service information always wins.
Numbers that only condition an estimator (how long a step must last to be measured) live beside the estimator.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from difflib import get_close_matches
from types import MappingProxyType
from typing import TYPE_CHECKING

from camlog.errors import InputError

if TYPE_CHECKING:
    from camlog.analysis.drive.conditions import OilWindow
    from camlog.profile import VehicleProfile

COMMON_PRACTICE = "common practice, no source"
PROFILE_SOURCE = "vehicle profile"


@dataclass(frozen=True, slots=True)
class Limit:
    """One number a finding is judged by: `value` in `unit`, `title` in words, `source` of the number."""

    name: str
    value: float
    unit: str
    source: str
    title: str

    def __str__(self) -> str:
        if self.unit == "1":
            # A bare number beside figures in degrees and seconds would be read as one of those.
            return f"{self.value:g} ({self.title[:1].lower()}{self.title[1:]}; {self.source})"
        return f"{self.value:g} {self.unit} ({self.source})"


# name, value, unit, title[, source]. Oil: cold below 40, warm 40-70, hot 70-100, very hot above 100 degC.
_TABLE: tuple[tuple, ...] = (
    # Tracking at a steady command
    ("hold_error_deg", 5.0, "deg", "Largest error at a steady command"),
    ("hold_error_time_s", 4.5, "s", "How long an error must last to count"),
    ("late_time_fraction", 0.003, "1", "Share of the time far from all commanded in the last second"),
    ("late_time_cold_fraction", 0.015, "1", "Share of the time far from all commanded in the last second, cold oil"),
    ("error_spread_deg", 2.5, "deg", "Error at a steady command about its mean"),
    ("tracking_bias_deg", 3.0, "deg", "Mean error at a steady command"),
    ("tracking_rms_deg", 3.0, "deg", "Root-mean-square error at a steady command"),
    # Response to a command step
    ("t63_cold_s", 1.0, "s", "Time to 63 % of a step, oil below 40 degC"),
    ("t63_warm_s", 0.6, "s", "Time to 63 % of a step, oil 40 to 70 degC"),
    ("t63_hot_s", 0.45, "s", "Time to 63 % of a step, oil 70 to 100 degC"),
    ("t63_very_hot_s", 0.45, "s", "Time to 63 % of a step, oil above 100 degC"),
    ("cold_slowness_ratio", 5.0, "1", "Lag with oil below 40 degC over the same cam's lag with warm oil"),
    ("bank_slowness_ratio", 3.0, "1", "Lag over that of the same cam of the other bank, in the same oil"),
    ("bank_slowness_s", 0.2, "s", "Lag from which the banks are compared"),
    ("slew_min_cold_deg_per_s", 10.0, "deg/s", "Slowest acceptable slew, oil below 40 degC"),
    ("slew_min_warm_deg_per_s", 20.0, "deg/s", "Slowest acceptable slew, oil 40 to 70 degC"),
    ("slew_min_hot_deg_per_s", 30.0, "deg/s", "Slowest acceptable slew, oil 70 to 100 degC"),
    ("slew_min_very_hot_deg_per_s", 30.0, "deg/s", "Slowest acceptable slew, oil above 100 degC"),
    ("dead_time_s", 0.5, "s", "Dead time after a command step"),
    ("overshoot_deg", 6.0, "deg", "Overshoot after a command step"),
    ("gain_error", 0.1, "1", "Departure of the static gain from one"),
    ("scale_error", 0.25, "1", "Departure of the gain from one that no fault of a cam explains"),
    # Sticking
    ("stick_band_deg", 1.5, "deg", "Dead band plus stick band: how far the command leaves before the cam moves"),
    ("jump_deg", 1.5, "deg", "Jump when the cam breaks away"),
    ("stuck_time_fraction", 0.5, "1", "Share of the moving command during which the cam stays put"),
    ("standing_time_fraction", 0.1, "1", "Share of the moving command through which a cam may stand still"),
    ("waits_for_speed", 5.0, "count", "Times the cam stood still until engine speed rose"),
    # Hold
    ("flutter_rms_deg", 0.8, "deg", "Flutter about a steady command (root mean square)"),
    ("drift_deg_per_s", 0.5, "deg/s", "Drift at a steady command"),
    ("limit_cycle_deg", 1.2, "deg", "Amplitude of a steady oscillation"),
    # Rest and mechanical timing
    ("rest_offset_deg", 2.5, "deg", "Actual minus rest angle when commanded to rest at warm idle"),
    ("chain_elongation_percent", 0.5, "%", "Elongation of the loaded chain strand"),
    ("cold_start_flutter_deg", 0.9, "deg", "Flutter at rest in the first seconds after a cold start"),
    # Sensor
    ("sensor_noise_rms_deg", 1.0, "deg", "Sample-to-sample noise of the angle reading"),
    ("sensor_dropout_fraction", 0.05, "1", "Share of angle readings missing while the command arrives"),
    ("sensor_jump_deg_per_s", 600.0, "deg/s", "Apparent speed no phaser reaches"),
    # Oil supply and engine
    ("oil_pressure_min_kpa_per_1000_rpm", 70.0, "kPa", "Oil pressure for each 1,000 rpm, oil hot"),
    ("oil_window_ratio", 1.5, "1", "Change of a metric between oil windows that matters"),
    ("fuel_trim_percent", 12.0, "%", "Long plus short fuel trim away from zero"),
    ("module_voltage_min_v", 12.0, "V", "Module voltage with the engine running"),
    # Misfire
    ("misfire_per_1000_rev", 2.0, "per 1,000 rev", "Misfires of one cylinder for each 1,000 revolutions"),
    ("misfire_rate_ratio", 2.0, "1", "Misfire rate ratio that matters"),
    ("misfire_cam_error_deg", 2.5, "deg", "Mean cam error between two polls that counts as high"),
    ("significance", 0.05, "1", "Chance of a false alarm allowed over all tests of one kind"),
    # What a drive must contain before a verdict
    ("needed_running_s", 60.0, "s", "Engine running"),
    ("needed_pair_interval_s", 0.25, "s", "Longest mean interval between angle readings"),
    ("needed_steps", 3.0, "count", "Command steps in each direction with warm oil"),
    ("needed_hold_s", 6.0, "s", "Steady command off rest with warm oil"),
    ("needed_rest_s", 5.0, "s", "Commanded to rest at warm idle"),
    ("needed_window_s", 20.0, "s", "Engine running in an oil-temperature window"),
    ("warm_oil_degc", 70.0, "degC", "Oil counts as warm from here"),
    ("cold_oil_degc", 40.0, "degC", "Oil counts as cold below"),
)

LIMITS: Mapping[str, Limit] = MappingProxyType(
    {
        name: Limit(name, value, unit, rest[0] if rest else COMMON_PRACTICE, title)
        for name, value, unit, title, *rest in _TABLE
    }
)


def limits_for(profile: VehicleProfile | Mapping[str, float] | None = None) -> Mapping[str, Limit]:
    """The limits that judge this vehicle: LIMITS with the profile's overrides.

    `profile` is a vehicle profile, a plain mapping of overrides, or None. An
    overridden limit has the source "vehicle profile". Raises InputError for a
    name that is no limit or a value that is not a finite number.
    """
    overrides = getattr(profile, "limits", profile) or {}
    found = dict(LIMITS)
    for name, value in overrides.items():
        if name not in LIMITS:
            near = get_close_matches(name, LIMITS, n=1)
            raise InputError(
                f"[limits] has no limit named {name!r}",
                file=getattr(profile, "file", None), column=name,
                remedy=f"Did you mean {near[0]!r}?" if near else "The commented profile template names them.",
            )  # fmt: skip
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
            raise InputError(
                f"[limits] {name} should be a finite number",
                file=getattr(profile, "file", None),
                column=name,
                remedy=f"Give a number in {LIMITS[name].unit}.",
            )
        found[name] = replace(LIMITS[name], value=float(value), source=PROFILE_SOURCE)
    return MappingProxyType(found)


def window_word(window: OilWindow) -> str:
    """`cold`, `warm`, `hot` or `very_hot`: which of the per-window limits judges a window."""
    for word, top_degc in (("cold", 40.0), ("warm", 70.0), ("hot", 100.0)):
        if window.max_degc <= top_degc:
            return word
    # A window open at the top is very hot only where it begins there; "above 70" is judged as hot.
    return "very_hot" if window.min_degc >= 100.0 else "hot"


def t63_limit(limits: Mapping[str, Limit], window: OilWindow) -> Limit:
    """The limit for T63 in an oil-temperature window."""
    return limits[f"t63_{window_word(window)}_s"]


def slew_limit(limits: Mapping[str, Limit], window: OilWindow) -> Limit:
    """The limit for slew in an oil-temperature window."""
    return limits[f"slew_min_{window_word(window)}_deg_per_s"]
