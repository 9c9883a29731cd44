"""A simulated car behind a simulated adapter, built from the arguments of `camlog simulate`."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from camlog import cams
from camlog.new_files import write_text
from camlog.profile import read_profile
from camlog.simulate import say
from camlog.simulate.adapter import SimulatedAdapter, TimingModel, parse_fault, preset
from camlog.simulate.adapter.buses import BUSES
from camlog.simulate.vehicle.car import SimulatedCar
from camlog.simulate.vehicle.conditions import Condition
from camlog.simulate.vehicle.draw import draw_setup, profile_overrides

STATE_SCHEMA = "camlog.simulated_car/1"
# Least and greatest value of each number, and its text in an error.
LIMITS = {
    "--baud": (300, math.inf, "Give 300 or more."),
    "--time-scale": (0.001, math.inf, "Give 0.001 or more."),
    "--latency-ms": (0.0, 10_000.0, "Give 0 to 10000."),
    "--wait-ms": (0.0, 10_000.0, "Give 0 to 10000."),
    "--severity": (0.0, 1.0, "Give a number from 0 to 1."),
}


@dataclass(frozen=True)
class LiveCar:
    """A car, the adapter in front of it, and the file for its memory (None: not saved)."""

    car: SimulatedCar
    adapter: SimulatedAdapter
    seed: int
    state: Path | None = None

    def save(self) -> None:
        """Save codes, readiness and counters for the next drive, as after switching off now. Raises InputError if the
        file cannot be written."""
        if self.state is None:
            return
        content = {"schema": STATE_SCHEMA, "seed": self.seed, "memory": self.car.state()}
        try:
            write_text(json.dumps(content, indent=1) + "\n", self.state, replace=True)
        except OSError as error:
            raise say.error("state_unwritten", self.state, why=error.strerror) from error


def simulated_adapter(
    *,
    vehicle: str = "demo",
    condition: str = "healthy",
    severity: float = 0.7,
    seed: int = 1,
    drive: str = "mixed",
    baud: int = 115_200,
    latency_s: float = 0.008,
    wait_s: float = 0.040,
    adapter: str = "standard",
    protocol: str | None = None,
    second_module: bool = False,
    faults: Sequence[str] = (),
    time_scale: float = 1.0,
    state: Path | None = None,
) -> LiveCar:
    """A car with `condition` on `drive` that answers under the profile's identifiers. The profile also sets the oil
    grade, and a V engine if it has cams of bank 2. Raises InputError for arguments that are unknown or out of range."""
    profile = read_profile(vehicle)
    numbers = (baud, time_scale, latency_s * 1e3, wait_s * 1e3, severity)
    for (name, (least, most, remedy)), value in zip(LIMITS.items(), numbers, strict=True):
        if not (math.isfinite(value) and least <= value <= most):
            raise say.error("range", name=name, value=value, remedy=remedy)
    traits = preset(adapter)
    if protocol is not None:
        if protocol not in BUSES:
            raise say.error("protocol", name=protocol)
        traits = replace(traits, protocol=protocol)
    traits = replace(traits, second_module=second_module or traits.second_module)
    conditions = () if condition == "healthy" else (Condition(condition, severity),)
    engine = "v6" if any(cams.bank_of(cam.id) > 1 for cam in profile.cams) else "four"
    setup = draw_setup(seed, conditions, engine=engine, **profile_overrides(profile))
    memory = _read_state(state, seed)
    try:
        car = SimulatedCar(setup, drive, state=memory)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        if memory is None:
            raise
        raise say.error("state_in_part", state) from error
    timing = TimingModel(baud=baud, ecu_latency_s=latency_s, wait_s=wait_s)
    front = SimulatedAdapter(
        car, profile, traits=traits, timing=timing, faults=map(parse_fault, faults), seed=seed, time_scale=time_scale
    )
    return LiveCar(car, front, seed, state)


def _read_state(path: Path | None, seed: int) -> dict[str, Any] | None:
    """The memory in a --state file; None if there is no file yet."""
    if path is None:
        return None
    if not path.parent.is_dir():
        raise say.error("state_folder", path)
    if not path.exists():
        return None
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise say.error("state_unread", path) from error
    is_state = isinstance(content, dict) and content.get("schema") == STATE_SCHEMA
    if not is_state or not isinstance(content.get("memory"), dict):
        raise say.error("no_state", path)
    if content.get("seed") != seed:
        raise say.error("other_seed", path, seed=content.get("seed"))
    return content["memory"]
