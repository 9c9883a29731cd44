"""The kernels of a cam: command, control loop, valve, hydraulic vane phaser, lock pin, sensor, monitoring.

The phaser's states are its angle and the pressure across its vanes. The valve lets oil into one chamber (turbulent
flow, with the square root of the pressure difference), the vanes leak (laminar flow, with the inverse of viscosity),
oil with a little air acts as a spring, and friction holds the vanes until the pressure overcomes it. Slowness,
stick-slip, drift and weakness follow from this model; only the slow torque that makes leaking vanes hunt is an
input."""

from __future__ import annotations

from math import floor, sqrt

from camlog.simulate.vehicle.kernels import REFERENCE_PRESSURE_KPA, TICK_S

PLANT_STEP_S, PLANT_STEPS = 0.002, 5
AT_REST_DEG = 0.5  # a command nearer to rest sends the spool to its end


def random_kernel(
    sensor_teeth, dropout_rate_hz, dropout_s, hunt_hz, engine_speed, n1, n2, n3, n4, uniform,
    o_edge, o_gone_before_s, o_gone_s, o_torque, o_hunt, o_play,
    phase=0.0, lost_s=0.0, torque=0.0, hunt=0.0, hunt_speed=0.0, play=0.0, play_speed=0.0,
):  # fmt: skip
    """The sensor wheel's edges, the time its signal has been lost (s), and random inputs: the cam's torque, the slow
    torque that makes leaking vanes hunt, the play of a loose lock pin."""
    dt, w2 = TICK_S, 6.2832 * hunt_hz
    damping, restoring, gust, knock = 0.35 * w2, w2 * w2, 0.084 * w2 * sqrt(w2), 16.0 * sqrt(dt)
    for i in range(len(engine_speed)):
        o_gone_before_s[i] = lost_s
        if lost_s > 0.0:
            lost_s -= dt
        elif dropout_rate_hz > 0.0 and uniform[i] < dropout_rate_hz * dt:
            lost_s = dropout_s * (0.5 + abs(n3[i]))
        phase += engine_speed[i] / 120.0 * sensor_teeth * dt
        o_edge[i] = 0.0
        if phase >= 1.0:
            phase -= floor(phase)
            o_edge[i] = 1.0
        torque += -torque * dt / 0.12 + 0.39 * n1[i]
        hunt_speed += dt * (-damping * hunt_speed - restoring * hunt) + gust * n2[i]
        hunt += dt * hunt_speed
        play_speed += dt * (-5.0 * play_speed - 900.0 * play) + knock * n4[i] * 6.0
        play += dt * play_speed
        o_gone_s[i], o_torque[i], o_hunt[i], o_play[i] = lost_s, torque, hunt, play
    return phase, lost_s, torque, hunt, hunt_speed, play, play_speed


def command_kernel(
    command_map, command_hysteresis_deg, command_rate_deg_s, command_lag_s, load_lag_s, dither_deg,
    dither_period_s, rest_below_deg, engine_speed, engine_load, enabled,
    o_target, load=0.0, rpm=0.0, held_target=0.0, lagged=0.0, command=0.0, dither_phase=0.0,
):  # fmt: skip
    """The command: engine speed and load through filters and a table; 0 where it is not `enabled`."""
    dt, most, lag_s = TICK_S, command_rate_deg_s * TICK_S, max(command_lag_s, TICK_S)
    for i in range(len(engine_speed)):
        load += (engine_load[i] - load) * dt / load_lag_s
        rpm += (engine_speed[i] - rpm) * dt / 0.1
        x = min(rpm / 500.0, 13.999)
        y = min(load / 10.0, 9.999)
        a, b = int(x), int(y)
        x -= a
        y -= b
        k = a * 11 + b
        wanted = (command_map[k] * (1.0 - y) + command_map[k + 1] * y) * (1.0 - x)
        wanted += (command_map[k + 11] * (1.0 - y) + command_map[k + 12] * y) * x
        if abs(wanted - held_target) > command_hysteresis_deg or abs(wanted) < rest_below_deg:
            held_target = wanted
        wanted = held_target if enabled[i] > 0.5 else 0.0
        if abs(wanted) < rest_below_deg:
            wanted = 0.0
        elif dither_deg > 0.0:
            dither_phase += dt / dither_period_s
            if dither_phase >= 1.0:
                dither_phase -= 1.0
            wanted += dither_deg if dither_phase < 0.5 else -dither_deg
        lagged += min(max(wanted - lagged, -most), most)
        if wanted == 0.0 and abs(lagged) < 0.3:
            lagged = 0.0
        command += (lagged - command) * dt / lag_s
        if lagged == 0.0 and abs(command) < 0.1:
            command = 0.0
        o_target[i] = command
    return load, rpm, held_target, lagged, command, dither_phase


def _control(error, rate, schedule, error_full_open_deg, integral_per_s, derivative_s, integral_dead_zone_deg,
             soft_gain_deg, gain_factor, integral):  # fmt: skip
    """The loop: from an error in degrees to an opening of the valve from -1 to 1, and the integral."""
    raw = gain_factor * schedule * (error / error_full_open_deg) / (1.0 + abs(error) / soft_gain_deg)
    raw -= gain_factor * derivative_s * rate / error_full_open_deg
    opening = min(max(raw + integral, -1.0), 1.0)
    free = abs(raw + integral) < 1.0 or integral * error < 0.0
    if free and integral_dead_zone_deg < abs(error) < 12.0:
        integral += gain_factor * integral_per_s * schedule * error / error_full_open_deg * TICK_S
        integral = min(max(integral, -0.6), 0.6)
    return opening, integral


def _hydraulics(
    spool, supply, conductance, leak, rub, push, static, moving, stiffness, valve_lag_s, dead_band, low, high,
    locked, angle, across, speed, held, valve,
):  # fmt: skip
    """Valve and vanes over one tick, in steps short against the spring of the oil."""
    h, full_pressure = PLANT_STEP_S, REFERENCE_PRESSURE_KPA
    spring, most, lag_s, opening = h * stiffness, supply + 20.0, valve_lag_s + h, 1.0 - dead_band
    share, yielding = spring / rub, 1.0 + spring * leak
    for _ in range(PLANT_STEPS):
        valve += (spool - valve) * h / lag_s
        flow = 0.0
        opened = abs(valve) - dead_band
        if opened > 0.0:
            left = supply - across if valve > 0.0 else supply + across
            if left > 0.0:
                flow = opened / opening * conductance * sqrt(left / full_pressure)
            if valve < 0.0:
                flow = -flow
        standing = (across + spring * flow) / yielding
        if locked > 0.5:
            across, speed, held = standing, 0.0, 1.0
        elif held > 0.5:
            across = standing
            net = across + push
            if net > static and angle < high or net < -static and angle > low:
                held = 0.0
                speed = 1e-6 if net > 0.0 else -1e-6
        else:
            drag = moving if speed > 0.0 else -moving
            # Implicit in the pressure, because the oil's spring is too stiff for an explicit step of this length.
            sliding = (across + spring * flow - share * (push - drag)) / (yielding + share)
            speed_next = (sliding + push - drag) / rub
            if speed_next * speed <= 0.0:
                across, speed, held = standing, 0.0, 1.0
            else:
                across, speed = sliding, speed_next
                angle += speed * h
                if angle < low or angle > high:
                    angle, speed, held = min(max(angle, low), high), 0.0, 1.0
        if across > most:
            across = most
        elif across < -most:
            across = -most
    return angle, across, speed, held, valve


def phaser_kernel(
    direction, low, high, static_friction_kpa, moving_friction_kpa, friction_speed_deg_s, stiffness_kpa_deg,
    pin_release_kpa, pin_release_s, pin_holds, valve_lag_s, valve_dead_band, spool_stick, neutral_duty,
    duty_span, sensor_noise_deg, report_bias_deg, timing_offset_deg, untrimmed_deg, actual_step_deg,
    sensor_teeth, frozen, error_full_open_deg, integral_per_s, derivative_s, integral_dead_zone_deg,
    soft_gain_deg, gain_factor, target, mode, engine_speed, schedule, supply, conductance, leak, rub, push,
    rattle, edge, gone_s, n3, o_reading, o_measured, o_duty, o_angle, o_stuck, o_rest_s,
    angle=0.0, across=0.0, speed=0.0, held=1.0, valve=0.0, spool=0.0, duty=0.0, integral=0.0, hold=0.0,
    measured=0.0, locked=0.0, pin=0.0, before=0.0, rest_s=0.0, rate=0.0,
):  # fmt: skip
    """Advance the phaser by `len(target)` control ticks: loop, valve, lock pin, vanes, sensor."""
    for i in range(len(target)):
        reading = measured - report_bias_deg - untrimmed_deg
        at_rest = abs(target[i]) < AT_REST_DEG
        if mode[i] < 2.0:
            integral = 0.0
            duty += (0.0 - duty) * TICK_S / 0.05
        elif at_rest:
            # At rest the spool is at its end and the loop is off, so an error of mechanical timing shows.
            rest_s += TICK_S
            integral = 0.0
            duty = min(max(neutral_duty - 1.5 * duty_span, 0.0), 100.0)
        else:
            rest_s = 0.0
            opening, integral = _control(
                target[i] - reading, rate, schedule[i], error_full_open_deg, integral_per_s, derivative_s,
                integral_dead_zone_deg, soft_gain_deg, gain_factor, integral,
            )  # fmt: skip
            learn = 0.15 * integral * TICK_S
            hold = min(max(hold + direction * duty_span * learn, neutral_duty - 12.0), neutral_duty + 12.0)
            integral -= learn
            duty = min(max(hold + direction * duty_span * opening, 0.0), 100.0)
        sent = 0.0 if mode[i] < 2.0 else min(max(direction * (duty - neutral_duty) / duty_span, -1.0), 1.0)
        if abs(sent - spool) > spool_stick or abs(sent) >= 1.0:
            spool = sent
        # The pin releases when oil reaches it and the valve moves the cam away from rest.
        if locked > 0.5:
            pin = pin + TICK_S if supply[i] > pin_release_kpa and spool * direction > 0.05 else 0.0
            if pin > pin_release_s:
                locked, pin = 0.0, 0.0
        elif pin_holds > 0.5 and at_rest and abs(angle) < 0.4 and abs(speed) < 2.0 and rest_s > 0.3:
            locked, pin = 1.0, 0.0
        ratio = speed / friction_speed_deg_s
        moving = moving_friction_kpa + (static_friction_kpa - moving_friction_kpa) / (1.0 + ratio * ratio)
        angle, across, speed, held, valve = _hydraulics(
            spool, supply[i], conductance[i], leak[i], rub[i], push[i], static_friction_kpa, moving,
            stiffness_kpa_deg, valve_lag_s, valve_dead_band, low, high, locked, angle, across, speed, held,
            valve,
        )  # fmt: skip
        shown = angle + rattle[i]
        if edge[i] > 0.5 and frozen < 0.5 and gone_s[i] <= 0.0:
            measured = shown + report_bias_deg + timing_offset_deg + sensor_noise_deg * n3[i]
            measured = floor(measured / actual_step_deg + 0.5) * actual_step_deg
            since_s = max(120.0 / max(engine_speed[i], 60.0) / sensor_teeth, TICK_S)
            rate += ((measured - before) / since_s - rate) * 0.5
            before = measured
        o_reading[i], o_measured[i], o_duty[i], o_angle[i] = reading, measured, duty, shown
        o_rest_s[i], o_stuck[i] = rest_s, 1.0 if held > 0.5 and locked < 0.5 else 0.0
    return (angle, across, speed, held, valve, spool, duty, integral, hold, measured, locked, pin, before,
            rest_s, rate)  # fmt: skip


def watch_kernel(
    error_limit_deg, target, reading, readable, mode, enabled, o_over_limit_s, o_response_s,
    over=0.0, step_from=0.0, step_s=0.0, slow_command=0.0,
):  # fmt: skip
    """Inputs of the module's monitors: how long the error has lasted (s, with the sign of command minus actual), and
    the response time of a step (NaN at ticks without a measured response)."""
    dt = TICK_S
    for i in range(len(target)):
        command = target[i]
        in_hand = mode[i] > 2.0 and abs(command) >= AT_REST_DEG
        slow_command += (command - slow_command) * dt / 0.8
        deviation = command - reading[i] if readable[i] > 0.5 else 0.0
        away = abs(command - slow_command)
        watching = in_hand and enabled[i] > 0.5
        if watching and abs(deviation) > error_limit_deg and away < 1.5:
            over += dt
        else:
            over = max(0.0, over - 4.0 * dt)
        o_response_s[i] = float("nan")
        if step_s > 0.0:
            size = command - step_from
            step_s += dt
            if not in_hand or abs(size) < 6.0:
                step_s = 0.0
            elif abs(deviation) < 0.37 * abs(size) or step_s > 5.0:
                o_response_s[i] = step_s
                step_s = 0.0
        elif watching and away > 8.0:
            step_from = slow_command
            step_s = dt
        o_over_limit_s[i] = over if deviation > 0.0 else -over
    return over, step_from, step_s, slow_command


KERNELS = (random_kernel, command_kernel, phaser_kernel, watch_kernel)
