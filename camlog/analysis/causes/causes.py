"""The causes a technician chooses between, and how each shows in a cam, in oil windows, codes and cylinders. One fault
is assumed, or none. The causes are declared in `causes.toml`; a new one is one entry there."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib import resources
from typing import Any

MECHANICAL_TIMING, NOTHING = "mechanical timing", "nothing wrong"
CAM, BANK, ENGINE = "cam", "bank", "engine"
# Chance of each condition in the verdict on a cam with nothing wrong.
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
    """One cause with its key, name and group. `prior` is a weight: how often a car with a cam-timing complaint has it.

    `reach` says what it affects: one cam, every cam of a bank, or every cam. All others are chances given the cause:
    `looks` of each condition of an affected cam (the rest is shared equally), `oil` of each pattern over oil windows if
    such a cam is slow, `retarded` that an offset is retarded (0.5: either direction), `rattles` that the start is not
    quiet, `codes` of a code of each family, `misfire` of each misfire pattern, `pressure` of low measured oil pressure.
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
# Chances of a code family, misfire pattern or oil pattern that a cause does not mention.
CODE_BY_CHANCE = 0.02
CODE_FAMILIES = tuple(sorted({family for cause in CAUSES for family in cause.codes}))
MISFIRE_BY_CHANCE = {"single": 0.02, "bank": 0.003, "all": 0.005, "several": 0.01}
OIL_OTHERWISE = {"cold_only": 0.15, "hot_only": 0.1}


def look(cause: Cause | None, condition: str) -> float:
    """The chance that a cam with `cause` shows `condition`; `cause` None is a cam with nothing wrong."""
    looks = SOUND if cause is None else cause.looks
    if condition in looks:
        return looks[condition]
    return max(1.0 - sum(looks.values()), 0.01) / max(len(SOUND) - len(looks), 1)


def pattern_chance(known: Mapping[str, float], otherwise: Mapping[str, float], pattern: str) -> float:
    """The chance of `pattern`: from `known`, else from `otherwise`; in neither, the chance of no pattern at all."""
    chances = {**otherwise, **known}
    return chances.get(pattern, max(1.0 - sum(chances.values()), 0.02))
