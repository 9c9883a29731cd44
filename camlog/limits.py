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
from typing import Any

from camlog.errors import InputError
from camlog.numbers import with_unit

COMMON_PRACTICE = "common practice, no source"
PROFILE_SOURCE = "vehicle profile"


@dataclass(frozen=True, slots=True)
class Limit:
    """One number a finding is judged by: `value` in `unit`, `title` in words, `source` of the number.

    A profile may set it from `lowest` to `highest`; beyond `strange` times the default, up or down, it is accepted
    with a warning.
    """

    name: str
    value: float
    unit: str
    source: str
    title: str
    lowest: float = 0.0
    highest: float = math.inf

    def __str__(self) -> str:
        return f"{with_unit(self.value, self.unit)} ({self.source})"

    @property
    def from_profile(self) -> bool:
        """True where the vehicle's own service information set it."""
        return self.source == PROFILE_SOURCE


# The oil temperatures that bound the windows cold, warm, hot and very hot, in rising order.
OIL_EDGES = ("cold_oil_degc", "warm_oil_degc", "very_hot_oil_degc")
STRANGE_TIMES = 10.0  # a limit this many times its default is more likely a slip of the unit than this engine

# unit: the lowest and highest value a limit of that unit may be set to; the first is excluded.
_RANGES = {
    "deg": (0.0, 120.0),
    "s": (0.0, 3600.0),
    "1": (0.0, 1000.0),
    "share": (0.0, 1.0),
    "powers of ten": (0.0, 100.0),
    "deg/s": (0.0, 2000.0),
    "%": (0.0, 100.0),
    "kPa": (0.0, 1000.0),
    "V": (0.0, 60.0),
    "per 1,000 rev": (0.0, 1000.0),
    "1/min": (0.0, 1000.0),
    "count": (0.0, 10_000.0),
    "degC": (-60.0, 200.0),
}
# name, value, unit, title. Oil: cold, warm, hot and very hot are bounded by the temperatures at the end.
_TABLE: tuple[tuple[str, float, str, str], ...] = (
    # Does it move?
    ("dead_time_fraction", 0.3, "share", "Share of the moving command that a cam may leave unanswered"),
    ("dead_run_s", 4.5, "s", "Longest time a cam may stand away from a moving command"),
    ("travel_share", 0.3, "share", "Least travel of the cam over that of its command"),
    ("stuck_time_fraction", 0.25, "share", "Share of the moving command during which the cam stays put"),
    ("quiet_command_s", 60.0, "s", "Driving with a command that no longer moves"),
    # Tracking at a steady command
    ("hold_error_deg", 5.0, "deg", "Largest error at a steady command"),
    ("hold_error_time_s", 4.5, "s", "How long an error must last to count"),
    ("away_time_fraction", 0.02, "share", "Share of the time in errors that lasted"),
    ("error_spread_deg", 2.5, "deg", "Error at a steady command about its mean"),
    ("tracking_bias_deg", 3.0, "deg", "Mean error at a steady command"),
    ("tracking_rms_deg", 3.0, "deg", "Root-mean-square error at a steady command"),
    ("gain_error", 0.1, "1", "Departure of the static gain from one"),
    ("scale_error", 0.25, "1", "Departure of the gain from one that no fault of a cam explains"),
    # Response to a command step
    ("t63_cold_s", 1.0, "s", "Time to 63 % of a step, cold oil"),
    ("t63_warm_s", 0.6, "s", "Time to 63 % of a step, warm oil"),
    ("t63_hot_s", 0.45, "s", "Time to 63 % of a step, hot oil"),
    ("t63_very_hot_s", 0.45, "s", "Time to 63 % of a step, very hot oil"),
    ("slew_min_cold_deg_per_s", 10.0, "deg/s", "Slowest acceptable slew, cold oil"),
    ("slew_min_warm_deg_per_s", 20.0, "deg/s", "Slowest acceptable slew, warm oil"),
    ("slew_min_hot_deg_per_s", 30.0, "deg/s", "Slowest acceptable slew, hot oil"),
    ("slew_min_very_hot_deg_per_s", 30.0, "deg/s", "Slowest acceptable slew, very hot oil"),
    ("dead_time_s", 0.3, "s", "Dead time after a command step"),
    ("late_time_cold_fraction", 0.05, "share", "Share of the time far from all commanded in the last second, cold oil"),
    ("late_time_warm_fraction", 0.02, "share", "Share of the time far from all commanded in the last second, warm oil"),
    ("late_time_hot_fraction", 0.02, "share", "Share of the time far from all commanded in the last second, hot oil"),
    ("late_time_very_hot_fraction", 0.02, "share", "Share of the time far from all commanded in the last second, very hot oil"),
    ("cold_slowness_ratio", 5.0, "1", "Lag with the coldest oil over the same cam's lag with the warmest"),
    ("bank_slowness_ratio", 3.0, "1", "Lag over that of the same cam of the other bank, in the same oil"),
    ("waits_for_speed", 5.0, "count", "Times the cam stood still until engine speed rose"),
    # Sticking
    ("stick_band_deg", 1.5, "deg", "Dead band plus stick band: how far the command leaves before the cam moves"),
    ("jump_deg", 1.5, "deg", "Jump when the cam breaks away"),
    ("jumps_per_min", 6.0, "1/min", "Jumps after standing, a minute of moving command"),
    ("jump_share", 0.4, "share", "Share of stands that end in a jump"),
    ("stiction_explained", 0.3, "share", "Share of the motion that sticking explains and slowness does not"),
    ("only_slow_surprise", 3.0, "powers of ten", "Powers of ten by which a cam that is only slow would not move like this"),
    ("fit_misfit", 0.1, "share", "Share of the motion that a lag with a rate limit leaves unexplained"),
    ("standing_swing_deg", 0.6, "deg", "Swing to either side of a still command that stands on plateaus"),
    ("cycle_shape", 0.5, "1", "Shape of a steady swing, 0 smooth to 1 plateaus"),
    # Hold
    ("flutter_rms_deg", 0.8, "deg", "Flutter about a steady command (root mean square)"),
    ("restless_rms_deg", 0.8, "deg", "Motion from reading to reading of the held cam, beyond that at rest"),
    ("drift_deg_per_s", 0.5, "deg/s", "Drift at a steady command"),
    ("limit_cycle_deg", 1.2, "deg", "Amplitude of a steady oscillation"),
    ("swing_time_fraction", 0.05, "share", "Share of the time in swings about a command that hardly moves"),
    ("smooth_swing_deg", 0.6, "deg", "Swing to either side of a still command that never stands"),
    ("lopsided", 0.5, "1", "Skewness of the held cam's motion"),
    ("overshoot_deg", 6.0, "deg", "Overshoot after a command step"),
    # Rest and mechanical timing
    ("rest_offset_deg", 2.5, "deg", "Actual minus rest angle when commanded to rest at warm idle"),
    ("rest_shift_deg", 2.5, "deg", "Rest position moved within the drive"),
    ("rest_spread_deg", 1.5, "deg", "Spread between visits to rest"),
    ("chain_offset_deg", 2.5, "deg", "Offset that the cams on one chain share"),
    ("chain_elongation_percent", 0.5, "%", "Elongation of the loaded chain strand"),
    ("stop_share", 0.5, "share", "Share of the time away from its command that the cam stands at its stop"),
    ("beyond_range_deg", 2.0, "deg", "Steadily read outside the travel"),
    ("cold_start_flutter_deg", 0.9, "deg", "Flutter at rest in the first seconds after a cold start"),
    # Sensor
    ("sensor_noise_rms_deg", 1.0, "deg", "Sample-to-sample noise of the angle reading at rest"),
    ("noise_held_rms_deg", 1.0, "deg", "Sample-to-sample noise of the angle reading of a held cam"),
    ("noise_share", 0.7, "1", "Noise from reading to reading over all motion of a held cam"),
    ("noise_correlation", 0.4, "1", "Likeness of successive readings below which they are noise"),
    ("sensor_dropout_fraction", 0.05, "share", "Share of angle readings missing while the command arrives"),
    ("sensor_jump_deg_per_s", 600.0, "deg/s", "Apparent speed no phaser reaches"),
    ("impossible_jumps", 3.0, "count", "Jumps no cam can make"),
    ("substituted_fraction", 0.02, "share", "Share of readings that are no angle of the cam"),
    ("frozen_fraction", 0.05, "share", "Share of the time a live reading stood still"),
    ("still_fraction", 0.05, "share", "Share of the time a reading stood still, live or not"),
    ("out_of_range_fraction", 0.02, "share", "Share of readings outside any travel"),
    ("pegged_fraction", 0.05, "share", "Share of readings pegged at one end"),
    # The vehicle's own monitors
    ("code_target", 1.0, "count", "Trouble codes for the cam's target error"),
    ("code_slow", 1.0, "count", "Trouble codes for the cam's slow response"),
    ("code_correlation", 1.0, "count", "Trouble codes for cam and crank not agreeing"),
    ("code_sensor", 1.0, "count", "Trouble codes for the cam's sensor"),
    # Oil supply and engine
    ("oil_pressure_min_kpa_per_1000_rpm", 70.0, "kPa", "Oil pressure for each 1,000 rpm, oil hot"),
    ("fuel_trim_percent", 12.0, "%", "Long plus short fuel trim away from zero"),
    ("module_voltage_min_v", 12.0, "V", "Module voltage with the engine running"),
    # Misfire
    ("misfire_per_1000_rev", 2.0, "per 1,000 rev", "Misfires of one cylinder for each 1,000 revolutions"),
    ("misfire_rate_ratio", 2.0, "1", "Misfire rate ratio that matters"),
    ("misfire_cam_error_deg", 2.5, "deg", "Mean cam error between two polls that counts as high"),
    ("significance", 0.05, "1", "Chance of a false alarm allowed over all tests of one kind"),
    # What a drive must contain before a verdict
    ("needed_running_s", 120.0, "s", "Engine running"),
    ("needed_pair_interval_s", 0.25, "s", "Longest mean interval between angle readings"),
    ("needed_steps", 3.0, "count", "Command steps in each direction with warm oil"),
    ("needed_hold_s", 6.0, "s", "Steady command off rest with warm oil"),
    ("needed_rest_s", 5.0, "s", "Commanded to rest at warm idle"),
    ("needed_window_s", 20.0, "s", "Engine running in an oil-temperature window"),
    ("cold_oil_degc", 40.0, "degC", "Oil counts as cold below"),
    ("warm_oil_degc", 70.0, "degC", "Oil counts as hot from here"),
    ("very_hot_oil_degc", 100.0, "degC", "Oil counts as very hot from here"),
)

LIMITS: Mapping[str, Limit] = MappingProxyType(
    {name: Limit(name, value, unit, COMMON_PRACTICE, title, *_RANGES[unit]) for name, value, unit, title in _TABLE}
)


def limits_for(profile: Any = None) -> Mapping[str, Limit]:
    """The limits that judge this vehicle: LIMITS with the profile's overrides.

    `profile` is a vehicle profile (its `limits` and `file` count), a plain mapping of overrides, or None. An
    overridden limit has the source "vehicle profile". Raises InputError for a
    name that is no limit, or a value that is no finite number within the limit's range.
    """
    overrides = getattr(profile, "limits", profile) or {}
    file = getattr(profile, "file", None)
    found = dict(LIMITS)
    for name, value in overrides.items():
        problem = limit_problem(name, value)
        if problem:
            what, remedy = problem
            raise InputError(what, file=file, column=name, remedy=remedy)
        found[name] = replace(LIMITS[name], value=float(value), source=PROFILE_SOURCE)
    edges = [found[name].value for name in OIL_EDGES]
    if edges != sorted(set(edges)):
        raise InputError(
            "[limits] cold_oil_degc, warm_oil_degc and very_hot_oil_degc should rise in this order",
            file=file, column="warm_oil_degc", remedy=f"They are {edges[0]:g}, {edges[1]:g} and {edges[2]:g} degC.",
        )  # fmt: skip
    return MappingProxyType(found)


def limit_problem(name: str, value: object) -> tuple[str, str] | None:
    """Why a profile may not set the limit `name` to `value`, and what to do; None where it may."""
    if name not in LIMITS:
        near = get_close_matches(name, LIMITS, n=1)
        remedy = f"Did you mean {near[0]!r}?" if near else "The commented profile template names them."
        return f"[limits] has no limit named {name!r}", remedy
    limit = LIMITS[name]
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        return f"[limits] {name} should be a finite number", f"Give a number in {limit.unit}."
    if not limit.lowest < value <= limit.highest:
        within = f"Give a number above {limit.lowest:g} and up to {limit.highest:g} {limit.unit}."
        return f"[limits] {name} = {value:g} is out of range", within
    return None


def strange_limits(limits: Mapping[str, Limit]) -> list[str]:
    """A sentence for each limit set so far from its default that a slip of the unit is likely."""
    return [
        f"[limits] {name} = {limit.value:g} {limit.unit} is far from the usual {LIMITS[name].value:g}; check the unit."
        for name, limit in limits.items()
        if limit.from_profile and limit.unit != "degC"
        and not 1.0 / STRANGE_TIMES <= limit.value / LIMITS[name].value <= STRANGE_TIMES
    ]  # fmt: skip
