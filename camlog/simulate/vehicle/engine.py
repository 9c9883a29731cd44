"""The engine and the car around it: from a drive to speed, load, heat and oil pressure, tick by tick."""

from __future__ import annotations

import dataclasses
from math import sqrt

import numpy as np

from camlog.oil import kinematic_viscosity
from camlog.simulate.vehicle import kernels
from camlog.simulate.vehicle.drive_cycle import DriveCycle
from camlog.simulate.vehicle.kernels import REFERENCE_VISCOSITY_MM2_S, TICK_S, Block, first_state
from camlog.simulate.vehicle.noise import NoiseStream
from camlog.simulate.vehicle.setup import EngineSetup, OilSetup

TABLE_DEGC = np.arange(-40.0, 181.0)  # temperatures of the viscosity table
NUMBERS = tuple(f.name for f in dataclasses.fields(EngineSetup) if f.type in ("float", "int"))


def _drive(wanted_speed, mass_kg, drag_area_m2, upshift_rpm, gear_rpm_per_kmh, slope, speed, accel, rpm, gear, shift):
    """Driver, gearbox and road in one tick: the engine speed and torque (N m) that the wheels require."""
    dt, before = TICK_S, speed
    speed += (wanted_speed - speed) * dt / 0.7
    if speed < 0.1 and wanted_speed < 0.1:
        speed = 0.0
    accel += ((speed - before) / 3.6 / dt - accel) * dt / 0.15
    v = speed / 3.6
    force = mass_kg * accel
    if speed > 3.0:
        force += mass_kg * 9.81 * (0.014 + slope) + 0.6 * drag_area_m2 * v * v
    geared = speed * gear_rpm_per_kmh[int(gear)]
    shift -= dt
    if shift <= 0.0:
        up_at = upshift_rpm + 1500.0 * min(max(accel / 2.5, 0.0), 1.0)
        lugging = geared < 0.52 * upshift_rpm and accel < 0.3
        kicked_down = geared < 0.72 * upshift_rpm and accel > 0.9
        if geared > up_at and gear < len(gear_rpm_per_kmh) - 1:
            gear += 1.0
            shift = 0.9
        elif (lugging or kicked_down) and gear > 0:
            gear -= 1.0
            shift = 0.9
    torque = force * v / (0.9 * max(rpm, 500.0) * 0.10472)
    return speed * gear_rpm_per_kmh[int(gear)], torque, speed, accel, gear, shift


def _heat(air, krpm, speed, thermostat_degc, oil_cooler_w_k, ambient, coolant, oil):
    """Heat (W) into coolant and oil for an air flow (g/s): about 30 % of the fuel's energy goes into the coolant,
    friction warms the oil, and the thermostat opens over a range of 10 degC."""
    fuel_w = air / 14.7 * 43000.0
    opening = min(max((coolant - thermostat_degc) / 10.0, 0.0), 1.0)
    exchange = 110.0 * (coolant - oil)
    coolant_w = 0.30 * fuel_w - exchange - (8.0 + opening * (260.0 + 12.0 * speed)) * (coolant - ambient)
    oil_w = 650.0 * krpm + 130.0 * krpm * krpm + 0.018 * fuel_w + exchange
    oil_w -= (6.0 + oil_cooler_w_k * (0.15 + speed / 90.0)) * (oil - ambient)
    return coolant_w, oil_w


def _pressure(krpm, viscosity, pump_kpa_at_1000rpm, relief_kpa, wear):
    """Steady oil pressure (kPa) at an engine speed (1000 rpm) and a kinematic viscosity (mm2/s). The pump's flow is
    proportional to engine speed; the resistance of the bearings grows with the square root of viscosity. Wear adds a
    laminar leak, which matters with thin oil. A relief valve limits the pressure softly."""
    thickness = viscosity / REFERENCE_VISCOSITY_MM2_S
    raw = pump_kpa_at_1000rpm * krpm * sqrt(thickness) / (1.0 + wear / thickness)
    if raw > relief_kpa:
        raw = relief_kpa + 0.06 * min(raw - relief_kpa, 1500.0)
    return raw


def engine_kernel(
    idle_rpm, cold_idle_rise_rpm, torque_max_nm, mass_kg, drag_area_m2, upshift_rpm, gear_rpm_per_kmh,
    coolant_heat_kj_k, oil_heat_kj_k, thermostat_degc, oil_cooler_w_k, displacement_l, ambient,
    pump_kpa_at_1000rpm, relief_kpa, fill_time_s, wear, viscosity_table, mode, wanted_speed, n1, n2, n3, n4,
    o_engine_speed, o_engine_load, o_vehicle_speed, o_coolant_temp, o_oil_temp, o_oil_pressure, o_viscosity,
    o_run_time, o_fill, o_trim_noise, o_acceleration,
    rpm=0.0, speed=0.0, gear=0.0, load=0.0, coolant=20.0, oil=20.0, pressure=0.0, run_s=0.0, filled=0.0,
    wander=0.0, slope=0.0, idle_noise=0.0, trim=0.0, shift=0.0, accel=0.0,
):  # fmt: skip
    dt = TICK_S
    for i in range(len(mode)):
        # Slow random disturbances: the driver's foot, the road's slope, the idle, the mixture.
        wander += dt * (-wander / 9.0) + 0.016 * n1[i]
        slope += dt * (-slope / 22.0) + 0.00018 * n2[i]
        idle_noise += dt * (-idle_noise / 0.25) + 2.4 * n3[i]
        trim += dt * (-trim / 0.8) + 0.16 * n4[i]
        air = 0.0
        if mode[i] <= 1.0:
            rpm -= rpm * dt / 0.25
            if rpm < 5.0:
                rpm = 0.0
            load, run_s, accel = 0.0, 0.0, 0.0
            speed -= min(speed, 12.0 * dt)
        elif mode[i] == 2.0:
            rpm += (210.0 + idle_noise - rpm) * dt / 0.08
            load, run_s = 35.0, 0.0
        else:
            run_s += dt
            cold = min(max((65.0 - coolant) / 65.0, 0.0), 1.3)
            idling = idle_rpm + cold_idle_rise_rpm * cold + 550.0 * max(0.0, 1.0 - run_s / 2.0) + idle_noise
            friction_load = 13.0 + 5.0 * cold + 0.0018 * rpm
            geared, torque, speed, accel, gear, shift = _drive(
                wanted_speed[i] + wander if wanted_speed[i] > 15.0 else wanted_speed[i],
                mass_kg, drag_area_m2, upshift_rpm, gear_rpm_per_kmh, slope, speed, accel, rpm, gear, shift,
            )  # fmt: skip
            slip = 500.0 * min(accel, 2.5) / 2.5 if geared < 1500.0 and accel > 0.2 else 0.0
            load_target = friction_load + 100.0 * torque / torque_max_nm
            if shift > 0.55:
                load_target = 0.5 * load_target + 8.0
            rpm += (max(geared, idling) + slip - rpm) * dt / 0.2
            load += (min(max(load_target, 9.0), 98.0) - load) * dt / 0.1
            air = displacement_l * rpm / 120.0 * 1.15 * (0.12 + 0.0088 * load)
        krpm = rpm / 1000.0
        coolant_w, oil_w = _heat(air, krpm, speed, thermostat_degc, oil_cooler_w_k, ambient, coolant, oil)
        coolant += dt * coolant_w / (1000.0 * coolant_heat_kj_k)
        oil += dt * oil_w / (1000.0 * oil_heat_kj_k)
        at = min(max(oil + 40.0, 0.0), 219.0)
        k = int(at)
        viscosity = viscosity_table[k] + (viscosity_table[k + 1] - viscosity_table[k]) * (at - k)
        wanted = _pressure(krpm, viscosity, pump_kpa_at_1000rpm, relief_kpa, wear)
        pressure += (wanted - pressure) * dt / 0.12
        if mode[i] >= 2.0 and pressure > 40.0:
            filled += (1.0 - filled) * dt / fill_time_s
        o_engine_speed[i], o_engine_load[i], o_vehicle_speed[i], o_acceleration[i] = rpm, load, speed, accel
        o_coolant_temp[i], o_oil_temp[i], o_oil_pressure[i] = coolant, oil, pressure
        o_viscosity[i], o_run_time[i], o_fill[i], o_trim_noise[i] = viscosity, run_s, filled, trim
    return (rpm, speed, gear, load, coolant, oil, pressure, run_s, filled, wander, slope, idle_noise, trim,
            shift, accel)  # fmt: skip


def gallery_pressure(oil: OilSetup, rpm: float, viscosity: float) -> float:
    """Steady oil pressure (kPa) at an engine speed and a kinematic viscosity (mm2/s)."""
    wear = 1.0 / oil.wear_factor - 1.0
    return _pressure(rpm / 1000.0, viscosity, oil.pump_kpa_at_1000rpm, oil.relief_kpa, wear)


def viscosity_table(oil: OilSetup) -> np.ndarray:
    """Kinematic viscosity (mm2/s) at each of TABLE_DEGC, by ASTM D341."""
    return kinematic_viscosity(oil.grade, TABLE_DEGC) * oil.viscosity_factor


class EngineModel:
    """An engine through one drive; `run` takes the next ticks of the drive."""

    def __init__(self, engine: EngineSetup, oil: OilSetup, cycle: DriveCycle, seed: int):
        self._noise = NoiseStream(seed, "engine")
        self._cycle = cycle
        self._inputs = {name: float(getattr(engine, name)) for name in NUMBERS} | {
            "gear_rpm_per_kmh": np.array(engine.gear_rpm_per_kmh),
            "ambient": cycle.ambient_degc,
            "pump_kpa_at_1000rpm": oil.pump_kpa_at_1000rpm,
            "relief_kpa": oil.relief_kpa,
            "fill_time_s": oil.fill_time_s if cycle.is_cold else 0.3 * oil.fill_time_s,
            "wear": 1.0 / oil.wear_factor - 1.0,
            "viscosity_table": viscosity_table(oil),
        }
        self._state = first_state(engine_kernel) | {"coolant": cycle.coolant_degc, "oil": cycle.oil_degc}
        if cycle.starts_running:
            viscosity = float(np.interp(cycle.oil_degc, TABLE_DEGC, viscosity_table(oil)))
            pressure = gallery_pressure(oil, engine.idle_rpm, viscosity)
            self._state |= {"rpm": engine.idle_rpm, "load": 20.0, "pressure": pressure, "filled": 1.0}
            self._state["run_s"] = cycle.running_since_s

    def run(self, start_tick: int, count: int) -> Block:
        wanted = self._cycle.targets(start_tick, count)
        inputs = self._inputs | wanted | self._noise.take(start_tick, count)
        block = kernels.run_kernel(engine_kernel, self._state, inputs, count)
        return block | {"mode": wanted["mode"]}
