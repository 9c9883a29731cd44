"""Every limit that judges a cam, in one place (`limits.toml`), each with its unit and source.

A vehicle profile's `[limits]` table overrides any of them by name: service information always wins. Parameters of
estimators (such as the shortest step that is measured) are beside the estimator."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from difflib import get_close_matches
from importlib.resources import files
from types import MappingProxyType
from typing import Any

from camlog.messages import say
from camlog.numbers import with_unit

COMMON_PRACTICE = "common practice, no source"
PROFILE_SOURCE = "vehicle profile"


@dataclass(frozen=True, slots=True)
class Limit:
    """One number a finding is judged by: `value` in `unit`, `title` in words, `source` of the number.

    A profile may set it from `lowest` to `highest`; more than STRANGE_TIMES above or below the default gives a
    warning."""

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
        """True if the vehicle profile set it."""
        return self.source == PROFILE_SOURCE


# The oil temperatures between the windows cold, warm, hot and very hot, in rising order.
OIL_EDGES = ("cold_oil_degc", "warm_oil_degc", "very_hot_oil_degc")
STRANGE_TIMES = 10.0  # a limit this many times its default is probably given in a wrong unit


def _limits() -> dict[str, Limit]:
    read = tomllib.loads(files("camlog").joinpath("limits.toml").read_text(encoding="utf-8"))
    return {
        name: Limit(name, value, unit, COMMON_PRACTICE, title, *read["ranges"][unit])
        for name, (value, unit, title) in read["limits"].items()
    }


LIMITS: Mapping[str, Limit] = MappingProxyType(_limits())


def limits_for(profile: Any = None) -> Mapping[str, Limit]:
    """The limits that judge this vehicle: LIMITS with the profile's overrides.

    `profile` is a vehicle profile (its `limits` and `file` count), a plain mapping of overrides, or None. An overridden
    limit has the source "vehicle profile". Raises InputError for a name that is no limit, or a value that is no finite
    number within the limit's range."""
    overrides = getattr(profile, "limits", profile) or {}
    file = getattr(profile, "file", None)
    limits = dict(LIMITS)
    for name, value in overrides.items():
        if name not in LIMITS:
            suggestion = get_close_matches(name, LIMITS, n=1)
            raise say.error("limit_unknown", file, column=name, name=name, near=suggestion[0] if suggestion else "")
        limit = LIMITS[name]
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
            raise say.error("limit_no_number", file, column=name, name=name, unit=limit.unit)
        if not limit.lowest < value <= limit.highest:
            raise say.error("limit_range", file, column=name, value=value, limit=limit)
        limits[name] = replace(LIMITS[name], value=float(value), source=PROFILE_SOURCE)
    edges = [limits[name].value for name in OIL_EDGES]
    if edges != sorted(set(edges)):
        raise say.error("limit_edges", file, column="warm_oil_degc", cold=edges[0], warm=edges[1], hot=edges[2])
    return MappingProxyType(limits)


def strange_limits(limits: Mapping[str, Limit]) -> list[str]:
    """A sentence for each limit so far from its default that a wrong unit is likely."""
    return [
        say("limits.strange", limit=limit, usual=LIMITS[name].value)
        for name, limit in limits.items()
        if limit.from_profile and limit.unit != "degC"
        and not 1.0 / STRANGE_TIMES <= limit.value / LIMITS[name].value <= STRANGE_TIMES
    ]  # fmt: skip
