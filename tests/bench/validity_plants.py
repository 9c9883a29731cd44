"""Textbook plants of the outside half of the validity study, stepped every STEP_S."""

from __future__ import annotations

import numpy as np
from scipy import signal

STEP_S = 0.01


def red_noise(rng: np.random.Generator, n: int, correlation_s: float, step_s: float = STEP_S) -> np.ndarray:
    """First-order autoregressive noise (n,) of unit variance."""
    rho = np.exp(-step_s / correlation_s)
    return signal.lfilter([1.0], [1.0, -rho], rng.normal(0.0, np.sqrt(1.0 - rho**2), n))


def first_order(target: np.ndarray, tau: np.ndarray) -> np.ndarray:
    share, value, out = (1.0 - np.exp(-STEP_S / tau)).tolist(), float(target[0]), []
    for goal, part in zip(target.tolist(), share, strict=True):
        value += (goal - value) * part
        out.append(value)
    return np.array(out)


def second_order(target: np.ndarray, tau: np.ndarray, damping: float) -> np.ndarray:
    """Second order whose T63 is about `tau`."""
    omega = ((0.6 + damping) / tau).tolist()
    value, speed, out = float(target[0]), 0.0, []
    for goal, w in zip(target.tolist(), omega, strict=True):
        speed += (w * w * (goal - value) - 2.0 * damping * w * speed) * STEP_S
        value += speed * STEP_S
        out.append(value)
    return np.array(out)


def integrator_loop(target: np.ndarray, tau: np.ndarray, friction_deg: float) -> np.ndarray:
    """An integrator (oil flow) under proportional-integral control.

    With friction it stays put until the effort exceeds `friction_deg`, and once moving runs until the effort
    is down to a third of it.
    """
    value, wound, moving, out = float(target[0]), 0.0, not friction_deg, []
    for goal, lag in zip(target.tolist(), tau.tolist(), strict=True):
        error = goal - value
        wound = min(max(wound + 0.3 * error * STEP_S, -20.0), 20.0) if friction_deg else 0.0
        push = error + wound
        if friction_deg:
            moving = abs(push) > (friction_deg / 3.0 if moving else friction_deg)
        if moving:
            value += min(max(push / lag, -180.0), 180.0) * STEP_S
        out.append(value)
    return np.array(out)


def stiction(x: np.ndarray, stick_band: float, jump: float) -> np.ndarray:
    """Choudhury, Thornhill & Shah, Control Engineering Practice 13 (2005): stays put over the stick band
    after each turn, then jumps."""
    out, anchor, way, stuck, values = float(x[0]), float(x[0]), 0.0, True, []
    last = float(x[0])
    for now in x.tolist():
        moved = now - last
        last = now
        if not stuck and moved * way <= 0.0:
            stuck, anchor = True, now
        if stuck and abs(now - anchor) > (stick_band if (now - anchor) * way <= 0.0 else jump):
            stuck, way = False, float(np.sign(now - anchor))
        if not stuck:
            out = now - way * 0.5 * (stick_band - jump)
        values.append(out)
    return np.array(values)
