"""The closed loop of one cam, step by step: set-point, tooth sensor, controller, valve, phaser."""

from __future__ import annotations

from typing import NamedTuple

import numba
import numpy as np

STEP_S = 0.005
SLOWEST_PULSES_HZ = 40.0  # above it single torque pulses are too short to see


class Along(NamedTuple):
    """What changes along the drive: one number a step (n,). Effort 1 is the full stroke of the valve."""

    asked: np.ndarray  # deg, the map's set-point
    speed: np.ndarray  # deg/s at full effort
    gain: np.ndarray  # the controller's, over its warm one
    friction: np.ndarray  # effort that breaks the phaser loose
    valve_friction: np.ndarray  # change of duty, as effort, that moves the valve
    leak: np.ndarray  # deg/s toward rest
    push: np.ndarray  # deg/s, disturbance
    delay: np.ndarray  # whole steps from controller to valve
    seized: np.ndarray  # 1 where the phaser cannot move
    rattle: np.ndarray  # deg, play of an unlocked phaser without oil
    timing: np.ndarray  # deg the cam stands off the crank, in the direction of travel
    noise: np.ndarray  # deg, added to the angle of an edge
    alive: np.ndarray  # 0 where the sensor's angle is no longer renewed
    turn: np.ndarray  # cam turns a step
    chance: np.ndarray  # standard normal, for the rattle


class Fixed(NamedTuple):
    """What stays the same; see `parts` for the meaning."""

    start: float
    travel: float
    behind_rest: float
    cam_torque: bool
    inward: float
    spring: float
    lag_s: float
    gain: float  # effort a degree
    integral_s: float
    anti_windup: bool
    hold_error: float
    on_off: float
    dither: float
    dither_hz: float
    gives_up: float
    patience_s: float
    gives_up_to_rest: bool
    setpoint_rate: float
    filter_s: float
    period_s: float
    valve_lag_s: float
    valve_overlap: float
    parks: bool
    limited: bool
    events: float
    average: int
    bias: float
    learned: float
    groove: float  # deg, where it is worn
    groove_width: float
    groove_friction: float  # effort
    groove_from: int  # step


@numba.njit(cache=True)
def run(a, c):
    """Step one cam through the drive.

    `a` is an Along, `c` a Fixed. Returns the command published, the angle known to the module, the duty
    (all (n,)) and the step at which the controller gave up (-1: never).
    """
    n = len(a.asked)
    command, reading, duty = np.empty(n), np.empty(n), np.empty(n)
    x, v = c.start, 0.0
    setpoint = a.asked[0]
    wound = 0.8 * c.hold_error
    out = -1.0 if c.parks else 0.0
    valve, spool = out, out
    recent = np.full(c.average, x + a.timing[0] + c.bias)
    newest = 0
    edge, clock, wrong_s, pulse = 0.0, 0.0, 0.0, 0.0
    known = recent[0] - c.learned
    moving, locked, gave_up = False, abs(x) < 0.5, -1
    sent = np.full(256, out)
    for i in range(n):
        goal = a.asked[i]
        if gave_up >= 0 and c.gives_up_to_rest:
            goal = 0.0
        step = goal - setpoint
        if c.filter_s > 0.0:
            step *= STEP_S / c.filter_s
        if c.setpoint_rate > 0.0:
            step = min(max(step, -c.setpoint_rate * STEP_S), c.setpoint_rate * STEP_S)
        setpoint += step
        if abs(goal - setpoint) < 0.02:
            setpoint = goal

        edge += a.turn[i] * c.events
        if edge >= 1.0:
            edge -= np.floor(edge)
            recent[newest] = x + a.timing[i] + c.bias + a.noise[i]
            newest = (newest + 1) % c.average
            if a.alive[i] > 0.0:
                known = recent.mean() - c.learned

        resting = abs(setpoint) < 0.3
        clock += STEP_S
        if clock >= c.period_s - 1e-9:
            clock -= c.period_s
            error = setpoint - known
            gain = c.gain * a.gain[i]
            if a.turn[i] <= 0.0:
                out = -1.0 if c.parks else 0.0
            elif gave_up >= 0 and not c.gives_up_to_rest:
                out = 0.0  # the stored hold duty
            elif resting and c.parks:
                out = -1.0
            elif c.on_off > 0.0:
                if abs(error) > c.on_off:
                    out = min(max(4.0 * gain * error, -0.8), 0.8) + wound
                elif abs(error) < 0.4 * c.on_off:
                    out = wound
            else:
                out = gain * error + wound
                if c.integral_s > 0.0 and not (c.anti_windup and abs(out) >= 1.0 and out * error > 0.0):
                    wound += gain * error * c.period_s / c.integral_s
                    wound = min(max(wound, -1.2), 1.2)
            if c.dither > 0.0 and not (resting and c.parks):
                out += c.dither * np.sin(2.0 * np.pi * c.dither_hz * i * STEP_S)
            out = min(max(out, -1.0), 1.0)
            if c.gives_up > 0.0 and gave_up < 0:
                wrong_s = wrong_s + c.period_s if abs(error) > c.gives_up else 0.0
                if wrong_s > c.patience_s:
                    gave_up = i

        sent[i % 256] = out
        late = sent[(i - int(a.delay[i])) % 256]
        if abs(late - valve) > a.valve_friction[i]:
            valve = late
        spool += (valve - spool) * min(STEP_S / c.valve_lag_s, 1.0)
        effort = spool - c.hold_error
        effort = effort - c.valve_overlap if effort > c.valve_overlap else min(effort + c.valve_overlap, 0.0)
        effort -= c.spring * x / c.travel
        full = a.speed[i] * (c.inward if effort < 0.0 else 1.0)
        wanted = effort * full - a.leak[i] + a.push[i]

        if not resting:
            locked = False
        elif abs(x) < 0.4 and c.parks:
            locked = True
        stick = a.friction[i]
        if i >= c.groove_from and abs(x - c.groove) < c.groove_width:
            stick += c.groove_friction
        force = abs(wanted) / max(full, 1e-6)
        if moving and force < 0.5 * stick:
            moving = False
        elif not moving and force >= stick:
            moving = True
        if a.turn[i] <= 0.0 or a.seized[i] > 0.0:
            v = 0.0
        elif a.rattle[i] > 0.0 and resting:
            x += 0.5 * (a.rattle[i] * abs(a.chance[i]) - x)
            v = 0.0
        elif locked:
            x, v = 0.6 * x, 0.0
        else:
            if not moving:
                wanted = 0.0
            if c.cam_torque:
                # Four torque reversals a turn; each passes oil one way only, so the cam goes in ratchet steps.
                pulse += 4.0 * a.turn[i]
                if 4.0 * a.turn[i] / STEP_S < SLOWEST_PULSES_HZ:
                    swing = np.sin(2.0 * np.pi * pulse)
                    wanted *= np.pi * max(swing if wanted > 0.0 else -swing, 0.0)
            before = v
            v += (wanted - v) * min(STEP_S / c.lag_s, 1.0)
            if before * v < 0.0 and force < stick:
                moving = False  # it turns round, so it stands for a moment
            if not moving:
                v = 0.0
            x += v * STEP_S
        if x > c.travel:
            x, v = c.travel, min(v, 0.0)
        elif x < -c.behind_rest:
            x, v = -c.behind_rest, max(v, 0.0)
        command[i] = setpoint if c.limited else goal
        reading[i] = known
        duty[i] = 50.0 + 50.0 * out
    return command, reading, duty, gave_up
