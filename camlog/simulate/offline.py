"""Simulate whole drives without an adapter: the trace and drive file of a recorder, and the truth."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from camlog.drive import SIMULATED_OFFLINE, Drive
from camlog.signals import SIGNALS, actual, commanded, duty, misfire
from camlog.simulate.vehicle.control_module import DriveRun, VehicleMemory
from camlog.simulate.vehicle.drive_cycle import DriveCycle
from camlog.simulate.vehicle.kernels import SECOND_TICKS, TICK_S, Block
from camlog.simulate.vehicle.noise import stream_generator
from camlog.simulate.vehicle.setup import VehicleSetup
from camlog.trace import Trace
from camlog.trust import vin_hash

# Groups of signals that a recorder polls slower than the cams; several values come in one response.
MEDIUM_GROUP = (
    "vehicle_speed", "engine_load", "throttle_position", "manifold_pressure", "mass_air_flow",
    "spark_advance",
)  # fmt: skip
SLOW_GROUPS = (
    ("coolant_temp", "oil_temp", "intake_air_temp", "ambient_temp", "module_voltage", "run_time"),
    ("short_fuel_trim_b1", "long_fuel_trim_b1", "short_fuel_trim_b2", "long_fuel_trim_b2"),
    ("oil_pressure",),
)
STARTED_AT = "2024-05-14T08:00:00+00:00"  # start of a car's first drive; each further drive is a day later
BETWEEN_DRIVES = timedelta(days=1)
INVENTED_ADAPTER = {"name": SIMULATED_OFFLINE, "simulated": True}


@dataclass(frozen=True, slots=True)
class Sampling:
    """How a recorder sampled the drive. Each cam's commanded and actual angle are read `cam_pair_hz` times a second,
    the actual angle `cam_skew_s` later in a row of its own (0: in the same row). Intervals vary by `jitter` (standard
    deviation as a share), and `lost_share` of the rows are missing at random."""

    cam_pair_hz: float = 30.0
    cam_skew_s: float = 0.0
    jitter: float = 0.08
    medium_hz: float = 2.0
    slow_hz: float = 0.5
    lost_share: float = 0.0
    with_duty: bool = True


@dataclass(frozen=True)
class SimulatedDrive:
    """A drive as recorded, the vehicle's memory afterwards, and the true quantities at each control tick."""

    trace: Trace
    drive: Drive
    state: dict[str, Any]
    block: Block


def simulate_drive(
    setup: VehicleSetup, drive: DriveCycle, sampling: Sampling | None = None, state: dict[str, Any] | None = None
) -> SimulatedDrive:
    """Simulate a whole drive of a vehicle and record it. `state` is the memory after an earlier drive (default: a car
    long in use, without codes)."""
    sampling = sampling or Sampling()
    memory = VehicleMemory.of(setup, state)
    seconds, drives = int(drive.duration_s), memory.drives
    run = DriveRun(setup, drive, memory)
    block = run.plant.run(seconds * SECOND_TICKS)
    before = memory.snapshot(setup, 0.0)
    counters = run.watch(block)
    after = memory.snapshot(setup, float(seconds))
    memory.end_drive(run.plant.hold_duty)

    values = run.plant.signals(block)
    # A counter includes the misfires of a second after its end.
    shown = np.vstack((np.zeros_like(counters[:1]), counters[:-1])).repeat(SECOND_TICKS, axis=0)
    values |= {misfire(n + 1): column for n, column in enumerate(shown.astype(float).T)}
    trace = record(setup, values, sampling, seed=setup.seed + drives)
    started = datetime.fromisoformat(STARTED_AT) + drives * BETWEEN_DRIVES
    drive_file = Drive(
        started_at=started.isoformat(),
        vehicle={"name": setup.name, "vin": None, "vin_hash": vin_hash(setup.vin)},
        adapter=dict(INVENTED_ADAPTER),
        code_snapshots=(before, after),
    )
    return SimulatedDrive(trace, drive_file, memory.to_dict(), block)


def record(setup: VehicleSetup, values: Block, sampling: Sampling, seed: int = 0) -> Trace:
    """Sample values per control tick into the rows a recorder writes: a Trace whose time starts at 0."""
    rng = stream_generator(seed, "recorder")
    end_s = len(values["engine_speed"]) * TICK_S - sampling.cam_skew_s

    def times(rate_hz: float, start_s: float = 0.0) -> np.ndarray:
        count = int((end_s - start_s) * rate_hz * 1.1) + 8
        steps = (1.0 + sampling.jitter * rng.standard_normal(count)).clip(0.3, 3.0) / rate_hz
        at = start_s + np.concatenate(([0.0], np.cumsum(steps)))
        return at[at < end_s]

    ids = [c.id for c in setup.cams]
    first = ["engine_speed", *map(commanded, ids)]
    second = [*map(actual, ids), *(map(duty, ids) if sampling.with_duty else ())]
    fast = times(sampling.cam_pair_hz)
    if sampling.cam_skew_s > 0.0:
        rows = [(fast, first), (fast + sampling.cam_skew_s, second)]
    else:
        rows = [(fast, first + second)]
    misfires = tuple(misfire(n + 1) for n in range(setup.engine.cylinders))
    for rate, groups in ((sampling.medium_hz, (MEDIUM_GROUP,)), (sampling.slow_hz, (*SLOW_GROUPS, misfires))):
        for n, group in enumerate(groups):
            # Between two cam rows, because requests are sent one after the other.
            at = times(rate, 0.4 / sampling.cam_pair_hz + n * 0.13 / rate)
            rows.append((at, [name for name in group if name in values]))
    if sampling.lost_share > 0.0:
        rows = [(at[rng.random(len(at)) >= sampling.lost_share], names) for at, names in rows]
    return _merge(rows, values, f"simulated-{setup.seed}.csv")


def _merge(rows: Iterable[tuple[np.ndarray, list[str]]], values: Block, name: str) -> Trace:
    """One trace from the rows of several groups, each (times, names of signals)."""
    times = np.concatenate([at for at, _ in rows])
    order = np.argsort(times, kind="stable")
    place = np.empty(len(times), dtype=int)
    place[order] = np.arange(len(times))
    columns: Block = {}
    start = 0
    for at, names in rows:
        ticks = np.minimum((at / TICK_S).astype(int), len(values["engine_speed"]) - 1)
        for signal in names:
            columns[signal] = np.full(len(times), np.nan)
            columns[signal][place[start : start + len(at)]] = values[signal][ticks]
        start += len(at)
    columns = {n: v for n, v in columns.items() if np.isfinite(v).any()}
    # A recorder writes microseconds.
    time_s = np.round(times[order], 6)
    return Trace(np.round(time_s - time_s[0], 6), columns, {n: SIGNALS[n].unit for n in columns}, name=name)
