"""The module's monitors: what it watches in a drive, when it fails something, what it has finished."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from camlog.simulate.vehicle.code_memory import CodeMemory
from camlog.simulate.vehicle.plant import SECOND_TICKS, Block
from camlog.simulate.vehicle.setup import CamSetup, VehicleSetup
from camlog.stream import MonitorTest

# Trouble codes by cam, SAE J2012 (from memory).
OVER_ADVANCED = {"intake_b1": "P0011", "exhaust_b1": "P0014", "intake_b2": "P0021", "exhaust_b2": "P0024"}
OVER_RETARDED = {"intake_b1": "P0012", "exhaust_b1": "P0015", "intake_b2": "P0022", "exhaust_b2": "P0025"}
SLOW_RESPONSE = {"intake_b1": "P000A", "exhaust_b1": "P000B", "intake_b2": "P000C", "exhaust_b2": "P000D"}
CORRELATION = {"intake_b1": "P0016", "exhaust_b1": "P0017", "intake_b2": "P0018", "exhaust_b2": "P0019"}
SENSOR_CIRCUIT = {"intake_b1": "P0340", "exhaust_b1": "P0365", "intake_b2": "P0345", "exhaust_b2": "P0390"}
SENSOR_RANGE = {"intake_b1": "P0341", "exhaust_b1": "P0366", "intake_b2": "P0346", "exhaust_b2": "P0391"}
OIL_PRESSURE_LOW = "P0524"
RANDOM_MISFIRE = "P0300"

# When a monitor has seen enough in one driving cycle to pass; common practice, no source.
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
    """What the monitors look at, second by second, of a block of whole seconds."""
    count = len(block["time_s"]) // SECOND_TICKS

    def rows(name: str) -> np.ndarray:
        return block[name][: count * SECOND_TICKS].reshape(count, SECOND_TICKS)

    found: dict[str, np.ndarray] = {
        "running": (rows("mode")[:, -1] > 2.0) * 1.0,
        "speed": rows("vehicle_speed").mean(axis=1),
        "rpm": rows("engine_speed").mean(axis=1),
        "load": rows("engine_load").mean(axis=1),
        "coolant": rows("coolant_temp")[:, -1],
        "oil": rows("oil_temp")[:, -1],
        "pressure": rows("oil_pressure").mean(axis=1),
        "run_time": rows("run_time")[:, -1],
        "revolutions": rows("engine_speed").mean(axis=1) / 60.0,
        "distance": rows("vehicle_speed").mean(axis=1) / 3600.0,
        "enabled": rows("enabled").min(axis=1),
    }
    for cam in setup.cams:
        target, actual, over = (rows(f"{n}_{cam.id}") for n in ("commanded", "actual", "over_limit_s"))
        worst = np.abs(over).argmax(axis=1)
        found[f"over_{cam.id}"] = over[np.arange(count), worst]
        response = rows(f"response_s_{cam.id}")
        found[f"response_{cam.id}"] = np.where(np.isnan(response), 0.0, response).max(axis=1)
        correlation = rows(f"correlation_deg_{cam.id}")
        found[f"correlation_{cam.id}"] = np.where(
            np.isnan(correlation).any(axis=1), np.nan, correlation.mean(axis=1)
        )
        missing = np.isnan(actual)
        found[f"missing_{cam.id}"] = missing.mean(axis=1)
        filled = np.where(missing, 0.0, actual)
        jumps = np.abs(np.diff(filled, axis=1)) > JUMP_DEG
        found[f"jumps_{cam.id}"] = (jumps & ~missing[:, 1:] & ~missing[:, :-1]).sum(axis=1)
        found[f"away_{cam.id}"] = np.abs(target).min(axis=1)
        calm = (np.ptp(target, axis=1) <= 1.0) & ~missing.any(axis=1)
        found[f"error_{cam.id}"] = np.where(calm, np.abs((target - filled).mean(axis=1)), np.nan)
    names = list(found)
    return [dict(zip(names, row, strict=True)) for row in np.column_stack(list(found.values())).tolist()]


@dataclass(slots=True)
class CamWatch:
    """What one driving cycle has shown of one cam."""

    away_s: int = 0
    responses: list[float] = field(default_factory=list)
    rest: list[float] = field(default_factory=list)
    missing_s: float = 0.0
    jumps: float = 0.0
    calm_s: int = 0
    worst_error_deg: float = 0.0


class Monitors:
    """The monitors of one driving cycle, on a memory that outlasts it.

    `frame` gives the freeze frame's values when a fault is seen. `progress`
    and `tests` live in the caller's lasting state.
    """

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
        self._low_pressure_s = 0
        self._warm_pressure_s = 0
        self._block_rev = 0.0
        self._block_counts = np.zeros(setup.engine.cylinders)
        self._misfire_blocks = 0
        self._misfire_codes: set[str] = set()

    def second(self, seen: dict[str, float], misfires: np.ndarray) -> None:
        """Take in one second; `misfires` are its counts per cylinder."""
        running = seen["running"] > 0.5
        self._memory.second(running, seen["speed"], seen["coolant"], seen["distance"])
        if not running:
            return
        self._running_s += 1
        warm = seen["coolant"] >= WARM_COOLANT_DEGC
        for cam in self._setup.cams:
            self._watch_cam(cam, seen, warm)
        self._watch_misfire(seen, misfires)
        self._watch_pressure(seen, warm)
        self._watch_readiness(seen, warm)

    def _fail(self, code: str) -> None:
        self._memory.fail(code, self._frame)

    def _watch_cam(self, cam: CamSetup, seen: dict[str, float], warm: bool) -> None:
        watch, name = self._watch[cam.id], cam.id
        over = seen[f"over_{name}"]
        if abs(over) > cam.error_time_s:
            # The loop's deviation is command minus actual: above zero the cam stands too far retarded.
            self._fail(OVER_RETARDED[name] if over > 0.0 else OVER_ADVANCED[name])
        if seen[f"away_{name}"] > 5.0 and seen["enabled"] > 0.5:
            watch.away_s += 1
        if watch.away_s >= TARGET_SECONDS:
            self._memory.passed(OVER_RETARDED[name])
            self._memory.passed(OVER_ADVANCED[name])
        response = seen[f"response_{name}"]
        if response > 0.0 and seen["oil"] > RESPONSE_OIL_DEGC:
            watch.responses.append(response)
            late = sum(r > cam.response_limit_s for r in watch.responses[-5:])
            if late >= RESPONSES_NEEDED:
                self._fail(SLOW_RESPONSE[name])
            elif len(watch.responses) >= RESPONSES_NEEDED:
                self._memory.passed(SLOW_RESPONSE[name])
        rest = seen[f"correlation_{name}"]
        if warm and math.isfinite(rest):
            watch.rest.append(rest)
            if len(watch.rest) >= REST_SECONDS:
                offset = float(np.median(watch.rest[-15:]))
                if abs(offset) > cam.correlation_limit_deg:
                    self._fail(CORRELATION[name])
                else:
                    self._memory.passed(CORRELATION[name])
        watch.missing_s = max(0.0, watch.missing_s + (1.0 if seen[f"missing_{name}"] > 0.3 else -0.05))
        if watch.missing_s >= 3.0:
            self._fail(SENSOR_CIRCUIT[name])
        watch.jumps = max(0.0, watch.jumps + seen[f"jumps_{name}"] - 0.05)
        if watch.jumps >= JUMPS_TO_FAIL:
            self._fail(SENSOR_RANGE[name])
        if self._running_s >= CIRCUIT_SECONDS:
            self._memory.passed(SENSOR_CIRCUIT[name])
            self._memory.passed(SENSOR_RANGE[name])
        error = seen[f"error_{name}"]
        watch.calm_s = watch.calm_s + 1 if math.isfinite(error) else 0
        if watch.calm_s >= 2 and seen[f"away_{name}"] > 2.0:
            watch.worst_error_deg = max(watch.worst_error_deg, error)
        if watch.away_s >= TARGET_SECONDS:
            self._tests[f"error_{name}"] = [watch.worst_error_deg, 0.0, cam.error_limit_deg]
        if len(watch.responses) >= RESPONSES_NEEDED:
            self._tests[f"response_{name}"] = [
                float(np.median(watch.responses[-5:])),
                0.0,
                cam.response_limit_s,
            ]

    def _watch_misfire(self, seen: dict[str, float], misfires: np.ndarray) -> None:
        self._block_counts += misfires
        self._block_rev += seen["revolutions"]
        if self._block_rev < MISFIRE_BLOCK_REV:
            return
        firings = self._block_rev * self._setup.engine.cylinders / 2.0
        total = float(self._block_counts.sum())
        self._misfire_blocks += 1
        if 100.0 * total / firings > MISFIRE_LIMIT_PERCENT:
            worst = int(self._block_counts.argmax())
            single = self._block_counts[worst] > MISFIRE_CYLINDER_SHARE * total
            code = f"P03{worst + 1:02d}" if single else RANDOM_MISFIRE
            self._misfire_codes.add(code)
            self._fail(code)
        for code in (RANDOM_MISFIRE, *(f"P03{n:02d}" for n in range(1, self._setup.engine.cylinders + 1))):
            if code not in self._misfire_codes:
                self._memory.passed(code)
        self._block_rev = 0.0
        self._block_counts[:] = 0.0

    def _watch_pressure(self, seen: dict[str, float], warm: bool) -> None:
        if not warm or seen["run_time"] < 20.0:
            return
        self._warm_pressure_s += 1
        limit = 35.0 if seen["rpm"] < 1200.0 else 70.0
        self._low_pressure_s = self._low_pressure_s + 1 if seen["pressure"] < limit else 0
        if self._low_pressure_s >= PRESSURE_SECONDS:
            self._fail(OIL_PRESSURE_LOW)
        elif self._warm_pressure_s >= 60:
            self._memory.passed(OIL_PRESSURE_LOW)

    def _watch_readiness(self, seen: dict[str, float], warm: bool) -> None:
        steady = 40.0 <= seen["speed"] <= 105.0 and seen["load"] > 12.0
        gained = {
            "misfire": 1.0,
            "fuel_system": 1.0 if warm else 0.0,
            "components": 1.0,
            "catalyst": 1.0 if seen["coolant"] > 74.0 and steady else 0.0,
            "evaporative_system": 1.0 if self._cold_start and seen["speed"] >= 40.0 else 0.0,
            "oxygen_sensor": 1.0 if seen["coolant"] > 60.0 and steady else 0.0,
            "oxygen_sensor_heater": 1.0,
        }
        for name, amount in gained.items():
            self._progress[name] = self._progress.get(name, 0.0) + amount
        # The cam's share: enough of target, response and rest on every cam, in one driving cycle, warm.
        done = 0.0
        if warm:
            watches = self._watch.values()
            done += all(w.away_s >= TARGET_SECONDS for w in watches)
            done += all(len(w.responses) >= RESPONSES_NEEDED for w in watches)
            done += all(len(w.rest) >= REST_SECONDS for w in watches)
        self._progress["egr_vvt_system"] = max(self._progress.get("egr_vvt_system", 0.0), done)


def readiness(progress: dict[str, float]) -> dict[str, str]:
    """State of each of the standard's monitors since the last clear."""
    found = {
        name: "complete" if progress.get(name, 0.0) >= need else "incomplete"
        for name, need in READINESS_NEEDS.items()
    }
    return found | {name: "unsupported" for name in UNSUPPORTED}


def monitor_tests(
    setup: VehicleSetup, tests: dict[str, list[float]], misfires: dict[str, list[float]]
) -> list[MonitorTest]:
    """Service 06 results: cam tests (MID 35 bank 1, 36 bank 2), misfires (MID A1 all, A2 cylinder 1 ...).

    TID 80 and 81: largest steady error of the intake and exhaust cam, deg; 82
    and 83: their response time, s. A test that has not run since the last
    clear has value and limits 0, as SAE J1979 asks (from memory). TID 0B is
    the average over ten driving cycles, 0C the count of this one.
    """
    found = []
    for cam in setup.cams:
        place = 0 if cam.side == "intake" else 1
        mid = f"{0x34 + cam.bank:02X}"
        for kind, first, unit in (("error", 0x80, "deg"), ("response", 0x82, "s")):
            value, low, high = tests.get(f"{kind}_{cam.id}", (0.0, 0.0, 0.0))
            found.append(MonitorTest(mid, f"{first + place:02X}", round(value, 3), low, round(high, 3), unit))
    found.sort(key=lambda t: (t.mid, t.tid))
    average, current = misfires["average"], misfires["current"]
    for mid, mean, now in [
        (0xA1, sum(average), sum(current)),
        *((0xA2 + n, average[n], current[n]) for n in range(setup.engine.cylinders)),
    ]:
        for tid, value in (("0B", round(mean)), ("0C", now)):
            found.append(MonitorTest(f"{mid:02X}", tid, float(min(value, 65535)), 0.0, 65535.0, "count"))
    return found
