"""The cam: command, control loop, valve, hydraulic vane phaser, lock pin and sensor, tick by tick.

The phaser's states are its angle and the pressure across its vanes. The valve
lets oil into one chamber (turbulent, so with the square root of the pressure
left), the vanes leak (laminar, so with the inverse of viscosity), oil with a
little air in it is a spring, and friction holds the vanes until the pressure
breaks them loose. Slowness, stick-slip, drift and weakness come out of that;
only the slow torque that makes leaking vanes hunt is put in from outside.
"""

from __future__ import annotations

import dataclasses
from math import floor, sqrt

import numpy as np

from camlog.simulate.vehicle.compiled import run_kernel
from camlog.simulate.vehicle.noise import NoiseStream
from camlog.simulate.vehicle.setup import (
    PLANT_STEP_S,
    PLANT_STEPS,
    REFERENCE_PRESSURE_KPA,
    REFERENCE_VISCOSITY_MM2_S,
    TICK_S,
    CamSetup,
)

NORMALS = 4
OUTPUTS = (
    "commanded", "actual", "duty", "target", "angle",
    "over_limit_s", "response_s", "correlation_deg", "stuck",
)  # fmt: skip

PARAMETERS = (
    "direction", "authority_deg", "slew_deg_s", "viscous_share", "cold_share", "viscous_kpa_s_deg",
    "leak_deg_s_kpa", "stiffness_kpa_deg", "bias_kpa", "static_friction_kpa", "moving_friction_kpa",
    "friction_speed_deg_s", "torque_noise_kpa", "hunt_kpa", "hunt_hz", "stop_low_deg", "stop_high_deg",
    "pin_release_kpa", "pin_release_s", "pin_holds", "rest_play_deg", "valve_lag_s", "valve_dead_band",
    "spool_stick", "neutral_duty", "duty_span", "sensor_teeth", "sensor_noise_deg", "report_bias_deg",
    "timing_offset_deg", "offset_trimmed", "actual_step_deg", "commanded_step_deg", "dropout_rate_hz",
    "dropout_s", "dropout_style", "frozen", "error_full_open_deg", "integral_per_s", "derivative_s",
    "integral_dead_zone_deg", "soft_gain_deg", "gain_factor", "idle_gain", "command_hysteresis_deg",
    "command_rate_deg_s", "command_lag_s", "load_lag_s", "dither_deg", "dither_period_s", "rest_below_deg",
    "error_limit_deg",
)  # fmt: skip
DROPOUT_STYLES = ("missing", "spike", "held")
SPIKE_DEG = 61.0

(S_ANGLE, S_PRESSURE, S_SPEED, S_HELD, S_VALVE, S_SPOOL, S_DUTY, S_INTEGRAL, S_HOLD, S_COMMAND,
 S_HELD_TARGET, S_LAGGED, S_LOAD, S_RPM, S_MEASURED, S_PHASE, S_LOCKED, S_PIN, S_TORQUE, S_HUNT_A, S_HUNT_B,
 S_PLAY_A, S_PLAY_B, S_DROP, S_OVER, S_STEP_FROM, S_STEP_TIME, S_SLOW_COMMAND, S_DITHER, S_BEFORE, S_REST,
 S_RATE, STATE_SIZE) = range(33)  # fmt: skip


def phaser_kernel(
    p, table, rpm, load, pressure, viscosity, enabled, mode, fill, n1, n2, n3, n4, uniform, s,
    o_commanded, o_actual, o_duty, o_target, o_angle, o_over, o_response, o_correlation, o_stuck,
):  # fmt: skip
    """Advance one cam by `len(rpm)` control ticks of 10 ms, five plant steps each; `s` is changed in place.

    A missing reading and "no response measured at this tick" are NaN.
    """
    dt, h = TICK_S, PLANT_STEP_S
    reference, full_pressure = REFERENCE_VISCOSITY_MM2_S, REFERENCE_PRESSURE_KPA
    nan = float("nan")
    direction, authority, slew, viscous_share, cold_share = p[0], p[1], p[2], p[3], p[4]
    viscous, leak_at_hot, stiffness, bias, static0, moving0 = p[5], p[6], p[7], p[8], p[9], p[10]
    friction_speed, torque_noise, hunt, hunt_hz = p[11], p[12], p[13], p[14]
    low, high = max(min(0.0, direction * authority), p[15]), min(max(0.0, direction * authority), p[16])
    pin_release, pin_time, pin_holds, play = p[17], p[18], p[19], p[20]
    valve_lag, dead_band, spool_stick, neutral, span = p[21], p[22], p[23], p[24], p[25]
    teeth, sensor_noise, bias_reported, trimmed = p[26], p[27], p[28], p[30]
    timing = p[29]
    actual_step, commanded_step = p[31], p[32]
    drop_rate, drop_time, drop_style, frozen = p[33], p[34], p[35], p[36]
    full_open, ki, kd, dead_zone, soft, gain, idle_gain = p[37], p[38], p[39], p[40], p[41], p[42], p[43]
    hysteresis, command_rate, command_lag, load_lag = p[44], p[45], p[46], p[47]
    dither, dither_period, rest_below, error_limit = p[48], p[49], p[50], p[51]

    angle, across, speed, held, valve, spool = s[0], s[1], s[2], s[3], s[4], s[5]
    duty, integral, hold, command, held_target, lagged = s[6], s[7], s[8], s[9], s[10], s[11]
    load_f, rpm_f, measured, phase, locked, pin = s[12], s[13], s[14], s[15], s[16], s[17]
    torque, hunt_a, hunt_b, play_a, play_b, drop = s[18], s[19], s[20], s[21], s[22], s[23]
    over, step_from, step_time, slow_command, dither_phase, before = s[24], s[25], s[26], s[27], s[28], s[29]
    rest_time, rate = s[30], s[31]
    w2 = 6.2832 * hunt_hz
    for i in range(len(rpm)):
        # The command: engine speed and load through filters and a table.
        load_f += (load[i] - load_f) * dt / load_lag
        rpm_f += (rpm[i] - rpm_f) * dt / 0.1
        x = min(max(rpm_f / 500.0, 0.0), 13.999)
        y = min(max(load_f / 10.0, 0.0), 9.999)
        a, b = int(x), int(y)
        x -= a
        y -= b
        k = a * 11 + b
        wanted = (table[k] * (1.0 - y) + table[k + 1] * y) * (1.0 - x)
        wanted += (table[k + 11] * (1.0 - y) + table[k + 12] * y) * x
        if abs(wanted - held_target) > hysteresis or abs(wanted) < rest_below:
            held_target = wanted
        wanted = held_target
        if enabled[i] < 0.5 or (drop_style < 0.5 and drop > 1.0):
            wanted = 0.0
        if abs(wanted) < rest_below:
            wanted = 0.0
        elif dither > 0.0:
            dither_phase += dt / dither_period
            if dither_phase >= 1.0:
                dither_phase -= 1.0
            wanted += dither if dither_phase < 0.5 else -dither
        lagged += min(max(wanted - lagged, -command_rate * dt), command_rate * dt)
        if wanted == 0.0 and abs(lagged) < 0.3:
            lagged = 0.0
        command += (lagged - command) * dt / max(command_lag, dt)
        if lagged == 0.0 and abs(command) < 0.1:
            command = 0.0

        # The loop: an error in degrees becomes an opening of the valve from -1 to 1.
        reading = measured - bias_reported if trimmed > 0.5 else measured - bias_reported - timing
        error = command - reading
        at_rest = abs(command) < 0.5
        schedule = idle_gain + (1.0 - idle_gain) * min(max((rpm[i] - 700.0) / 1300.0, 0.0), 1.0)
        if mode[i] < 2.0:
            opening, integral = 0.0, 0.0
            duty += (0.0 - duty) * dt / 0.05
        elif at_rest:
            # At rest the spool is sent to its end: no loop, so what is wrong with mechanical timing shows.
            rest_time += dt
            opening = -direction
            integral = 0.0
        else:
            rest_time = 0.0
            raw = (
                gain * schedule * (error / full_open) / (1.0 + abs(error) / soft)
                - gain * kd * rate / full_open
            )
            opening = min(max(raw + integral, -1.0), 1.0)
            free = abs(raw + integral) < 1.0 or integral * error < 0.0
            if free and dead_zone < abs(error) < 12.0:
                integral += gain * ki * schedule * error / full_open * dt
                integral = min(max(integral, -0.6), 0.6)
            learn = 0.15 * integral * dt
            hold += direction * span * learn
            hold = min(max(hold, neutral - 12.0), neutral + 12.0)
            integral -= learn
        if mode[i] >= 2.0:
            duty = min(max(hold + direction * span * opening, 0.0), 100.0)
            if at_rest:
                duty = min(max(neutral - 1.5 * span, 0.0), 100.0)

        # Supply, resistance and disturbance hold for the tick.
        hot = viscosity[i] / reference
        supply = pressure[i] * fill[i]
        # Wide passages feel viscosity less and less as oil thickens; narrow, varnished ones feel all of it.
        thick = max(hot - 1.0, 0.0)
        resist = 1.0 + viscous_share * thick / (1.0 + thick / 30.0) + cold_share * max(hot - 1.6, 0.0)
        conductance = slew / resist
        leak = leak_at_hot / max(hot, 0.3)
        rub = viscous * max(hot, 0.5)
        torque += -torque * dt / 0.12 + 0.39 * n1[i]
        hunt_b += dt * (-0.35 * w2 * hunt_b - w2 * w2 * hunt_a) + 0.084 * w2 * sqrt(w2) * n2[i]
        hunt_a += dt * hunt_b
        push = torque_noise * torque + hunt * hunt_a / (0.7 + rpm[i] / 3000.0) / max(hot, 0.6) + bias
        wanted_spool = min(max(direction * (duty - neutral) / span, -1.0), 1.0)
        if mode[i] < 2.0:
            wanted_spool = 0.0
        if abs(wanted_spool - spool) > spool_stick or abs(wanted_spool) >= 1.0:
            spool = wanted_spool
        # The pin lets go when oil reaches it and the valve sends the cam away from rest.
        if locked > 0.5:
            if supply > pin_release and spool * direction > 0.05:
                pin += dt
                if pin > pin_time:
                    locked, pin = 0.0, 0.0
            else:
                pin = 0.0
        elif pin_holds > 0.5 and at_rest and abs(angle) < 0.4 and abs(speed) < 2.0 and rest_time > 0.3:
            locked, pin = 1.0, 0.0
        ratio = speed / friction_speed
        moving = moving0 + (static0 - moving0) / (1.0 + ratio * ratio)
        for _ in range(PLANT_STEPS):
            valve += (spool - valve) * h / (valve_lag + h)
            flow = abs(valve) - dead_band
            if flow > 0.0:
                left = supply - across if valve > 0.0 else supply + across
                flow = flow / (1.0 - dead_band) * conductance * sqrt(max(left, 0.0) / full_pressure)
                if valve < 0.0:
                    flow = -flow
            else:
                flow = 0.0
            if locked > 0.5:
                across = (across + h * stiffness * flow) / (1.0 + h * stiffness * leak)
                speed, held = 0.0, 1.0
            elif held > 0.5:
                across = (across + h * stiffness * flow) / (1.0 + h * stiffness * leak)
                net = across + push
                if net > static0 and angle < high or net < -static0 and angle > low:
                    held = 0.0
                    speed = 1e-6 if net > 0.0 else -1e-6
            else:
                drag = moving if speed > 0.0 else -moving
                # Implicit in the pressure: the spring of the oil is far stiffer than this step is short.
                share = h * stiffness / rub
                across_next = (across + h * stiffness * flow - share * (push - drag)) / (
                    1.0 + h * stiffness * leak + share
                )
                speed_next = (across_next + push - drag) / rub
                if speed_next * speed <= 0.0:
                    held, speed = 1.0, 0.0
                    across = (across + h * stiffness * flow) / (1.0 + h * stiffness * leak)
                else:
                    across, speed = across_next, speed_next
                    angle += speed * h
                    if angle < low:
                        angle, speed, held = low, 0.0, 1.0
                    elif angle > high:
                        angle, speed, held = high, 0.0, 1.0
            across = min(max(across, -supply - 20.0), supply + 20.0)

        # A pin that does not hold lets the cam rattle until oil fills the chambers, and a little after.
        shown = angle
        if play > 0.0:
            play_b += dt * (-5.0 * play_b - 900.0 * play_a) + 16.0 * sqrt(dt) * n4[i] * 6.0
            play_a += dt * play_b
            # The chambers fill last.
            empty = 1.0 - fill[i] * fill[i] * fill[i]
            if at_rest and rpm[i] > 50.0:
                loose = play * max(empty, 0.2 if hot < 1.6 and rpm[i] < 1100.0 else 0.08)
                shown += direction * loose * min(max(0.45 + 0.5 * play_a, 0.0), 1.0)

        # The sensor: so many edges a turn of the cam, an edge at a time.
        phase += rpm[i] / 120.0 * teeth * dt
        if drop > 0.0:
            drop -= dt
        elif drop_rate > 0.0 and uniform[i] < drop_rate * dt:
            drop = drop_time * (0.5 + abs(n3[i]))
        if phase >= 1.0:
            phase -= floor(phase)
            if frozen < 0.5 and drop <= 0.0:
                fresh = shown + bias_reported + timing + sensor_noise * n3[i]
                fresh = floor(fresh / actual_step + 0.5) * actual_step
                rate += ((fresh - before) / max(120.0 / max(rpm[i], 60.0) / teeth, dt) - rate) * 0.5
                before = fresh
                measured = fresh
        reported = measured
        if drop > 0.0:
            if drop_style < 0.5:
                reported = nan
            elif drop_style < 1.5:
                reported = SPIKE_DEG

        # What the module watches: a lasting error, the time a step takes, the angle at rest.
        running = mode[i] > 2.0
        slow_command += (command - slow_command) * dt / 0.8
        steady = abs(command - slow_command) < 1.5
        deviation = command - reading
        if reported != reported:
            deviation = 0.0
        if running and enabled[i] > 0.5 and not at_rest and abs(deviation) > error_limit and steady:
            over += dt
        else:
            over = max(0.0, over - 4.0 * dt)
        response = nan
        if step_time > 0.0:
            size = command - step_from
            step_time += dt
            if not running or abs(size) < 6.0 or at_rest:
                step_time = 0.0
            elif abs(deviation) < 0.37 * abs(size) or step_time > 5.0:
                response = step_time
                step_time = 0.0
        elif running and enabled[i] > 0.5 and abs(command - slow_command) > 8.0 and not at_rest:
            step_from = slow_command
            step_time = dt
        correlation = nan
        if running and at_rest and rest_time > 2.0 and fill[i] > 0.95:
            correlation = measured
        o_commanded[i] = floor(command / commanded_step + 0.5) * commanded_step
        o_actual[i] = reported
        o_duty[i] = duty
        o_target[i] = command
        o_angle[i] = shown
        o_over[i] = over if deviation > 0.0 else -over
        o_response[i] = response
        o_correlation[i] = correlation
        o_stuck[i] = 1.0 if held > 0.5 and locked < 0.5 else 0.0
    s[0], s[1], s[2], s[3], s[4], s[5] = angle, across, speed, held, valve, spool
    s[6], s[7], s[8], s[9], s[10], s[11] = duty, integral, hold, command, held_target, lagged
    s[12], s[13], s[14], s[15], s[16], s[17] = load_f, rpm_f, measured, phase, locked, pin
    s[18], s[19], s[20], s[21], s[22], s[23] = torque, hunt_a, hunt_b, play_a, play_b, drop
    s[24], s[25], s[26], s[27], s[28], s[29] = over, step_from, step_time, slow_command, dither_phase, before
    s[30], s[31] = rest_time, rate


def phaser_parameters(cam: CamSetup) -> np.ndarray:
    """Parameters in the order the kernel reads them."""
    values = {name: getattr(cam, name) for name in PARAMETERS}
    values["dropout_style"] = DROPOUT_STYLES.index(cam.dropout_style)
    return np.array([float(values[name]) for name in PARAMETERS])


class Phaser:
    """One cam through one drive; `run` takes the next ticks, given what the engine does."""

    def __init__(
        self, cam: CamSetup, seed: int, compiled: bool, hold_duty: float | None = None, running: bool = False
    ):
        self._compiled = compiled
        self._noise = NoiseStream(seed, f"cam {cam.id}", NORMALS)
        s = self._state = np.zeros(STATE_SIZE)
        s[S_ANGLE] = min(max(0.0, cam.stop_low_deg), cam.stop_high_deg)
        self.set_cam(cam)
        s[S_HOLD] = cam.hold_learned_duty if hold_duty is None else hold_duty
        s[S_LOCKED] = 1.0 if cam.pin_holds else 0.0
        s[S_HELD] = 1.0
        s[S_MEASURED] = s[S_BEFORE] = s[S_ANGLE] + cam.report_bias_deg + cam.timing_offset_deg
        s[S_DUTY] = max(cam.neutral_duty - 1.5 * cam.duty_span, 0.0) if running else 0.0

    @property
    def hold_duty(self) -> float:
        """The hold duty the module has learned, %."""
        return float(self._state[S_HOLD])

    def set_cam(self, cam: CamSetup) -> None:
        """Another phaser, or the same with a fault, from the next tick on.

        Stops that close in do so about where the cam then stands.
        """
        angle = float(self._state[S_ANGLE])
        low, high = cam.stop_low_deg, cam.stop_high_deg
        if not low <= angle <= high:
            half = 0.5 * (high - low)
            cam = dataclasses.replace(cam, stop_low_deg=angle - half, stop_high_deg=angle + half)
        self.cam = cam
        self._parameters = phaser_parameters(cam)
        self._table = np.array(cam.command_map)

    def run(self, start_tick: int, count: int, engine: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
        """The next `count` ticks as arrays by name; `engine` holds the same ticks of the engine."""
        noise = self._noise.take(start_tick, count)
        inputs = [self._parameters, self._table]
        inputs += [
            engine[k]
            for k in ("engine_speed", "engine_load", "oil_pressure", "viscosity", "enabled", "mode", "fill")
        ]
        out = run_kernel(phaser_kernel, self._compiled, self._state, [*inputs, *noise], len(OUTPUTS), count)
        return dict(zip(OUTPUTS, out, strict=True))
