"""The engine and the car around it: from a drive to speed, load, heat and oil pressure, tick by tick."""

from __future__ import annotations

from math import sqrt

import numpy as np

from camlog.oil import kinematic_viscosity
from camlog.simulate.vehicle.compiled import run_kernel
from camlog.simulate.vehicle.noise import NoiseStream
from camlog.simulate.vehicle.setup import REFERENCE_VISCOSITY_MM2_S, TICK_S, EngineSetup, OilSetup

VISCOSITY_TABLE_FROM_DEGC = -40.0
VISCOSITY_TABLE_TO_DEGC = 180.0
NORMALS = 4
OUTPUTS = (
    "engine_speed", "engine_load", "vehicle_speed", "coolant_temp", "oil_temp", "oil_pressure",
    "viscosity", "run_time", "fill", "trim_noise", "distance_km", "revolutions", "acceleration",
)  # fmt: skip

# State of the kernel.
(RPM, SPEED, GEAR, LOAD, COOLANT, OIL, PRESSURE, RUN_TIME, FILL, WANDER, GRADE, IDLE_NOISE, TRIM, SHIFT,
 DISTANCE, REVOLUTIONS, ACCEL, STATE_SIZE) = range(18)  # fmt: skip


def engine_kernel(
    p, viscosity_table, mode, speed_target, rev_target, n1, n2, n3, n4, s, o_rpm, o_load, o_speed,
    o_coolant, o_oil, o_pressure, o_viscosity, o_run, o_fill, o_trim, o_distance, o_revs, o_accel,
):  # fmt: skip
    """Advance the engine by `len(mode)` ticks; `p` is `engine_parameters`, `s` the state, changed in place.

    Heat: about 30 % of the fuel's energy goes into the coolant, friction warms
    the oil, a thermostat opens over 10 degC. Pressure as in `gallery_pressure`.
    """
    dt, reference = TICK_S, REFERENCE_VISCOSITY_MM2_S
    rpm, speed, gear, load = s[0], s[1], int(s[2]), s[3]
    coolant, oil, pressure, run_time, fill = s[4], s[5], s[6], s[7], s[8]
    wander, grade, idle_noise, trim, shift = s[9], s[10], s[11], s[12], s[13]
    distance, revolutions, accel = s[14], s[15], s[16]
    idle, cold_rise, torque_max, mass, drag = p[0], p[1], p[2], p[3], p[4]
    upshift, coolant_heat, oil_heat, thermostat, cooler = p[5], p[6], p[7], p[8], p[9]
    displacement, ambient, pump, relief, fill_time, gears = p[10], p[11], p[12], p[13], p[14], int(p[15])
    wear = p[16]
    for i in range(len(mode)):
        m = mode[i]
        # Slow random disturbances: the driver's foot, the road's slope, the idle, the mixture.
        wander += dt * (-wander / 9.0) + 0.016 * n1[i]
        grade += dt * (-grade / 22.0) + 0.00018 * n2[i]
        idle_noise += dt * (-idle_noise / 0.25) + 2.4 * n3[i]
        trim += dt * (-trim / 0.8) + 0.16 * n4[i]
        if m <= 1.0:
            rpm -= rpm * dt / 0.25
            if rpm < 5.0:
                rpm = 0.0
            load, run_time = 0.0, 0.0
            speed -= min(speed, 12.0 * dt)
            accel = 0.0
        elif m == 2.0:
            rpm += (210.0 + idle_noise - rpm) * dt / 0.08
            load, run_time = 35.0, 0.0
        else:
            run_time += dt
            cold = min(max((65.0 - coolant) / 65.0, 0.0), 1.3)
            flare = 550.0 * max(0.0, 1.0 - run_time / 2.0)
            idle_rpm = idle + cold_rise * cold + flare + idle_noise
            friction_load = 13.0 + 5.0 * cold + 0.0018 * rpm
            if m == 4.0:
                change = rev_target[i] - rpm
                rpm_target = max(rev_target[i], idle_rpm)
                load_target = friction_load + 4.0 + 0.05 * min(max(change, 0.0), 900.0)
                if change < -150.0:
                    load_target = 9.0
                accel = 0.0
            else:
                target = speed_target[i]
                if target > 15.0:
                    target += wander
                before = speed
                speed += (target - speed) * dt / 0.7
                if speed < 0.1 and target < 0.1:
                    speed = 0.0
                accel += ((speed - before) / 3.6 / dt - accel) * dt / 0.15
                v = speed / 3.6
                force = mass * accel
                if speed > 3.0:
                    force += mass * 9.81 * (0.014 + grade) + 0.6 * drag * v * v
                geared = speed * p[17 + gear]
                shift -= dt
                if shift <= 0.0:
                    up_at = upshift + 1500.0 * min(max(accel / 2.5, 0.0), 1.0)
                    if geared > up_at and gear < gears - 1:
                        gear += 1
                        shift = 0.9
                    elif geared < 0.52 * upshift and gear > 0 and accel < 0.3:
                        gear -= 1
                        shift = 0.9
                    elif accel > 0.9 and geared < 0.72 * upshift and gear > 0:
                        gear -= 1
                        shift = 0.9
                geared = speed * p[17 + gear]
                slip = 0.0
                if geared < 1500.0 and accel > 0.2:
                    slip = 500.0 * min(accel, 2.5) / 2.5
                rpm_target = max(geared, idle_rpm) + slip
                power = force * v
                torque = power / (0.9 * max(rpm, 500.0) * 0.10472)
                load_target = friction_load + 100.0 * torque / torque_max
                if shift > 0.55:
                    load_target = 0.5 * load_target + 8.0
                if load_target < 9.0 and speed > 10.0:
                    load_target = 9.0
            load_target = min(max(load_target, 9.0), 98.0)
            rpm += (rpm_target - rpm) * dt / 0.2
            load += (load_target - load) * dt / 0.1
        # Heat.
        air = 0.0
        if m >= 3.0:
            air = displacement * rpm / 120.0 * 1.15 * (0.12 + 0.0088 * load)
        fuel_w = air / 14.7 * 43000.0
        krpm = rpm / 1000.0
        opening = min(max((coolant - thermostat) / 10.0, 0.0), 1.0)
        exchange = 110.0 * (coolant - oil)
        coolant_w = 0.30 * fuel_w - exchange - (8.0 + opening * (260.0 + 12.0 * speed)) * (coolant - ambient)
        oil_w = 650.0 * krpm + 130.0 * krpm * krpm + 0.018 * fuel_w + exchange
        oil_w -= (6.0 + cooler * (0.15 + speed / 90.0)) * (oil - ambient)
        coolant += dt * coolant_w / (1000.0 * coolant_heat)
        oil += dt * oil_w / (1000.0 * oil_heat)
        # Oil supply.
        at = min(max(oil + 40.0, 0.0), 219.0)
        k = int(at)
        viscosity = viscosity_table[k] + (viscosity_table[k + 1] - viscosity_table[k]) * (at - k)
        thickness = viscosity / reference
        raw = pump * krpm * sqrt(thickness) / (1.0 + wear / thickness)
        if raw > relief:
            raw = relief + 0.06 * min(raw - relief, 1500.0)
        pressure += (raw - pressure) * dt / 0.12
        if m >= 2.0 and pressure > 40.0:
            fill += (1.0 - fill) * dt / fill_time
        distance += speed / 3600.0 * dt
        revolutions += rpm / 60.0 * dt
        o_rpm[i], o_load[i], o_speed[i] = rpm, load, speed
        o_coolant[i], o_oil[i], o_pressure[i] = coolant, oil, pressure
        o_viscosity[i], o_run[i], o_fill[i] = viscosity, run_time, fill
        o_trim[i], o_distance[i], o_revs[i], o_accel[i] = trim, distance, revolutions, accel
    s[0], s[1], s[2], s[3] = rpm, speed, float(gear), load
    s[4], s[5], s[6], s[7], s[8] = coolant, oil, pressure, run_time, fill
    s[9], s[10], s[11], s[12], s[13] = wander, grade, idle_noise, trim, shift
    s[14], s[15], s[16] = distance, revolutions, accel


def engine_parameters(engine: EngineSetup, oil: OilSetup, ambient_degc: float, cold: bool) -> np.ndarray:
    """Parameters in the order the kernel reads them."""
    fill_time = oil.fill_time_s if cold else 0.3 * oil.fill_time_s
    return np.array([
        engine.idle_rpm, engine.cold_idle_rise_rpm, engine.torque_max_nm, engine.mass_kg,
        engine.drag_area_m2, engine.upshift_rpm, engine.coolant_heat_kj_k, engine.oil_heat_kj_k,
        engine.thermostat_degc, engine.oil_cooler_w_k, engine.displacement_l, ambient_degc,
        oil.pump_kpa_at_1000rpm, oil.relief_kpa, fill_time, float(len(engine.gear_rpm_per_kmh)), 1.0 /
        oil.wear_factor - 1.0, *engine.gear_rpm_per_kmh,
    ])  # fmt: skip


def gallery_pressure(oil: OilSetup, rpm: float, viscosity: float) -> float:
    """Steady oil pressure (kPa) at an engine speed and a kinematic viscosity (mm2/s).

    A pump proportional to engine speed against bearings that leak with the
    square root of viscosity; wear adds a laminar leak, so it tells when the oil
    is thin; a relief valve limits softly.
    """
    thickness = viscosity / REFERENCE_VISCOSITY_MM2_S
    raw = oil.pump_kpa_at_1000rpm * rpm / 1000.0 * sqrt(thickness)
    raw /= 1.0 + (1.0 / oil.wear_factor - 1.0) / thickness
    return min(raw, oil.relief_kpa + 0.06 * min(max(raw - oil.relief_kpa, 0.0), 1500.0))


def viscosity_table(oil: OilSetup) -> np.ndarray:
    """Kinematic viscosity (mm2/s) at every whole degC from -40 to 180, by ASTM D341."""
    temps = np.arange(VISCOSITY_TABLE_FROM_DEGC, VISCOSITY_TABLE_TO_DEGC + 1.0)
    return kinematic_viscosity(oil.grade, temps) * oil.viscosity_factor


class EngineModel:
    """An engine through one drive; `run` takes the next ticks of the drive."""

    def __init__(self, engine: EngineSetup, oil: OilSetup, cycle, seed: int, compiled: bool):
        self._noise = NoiseStream(seed, "engine", NORMALS)
        self._compiled = compiled
        self._cycle = cycle
        self._engine = engine
        self._cold = cycle.is_cold
        self._table = viscosity_table(oil)
        self._parameters = engine_parameters(engine, oil, cycle.ambient_degc, self._cold)
        self._state = np.zeros(STATE_SIZE)
        self._state[COOLANT] = cycle.coolant_degc
        self._state[OIL] = cycle.oil_degc
        if cycle.starts_running:
            self._state[RPM] = engine.idle_rpm
            self._state[LOAD] = 20.0
            self._state[RUN_TIME] = cycle.running_since_s
            self._state[FILL] = 1.0
            viscosity = float(np.interp(cycle.oil_degc, np.arange(-40.0, 181.0), self._table))
            self._state[PRESSURE] = gallery_pressure(oil, engine.idle_rpm, viscosity)

    def set_oil(self, oil: OilSetup) -> None:
        """Another filling or pump from the next tick on."""
        self._table = viscosity_table(oil)
        self._parameters = engine_parameters(self._engine, oil, self._cycle.ambient_degc, self._cold)

    def run(self, start_tick: int, count: int, mode: np.ndarray | None = None) -> dict[str, np.ndarray]:
        """The next `count` ticks as arrays by name; `mode` replaces the drive's where the key was turned."""
        targets = self._cycle.targets(start_tick, count)
        modes = targets.mode if mode is None else mode
        noise = self._noise.take(start_tick, count)
        out = run_kernel(
            engine_kernel,
            self._compiled,
            self._state,
            [self._parameters, self._table, modes, targets.speed_kmh, targets.rev_rpm, *noise[:NORMALS]],
            len(OUTPUTS),
            count,
        )
        return dict(zip(OUTPUTS, out, strict=True)) | {"mode": modes}
