"""Whole drives at once, without an adapter: the trace and drive file of a recorder, and the truth."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from camlog.drive import SIMULATED_OFFLINE, Drive
from camlog.errors import InputError
from camlog.signals import SIGNALS, actual, commanded, duty, misfire
from camlog.simulate.vehicle.compiled import numba_available
from camlog.simulate.vehicle.control_module import DriveRun, VehicleMemory
from camlog.simulate.vehicle.drive_cycle import DriveCycle
from camlog.simulate.vehicle.noise import stream_generator
from camlog.simulate.vehicle.plant import SECOND_TICKS, Block, vehicle_signals
from camlog.simulate.vehicle.setup import TICK_S, VehicleSetup, healthy_twin
from camlog.simulate.vehicle.truth import drive_truth
from camlog.trace import Trace
from camlog.trust import vin_hash

# Groups a recorder polls slower than the cams; several values come in one response.
MEDIUM_GROUPS = (
    (
        "vehicle_speed",
        "engine_load",
        "throttle_position",
        "manifold_pressure",
        "mass_air_flow",
        "spark_advance",
    ),
)
SLOW_GROUPS = (
    ("coolant_temp", "oil_temp", "intake_air_temp", "ambient_temp", "module_voltage", "run_time"),
    ("short_fuel_trim_b1", "long_fuel_trim_b1", "short_fuel_trim_b2", "long_fuel_trim_b2"),
    ("oil_pressure",),
)
STARTED_AT = "2024-05-14T08:00:00+00:00"  # of a car's first drive; each further one is a day later
BETWEEN_DRIVES = timedelta(days=1)
INVENTED_ADAPTER = {"name": SIMULATED_OFFLINE, "simulated": True}


@dataclass(frozen=True, slots=True)
class Sampling:
    """How a recorder saw the drive.

    Each cam's commanded and actual angle are asked for `cam_pair_hz` times a
    second, the actual angle `cam_skew_s` later in a row of its own (0: in the
    same row). Intervals vary by `jitter` (a share, standard deviation) and
    `lost_share` of the rows is missing at random. `start_s` is where in the
    drive the recording begins. `without` names signals the recorder left out.
    """

    cam_pair_hz: float = 30.0
    cam_skew_s: float = 0.0
    jitter: float = 0.08
    medium_hz: float = 2.0
    slow_hz: float = 0.5
    lost_share: float = 0.0
    with_duty: bool = True
    start_s: float = 0.0
    without: tuple[str, ...] = ()
    gaps_s: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        if min(self.cam_pair_hz, self.medium_hz, self.slow_hz) <= 0.0 or self.cam_skew_s < 0.0:
            raise InputError(
                "sampling rates must be above 0 and the skew not below", remedy="Correct the sampling."
            )
        if not 0.0 <= self.lost_share < 1.0 or not 0.0 <= self.jitter < 0.5:
            raise InputError("a share of samples must be at least 0 and below 1 (jitter below 0.5)")


@dataclass(frozen=True)
class SimulatedDrive:
    """A drive as recorded, with what is true about it and the vehicle's memory afterwards."""

    trace: Trace
    drive: Drive
    truth: dict[str, Any]
    state: dict[str, Any]


def simulate_drive(
    setup: VehicleSetup,
    drive: DriveCycle,
    sampling: Sampling | None = None,
    state: dict[str, Any] | None = None,
    *,
    truth: bool = True,
    compiled: bool | None = None,
) -> SimulatedDrive:
    """Drive a vehicle through a whole drive and record it.

    `state` is the memory a former drive left (default: a car long in use,
    without codes). Without `truth` the comparison with the healthy vehicle is
    left out. `compiled` None uses numba where it is installed; numbers are the
    same either way.
    """
    sampling = sampling or Sampling()
    compiled = numba_available() if compiled is None else compiled
    if state is None:
        memory = VehicleMemory(setup)
        memory.aged()
    else:
        memory = VehicleMemory.from_dict(state, setup)
    seconds = int(drive.duration_s)
    if seconds < 1:
        raise InputError("a drive must last at least one second", remedy="Make it longer.")
    drives = memory.drives
    run = DriveRun(setup, drive, memory, compiled)
    block = run.plant.run(seconds * SECOND_TICKS)
    before = memory.snapshot(setup, 0.0)
    counters = run.watch(block)
    after = memory.snapshot(setup, max(0.0, seconds - sampling.start_s))
    memory.end_drive(run.plant.hold_duty)

    values = run.plant.signals(block)
    counted = np.vstack((np.zeros((1, counters.shape[1]), dtype=counters.dtype), counters))
    for n in range(setup.engine.cylinders):
        # A counter shows a second's misfires once that second is over.
        values[misfire(n + 1)] = np.repeat(counted[:-1, n], SECOND_TICKS).astype(float)
    trace = record(setup, values, sampling, seed=setup.seed + drives)
    found: dict[str, Any] = {}
    if truth:
        found = drive_truth(setup, block, _healthy_block(setup, drive, block, state, compiled))
        found |= {"drive": drive.name, "sampling": dataclasses.asdict(sampling)}
    drive_file = Drive(
        started_at=(datetime.fromisoformat(STARTED_AT) + drives * BETWEEN_DRIVES).isoformat(),
        vehicle={"name": setup.name, "vin": None, "vin_hash": vin_hash(setup.vin)},
        adapter=dict(INVENTED_ADAPTER),
        code_snapshots=(before, after),
    )
    return SimulatedDrive(trace, drive_file, found, memory.to_dict())


def _healthy_block(
    setup: VehicleSetup, drive: DriveCycle, block: Block, state: dict[str, Any] | None, compiled: bool
) -> Block:
    if setup.is_healthy:
        return block
    memory = VehicleMemory(setup) if state is None else VehicleMemory.from_dict(state, setup)
    twin = DriveRun(healthy_twin(setup), drive, memory, compiled)
    return twin.plant.run(len(block["time_s"]))


def _times(
    rng: np.random.Generator, rate_hz: float, jitter: float, start_s: float, end_s: float
) -> np.ndarray:
    count = int((end_s - start_s) * rate_hz * 1.1) + 8
    steps = (1.0 + jitter * rng.standard_normal(count)).clip(0.3, 3.0) / rate_hz
    times = start_s + np.concatenate(([0.0], np.cumsum(steps)))
    return times[times < end_s]


def record(setup: VehicleSetup, values: dict[str, np.ndarray], sampling: Sampling, seed: int = 0) -> Trace:
    """Sample values per control tick into the rows a recorder writes: a Trace whose time starts at 0."""
    rng = stream_generator(seed, "recorder")
    end_s = len(values["engine_speed"]) * TICK_S - sampling.cam_skew_s
    banks = vehicle_signals(setup)

    def present(names: tuple[str, ...] | list[str]) -> list[str]:
        return [n for n in names if n in banks and n not in sampling.without]

    first = [commanded(c.id) for c in setup.cams]
    second = [actual(c.id) for c in setup.cams] + (
        [duty(c.id) for c in setup.cams] if sampling.with_duty else []
    )
    fast = _times(rng, sampling.cam_pair_hz, sampling.jitter, sampling.start_s, end_s)
    rows: list[tuple[np.ndarray, np.ndarray, list[str]]] = []
    if sampling.cam_skew_s > 0.0:
        rows.append((fast, fast, present(["engine_speed", *first])))
        later = fast + sampling.cam_skew_s
        rows.append((later, later, present(second)))
    else:
        rows.append((fast, fast, present(["engine_speed", *first, *second])))
    misfires = tuple(misfire(n + 1) for n in range(setup.engine.cylinders))
    for rate, groups in ((sampling.medium_hz, MEDIUM_GROUPS), (sampling.slow_hz, (*SLOW_GROUPS, misfires))):
        for n, group in enumerate(groups):
            names = present(group)
            if names:
                # Between two cam rows, as one request after the other goes.
                begin = sampling.start_s + 0.4 / sampling.cam_pair_hz + n * 0.13 / rate
                times = _times(rng, rate, sampling.jitter, begin, end_s)
                rows.append((times, times, names))
    rows = [_lose(rng, row, sampling) for row in rows]
    return _merge(rows, values, sampling, setup)


def _lose(rng: np.random.Generator, row: tuple, sampling: Sampling) -> tuple:
    times, at, names = row
    keep = np.ones(len(times), dtype=bool)
    if sampling.lost_share > 0.0:
        keep &= rng.random(len(times)) >= sampling.lost_share
    for start, end in sampling.gaps_s:
        keep &= (times < start) | (times >= end)
    return times[keep], at[keep], names


def _merge(
    rows: list[tuple], values: dict[str, np.ndarray], sampling: Sampling, setup: VehicleSetup
) -> Trace:
    times = np.concatenate([t for t, _, _ in rows])
    order = np.argsort(times, kind="stable")
    place = np.empty(len(times), dtype=int)
    place[order] = np.arange(len(times))
    names = [n for _, _, group in rows for n in group]
    columns = {n: np.full(len(times), np.nan) for n in names}
    start = 0
    for t, at, group in rows:
        where = place[start : start + len(t)]
        ticks = np.minimum((at / TICK_S).astype(int), len(values["engine_speed"]) - 1)
        for n in group:
            columns[n][where] = values[n][ticks]
        start += len(t)
    # A recorder writes microseconds; nothing depends on more.
    time_s = np.round(times[order] - sampling.start_s, 6)
    time_s = np.round(time_s - time_s[0], 6) if len(time_s) else time_s
    units = {n: SIGNALS[n].unit for n in names}
    empty = [n for n in names if not np.isfinite(columns[n]).any()]
    for n in empty:
        del columns[n], units[n]
    return Trace(time_s, columns, units, name=f"simulated-{setup.seed}.csv")
