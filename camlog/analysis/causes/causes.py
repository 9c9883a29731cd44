"""The causes a technician chooses between: what each does to a cam, to oil windows, to codes and to
cylinders. One fault is assumed, or none. The causes stand in `causes.toml`; a new one is one entry there."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib import resources
from typing import Any

MECHANICAL_TIMING, NOTHING = "mechanical timing", "nothing wrong"
CAM, BANK, ENGINE = "cam", "bank", "engine"
# What one cam looks like to the verdict where nothing is wrong with it.
SOUND = {
    "healthy": 0.94,
    "sticking": 0.01,
    "slow": 0.01,
    "stuck": 0.003,
    "unstable": 0.012,
    "offset": 0.015,
    "sensor": 0.01,
}


def read_table(name: str) -> dict[str, Any]:
    return tomllib.loads(resources.files(__package__).joinpath(name).read_text("utf-8"))


@dataclass(frozen=True)
class Cause:
    """One cause: its key, name, group, and `prior`: how often a car that comes in for its cam timing has it, as a weight.

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


CAUSES = tuple(Cause(key, **entry) for key, entry in read_table("causes.toml").items())
BY_KEY: Mapping[str, Cause] = {c.key: c for c in CAUSES}
GROUPS = tuple(dict.fromkeys(c.group for c in CAUSES))
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
