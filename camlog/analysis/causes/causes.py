"""The causes a technician chooses between: what each does to a cam, to oil windows, to codes and to cylinders.

One fault is assumed, or none. Every figure is a chance from common practice, no source, unless it says otherwise; `prior`
is how often a car that comes in for its cam timing has this, and a shop's own file may set it. A new cause is one entry.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

PHASER = "phaser"
CONTROL_VALVE = "oil control valve"
OIL_SUPPLY = "oil supply"
MECHANICAL_TIMING = "mechanical timing"
SENSOR = "sensor or wiring"
LEARNED = "learned values"
IGNITION = "ignition or fuel"
NOTHING = "nothing wrong"
GROUPS = (PHASER, CONTROL_VALVE, OIL_SUPPLY, MECHANICAL_TIMING, SENSOR, LEARNED, IGNITION, NOTHING)

CAM, BANK, ENGINE = "cam", "bank", "engine"
# What one cam looks like to the verdict where nothing is wrong with it.
SOUND = {"healthy": 0.94, "sticking": 0.01, "slow": 0.01, "stuck": 0.003, "unstable": 0.012, "offset": 0.015, "sensor": 0.01}


@dataclass(frozen=True)
class Cause:
    """One cause: its key, name, group of GROUPS and prior weight.

    `reach` says what it befalls: one cam, every cam of a bank, or every cam. `looks` is the chance of each condition of
    a cam it befalls (the rest is shared out); `oil` of each pattern over oil windows where such a cam is slow; `way` that
    an offset is retarded (0.5: either way); `rattles` that the start is not quiet; `codes` of a code of each family;
    `misfire` of each misfire pattern; `pressure` that measured oil pressure is low.
    """

    key: str
    name: str
    group: str
    prior: float
    reach: str = CAM
    looks: Mapping[str, float] = field(default_factory=lambda: SOUND)
    oil: Mapping[str, float] = field(default_factory=dict)
    retarded: float = 0.5
    rattles: float = 0.03
    codes: Mapping[str, float] = field(default_factory=dict)
    misfire: Mapping[str, float] = field(default_factory=dict)
    pressure: float = 0.03


_COLD, _HOT, _EVEN = {"cold_only": 0.75, "hot_only": 0.05}, {"cold_only": 0.08, "hot_only": 0.7}, {"cold_only": 0.25, "hot_only": 0.15}
_FOLLOWS_CAM = {"bank": 0.12, "all": 0.08, "several": 0.12, "single": 0.04}
_PERFORMANCE = {"cam_performance": 0.45, "slow_response": 0.2, "misfire": 0.2}
_TIMING = {"cam_crank_correlation": 0.55, "cam_performance": 0.15, "misfire": 0.25}

CAUSES = (
    Cause("phaser_sticking", "phaser sticking", PHASER, 9.0, CAM, oil=_EVEN, codes=_PERFORMANCE, misfire=_FOLLOWS_CAM,
          looks={"sticking": 0.45, "stuck": 0.16, "slow": 0.19, "healthy": 0.1, "unstable": 0.05, "offset": 0.03}),
    Cause("phaser_worn", "phaser worn or leaking inside", PHASER, 8.0, CAM, oil=_HOT, codes=_PERFORMANCE, misfire=_FOLLOWS_CAM,
          rattles=0.3, retarded=0.6,
          looks={"unstable": 0.38, "slow": 0.3, "healthy": 0.15, "sticking": 0.07, "stuck": 0.04, "offset": 0.04}),
    Cause("lock_pin", "the phaser's lock pin", PHASER, 6.0, CAM, oil=_EVEN, rattles=0.85, misfire={"several": 0.05},
          codes={"cam_performance": 0.2, "cam_crank_correlation": 0.1},
          looks={"unstable": 0.62, "healthy": 0.2, "offset": 0.09, "stuck": 0.04, "sticking": 0.02}),
    Cause("valve_sticking", "oil control valve sticking", CONTROL_VALVE, 9.0, CAM, oil=_EVEN, codes=_PERFORMANCE,
          misfire=_FOLLOWS_CAM,
          looks={"sticking": 0.4, "stuck": 0.22, "slow": 0.15, "unstable": 0.1, "healthy": 0.1, "offset": 0.01}),
    Cause("valve_screen", "oil control valve's screen blocked", CONTROL_VALVE, 5.0, CAM, oil={"cold_only": 0.4, "hot_only": 0.08},
          codes=_PERFORMANCE, misfire=_FOLLOWS_CAM,
          looks={"slow": 0.62, "stuck": 0.15, "healthy": 0.12, "sticking": 0.06, "unstable": 0.03}),
    Cause("valve_circuit", "the oil control valve's wire, plug or coil", CONTROL_VALVE, 4.0, CAM,
          codes={"valve_circuit": 0.8, "cam_performance": 0.4, "misfire": 0.1}, misfire=_FOLLOWS_CAM,
          looks={"stuck": 0.78, "healthy": 0.12, "sticking": 0.04, "slow": 0.03}),
    Cause("oil_condition", "oil level, age or grade", OIL_SUPPLY, 9.0, ENGINE, oil={"cold_only": 0.5, "hot_only": 0.25},
          pressure=0.35, rattles=0.15, codes={**_PERFORMANCE, "oil_pressure_temperature": 0.12}, misfire=_FOLLOWS_CAM,
          looks={"slow": 0.62, "healthy": 0.13, "unstable": 0.11, "sticking": 0.08, "stuck": 0.04}),
    Cause("oil_pressure", "oil pressure (pump, relief valve, bearings)", OIL_SUPPLY, 3.0, ENGINE, oil=_HOT, pressure=0.85,
          rattles=0.25, codes={**_PERFORMANCE, "oil_pressure_temperature": 0.5}, misfire=_FOLLOWS_CAM,
          looks={"slow": 0.55, "unstable": 0.17, "healthy": 0.14, "stuck": 0.08, "sticking": 0.05}),
    Cause("oil_passage", "oil passage to one cam blocked", OIL_SUPPLY, 1.2, CAM, oil={"cold_only": 0.45, "hot_only": 0.1},
          codes=_PERFORMANCE, misfire=_FOLLOWS_CAM,
          looks={"slow": 0.6, "stuck": 0.2, "healthy": 0.1, "sticking": 0.06, "unstable": 0.03}),
    Cause("chain_stretched", "chain stretched", MECHANICAL_TIMING, 6.0, BANK, retarded=0.95, rattles=0.25, codes=_TIMING,
          misfire={"bank": 0.08, "all": 0.08, "several": 0.08},
          looks={"offset": 0.75, "healthy": 0.2, "unstable": 0.02, "slow": 0.01}),
    Cause("tooth_jumped", "timing some teeth off", MECHANICAL_TIMING, 2.5, BANK, retarded=0.6,
          codes={**_TIMING, "cam_crank_correlation": 0.75, "misfire": 0.45},
          misfire={"bank": 0.2, "all": 0.25, "several": 0.15},
          looks={"offset": 0.93, "healthy": 0.03, "sensor": 0.01}),
    Cause("tensioner", "chain tensioner or guides", MECHANICAL_TIMING, 4.0, BANK, retarded=0.85, rattles=0.6,
          codes={"cam_crank_correlation": 0.3, "cam_performance": 0.1},
          looks={"offset": 0.3, "healthy": 0.45, "unstable": 0.2, "slow": 0.01}),
    Cause("sensor", "cam or crank sensor, or its target wheel", SENSOR, 6.0, CAM,
          codes={"sensor_circuit": 0.55, "cam_crank_correlation": 0.25, "cam_performance": 0.1, "misfire": 0.1},
          misfire={"several": 0.06, "all": 0.06},
          looks={"sensor": 0.72, "offset": 0.12, "healthy": 0.12, "unstable": 0.02}),
    Cause("learned_values", "the control module's learned values", LEARNED, 1.5, BANK, codes={"cam_crank_correlation": 0.2},
          looks={"offset": 0.5, "healthy": 0.42, "unstable": 0.05}),
    Cause("ignition_fuel", "ignition or fuel", IGNITION, 9.0, ENGINE, codes={"misfire": 0.6, "fuel_trim": 0.3},
          misfire={"single": 0.6, "bank": 0.04, "all": 0.06, "several": 0.18}),
    Cause("nothing", "nothing wrong", NOTHING, 15.0, ENGINE),
)  # fmt: skip
BY_KEY: Mapping[str, Cause] = {c.key: c for c in CAUSES}
# Chances where a cause says nothing of a code family, a misfire pattern or an oil pattern.
CODE_BY_CHANCE = 0.02
CODE_FAMILIES = tuple(sorted({family for cause in CAUSES for family in cause.codes}))
MISFIRE_BY_CHANCE = {"single": 0.02, "bank": 0.003, "all": 0.005, "several": 0.01}
OIL_OTHERWISE = {"cold_only": 0.15, "hot_only": 0.1}


def look(cause: Cause | None, condition: str) -> float:
    """The chance that a cam looks like `condition` where it suffers from `cause`; None: where nothing is wrong with it."""
    looks = SOUND if cause is None else cause.looks
    if condition in looks:
        return looks[condition]
    return max(1.0 - sum(looks.values()), 0.01) / max(len(SOUND) - len(looks), 1)


def pattern_chance(known: Mapping[str, float], otherwise: Mapping[str, float], pattern: str) -> float:
    """The chance of one pattern of `otherwise`, or of none of them."""
    chances = {**otherwise, **known}
    return chances.get(pattern, max(1.0 - sum(chances.values()), 0.02))
