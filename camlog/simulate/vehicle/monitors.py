"""The module's monitors: their inputs in a drive, the criteria for a fault, and their completion."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from camlog.codes.families import KNOWN
from camlog.codes.service06 import misfire_mid
from camlog.simulate.vehicle.code_memory import CodeMemory
from camlog.simulate.vehicle.kernels import SECOND_TICKS, Block
from camlog.simulate.vehicle.setup import CamSetup, VehicleSetup
from camlog.stream import MonitorTest, ReadinessState

# Codes by the fault in one word and the cam or cylinder they name.
CODES = {(f.kind, place): code for code, f in KNOWN.items() for place in f.cams or f.cylinders or (None,)}
RANDOM_MISFIRE, OIL_PRESSURE_LOW = CODES["misfire_random", None], CODES["oil_pressure_low", None]

# Data that a monitor needs in one driving cycle to pass; common practice, no source.
TARGET_SECONDS = 20
RESPONSES_NEEDED = 3
REST_SECONDS = 5
CIRCUIT_SECONDS = 30
WARM_COOLANT_DEGC = 65.0
RESPONSE_OIL_DEGC = 50.0
MISFIRE_BLOCK_REV = 1000.0
MISFIRE_LIMIT_PERCENT = 1.2
MISFIRE_CYLINDER_SHARE = 0.7
PRESSURE_SECONDS = 10
JUMP_DEG = 25.0
JUMPS_TO_FAIL = 6
READINESS_NEEDS = {
    "misfire": 120.0, "fuel_system": 90.0, "components": 30.0, "catalyst": 180.0, "evaporative_system": 300.0,
    "oxygen_sensor": 120.0, "oxygen_sensor_heater": 60.0, "egr_vvt_system": 3.0,
}  # fmt: skip
UNSUPPORTED = ("heated_catalyst", "secondary_air", "ac_refrigerant")


def per_second(setup: VehicleSetup, block: Block) -> list[dict[str, float]]:
    """The inputs of the monitors for each second of a block of whole seconds."""
    rows = {name: values.reshape(-1, SECOND_TICKS) for name, values in block.items()}
    rpm, speed = rows["engine_speed"].mean(axis=1), rows["vehicle_speed"].mean(axis=1)
    seen: dict[str, np.ndarray] = {
        "running": (rows["mode"][:, -1] > 2.0) * 1.0,
        "speed": speed,
        "rpm": rpm,
        "load": rows["engine_load"].mean(axis=1),
        "coolant": rows["coolant_temp"][:, -1],
        "oil": rows["oil_temp"][:, -1],
        "pressure": rows["oil_pressure"].mean(axis=1),
        "run_time": rows["run_time"][:, -1],
        "revolutions": rpm / 60.0,
        "distance": speed / 3600.0,
        "enabled": rows["enabled"].min(axis=1),
    }
    for cam in setup.cams:
        target, actual, over = (rows[f"{n}_{cam.id}"] for n in ("commanded", "actual", "over_limit_s"))
        missing = np.isnan(actual)
        filled = np.where(missing, 0.0, actual)
        jumps = (np.abs(np.diff(filled, axis=1)) > JUMP_DEG) & ~missing[:, 1:] & ~missing[:, :-1]
        calm = (np.ptp(target, axis=1) <= 1.0) & ~missing.any(axis=1)
        of_cam = {
            "over": np.take_along_axis(over, np.abs(over).argmax(axis=1)[:, None], axis=1)[:, 0],
            "response": np.nan_to_num(rows[f"response_s_{cam.id}"]).max(axis=1),
            "correlation": rows[f"correlation_deg_{cam.id}"].mean(axis=1),
            "missing": missing.mean(axis=1),
            "jumps": jumps.sum(axis=1),
            "away": np.abs(target).min(axis=1),
            "error": np.where(calm, np.abs((target - filled).mean(axis=1)), np.nan),
        }
        seen |= {f"{name}_{cam.id}": values for name, values in of_cam.items()}
    return [dict(zip(seen, row, strict=True)) for row in np.column_stack(list(seen.values())).tolist()]


@dataclass(slots=True)
class CamWatch:
    """The data of one cam in one driving cycle."""

    away_s: int = 0
    responses: list[float] = field(default_factory=list)
    rest: list[float] = field(default_factory=list)
    missing_s: float = 0.0
    jumps: float = 0.0
    calm_s: int = 0
    worst_error_deg: float = 0.0

    @property
    def progress(self) -> tuple[bool, bool, bool]:
        return (self.away_s >= TARGET_SECONDS, len(self.responses) >= RESPONSES_NEEDED, len(self.rest) >= REST_SECONDS)


class Monitors:
    """The monitors of one driving cycle. `memory`, `progress` and `tests` belong to the caller and survive the cycle.
    `frame` returns the freeze frame's values when a fault is detected."""

    def __init__(
        self,
        setup: VehicleSetup,
        memory: CodeMemory,
        progress: dict[str, float],
        tests: dict[str, list[float]],
        frame: Callable[[], dict[str, Any]],
        cold_start: bool,
    ):
        self._setup = setup
        self._memory = memory
        self._progress = progress
        self._tests = tests
        self._frame = frame
        self._cold_start = cold_start
        self._watch = {c.id: CamWatch() for c in setup.cams}
        self._running_s = 0
        self._low_pressure_s = self._warm_pressure_s = 0
        self._block_rev = 0.0
        self._block_counts = np.zeros(setup.engine.cylinders)
        self._misfire_codes: set[str] = set()

    def second(self, seen: dict[str, float], misfires: np.ndarray) -> None:
        """Process one second; `misfires` are its counts per cylinder."""
        running = seen["running"] > 0.5
        self._memory.second(running, seen["speed"], seen["coolant"], seen["distance"])
        if not running:
            return
        self._running_s += 1
        warm = seen["coolant"] >= WARM_COOLANT_DEGC
        for cam in self._setup.cams:
            of_cam = {name.removesuffix(f"_{cam.id}"): value for name, value in seen.items()}
            self._watch_cam(cam, self._watch[cam.id], of_cam, warm)
            self._watch_sensor(cam, self._watch[cam.id], of_cam)
        self._watch_misfire(seen, misfires)
        self._watch_pressure(seen, warm)
        self._watch_readiness(seen, warm)

    def _judge(self, code: str, *, failed: bool, done: bool = True) -> None:
        """Enter the result of a monitor; `done`: enough data to pass if not failed."""
        if failed:
            self._memory.fail(code, self._frame)
        elif done:
            self._memory.passed(code)

    def _watch_cam(self, cam: CamSetup, watch: CamWatch, seen: dict[str, float], warm: bool) -> None:
        """Target error, slow response, timing at rest; and the service 06 results of the first two."""
        watch.away_s += seen["away"] > 5.0 and seen["enabled"] > 0.5
        # The loop's deviation is command minus actual; above zero the cam is too far retarded.
        lasting = abs(seen["over"]) > cam.error_time_s
        enough = watch.away_s >= TARGET_SECONDS
        kind = "over_retarded" if seen["over"] > 0.0 else "over_advanced"
        self._judge(CODES[kind, cam.id], failed=lasting, done=False)
        for kind in ("over_retarded", "over_advanced"):
            self._judge(CODES[kind, cam.id], failed=False, done=enough)
        if seen["response"] > 0.0 and seen["oil"] > RESPONSE_OIL_DEGC:
            watch.responses.append(seen["response"])
            late = sum(r > cam.response_limit_s for r in watch.responses[-5:])
            done = len(watch.responses) >= RESPONSES_NEEDED
            self._judge(CODES["slow", cam.id], failed=late >= RESPONSES_NEEDED, done=done)
        if warm and math.isfinite(seen["correlation"]):
            watch.rest.append(seen["correlation"])
            if len(watch.rest) >= REST_SECONDS:
                offset = abs(float(np.median(watch.rest[-15:])))
                self._judge(CODES["correlation", cam.id], failed=offset > cam.correlation_limit_deg)
        watch.calm_s = watch.calm_s + 1 if math.isfinite(seen["error"]) else 0
        if watch.calm_s >= 2 and seen["away"] > 2.0:
            watch.worst_error_deg = max(watch.worst_error_deg, seen["error"])
        if enough:
            self._tests[f"error_{cam.id}"] = [watch.worst_error_deg, 0.0, cam.error_limit_deg]
        if len(watch.responses) >= RESPONSES_NEEDED:
            median = float(np.median(watch.responses[-5:]))
            self._tests[f"response_{cam.id}"] = [median, 0.0, cam.response_limit_s]

    def _watch_sensor(self, cam: CamSetup, watch: CamWatch, seen: dict[str, float]) -> None:
        watch.missing_s = max(0.0, watch.missing_s + (1.0 if seen["missing"] > 0.3 else -0.05))
        watch.jumps = max(0.0, watch.jumps + seen["jumps"] - 0.05)
        done = self._running_s >= CIRCUIT_SECONDS
        self._judge(CODES["cam_sensor_circuit", cam.id], failed=watch.missing_s >= 3.0, done=done)
        self._judge(CODES["cam_sensor_range", cam.id], failed=watch.jumps >= JUMPS_TO_FAIL, done=done)

    def _watch_misfire(self, seen: dict[str, float], misfires: np.ndarray) -> None:
        self._block_counts += misfires
        self._block_rev += seen["revolutions"]
        if self._block_rev < MISFIRE_BLOCK_REV:
            return
        cylinders = self._setup.engine.cylinders
        firings = self._block_rev * cylinders / 2.0
        total, worst = float(self._block_counts.sum()), int(self._block_counts.argmax())
        codes = [RANDOM_MISFIRE, *(CODES["misfire_cylinder", n] for n in range(1, cylinders + 1))]
        if 100.0 * total / firings > MISFIRE_LIMIT_PERCENT:
            single = self._block_counts[worst] > MISFIRE_CYLINDER_SHARE * total
            failing = codes[worst + 1] if single else RANDOM_MISFIRE
            self._misfire_codes.add(failing)
            self._judge(failing, failed=True)
        for code in codes:
            self._judge(code, failed=False, done=code not in self._misfire_codes)
        self._block_rev = 0.0
        self._block_counts[:] = 0.0

    def _watch_pressure(self, seen: dict[str, float], warm: bool) -> None:
        if not warm or seen["run_time"] < 20.0:
            return
        self._warm_pressure_s += 1
        limit = 35.0 if seen["rpm"] < 1200.0 else 70.0
        self._low_pressure_s = self._low_pressure_s + 1 if seen["pressure"] < limit else 0
        low = self._low_pressure_s >= PRESSURE_SECONDS
        self._judge(OIL_PRESSURE_LOW, failed=low, done=self._warm_pressure_s >= 60)

    def _watch_readiness(self, seen: dict[str, float], warm: bool) -> None:
        steady = 40.0 <= seen["speed"] <= 105.0 and seen["load"] > 12.0
        gained = {
            "misfire": True,
            "fuel_system": warm,
            "components": True,
            "catalyst": seen["coolant"] > 74.0 and steady,
            "evaporative_system": self._cold_start and seen["speed"] >= 40.0,
            "oxygen_sensor": seen["coolant"] > 60.0 and steady,
            "oxygen_sensor_heater": True,
        }
        for name, counts in gained.items():
            self._progress[name] = self._progress.get(name, 0.0) + float(counts)
        # The cam monitor: enough target, response and rest data of every cam, in one warm driving cycle.
        done = zip(*(w.progress for w in self._watch.values()), strict=True) if warm else ()
        reached = float(sum(all(of_each_cam) for of_each_cam in done))
        self._progress["egr_vvt_system"] = max(self._progress.get("egr_vvt_system", 0.0), reached)


def readiness(progress: dict[str, float]) -> dict[str, ReadinessState]:
    states: dict[str, ReadinessState] = {}
    for name, need in READINESS_NEEDS.items():
        states[name] = "complete" if progress.get(name, 0.0) >= need else "incomplete"
    states.update(dict.fromkeys(UNSUPPORTED, "unsupported"))
    return states


def monitor_tests(
    setup: VehicleSetup, tests: dict[str, list[float]], average: list[float], current: list[int]
) -> list[MonitorTest]:
    """Service 06 results: cam tests (MID 35 bank 1, 36 bank 2), misfires (MID A1 all, A2 cylinder 1 ...).

    TID 80 and 81: largest steady error of the intake and exhaust cam, deg; 82 and 83: their response time,
    s. A test that has not run since the last clear has value and limits 0, as SAE J1979 asks (from
    memory). TID 0B is the average over ten driving cycles, 0C the count of this one."""
    results = []
    for cam in setup.cams:
        for kind, first, unit in (("error", 0x80, "deg"), ("response", 0x82, "s")):
            value, low, high = tests.get(f"{kind}_{cam.id}", (0.0, 0.0, 0.0))
            ids = f"{0x34 + cam.bank:02X}", f"{first + (cam.side != 'intake'):02X}"
            results.append(MonitorTest(*ids, round(value, 3), low, round(high, 3), unit))
    results.sort(key=lambda t: (t.mid, t.tid))
    for cylinder in range(setup.engine.cylinders + 1):  # 0: all of them
        mid = f"{misfire_mid(1) - 1 + cylinder:02X}"
        for tid, counts in (("0B", average), ("0C", current)):
            value = round(counts[cylinder - 1] if cylinder else sum(counts))
            results.append(MonitorTest(mid, tid, float(min(value, 65535)), 0.0, 65535.0, "count"))
    return results
