"""Known plants for the measures at steady command and of sticking: their truth is set here, not measured.

Linear parts are `scipy.signal` systems, the stiction is the flow chart of Choudhury, Thornhill & Shah,
Control Engineering Practice 13 (2005), written straight from it and independent of the model the analysis
fits.
"""

from __future__ import annotations

import numpy as np
from scipy import signal
from scipy.ndimage import gaussian_filter1d

from camlog.analysis.cam.camdata import CamData, cam_data
from camlog.trace import Trace

STEP_S = 0.005


def times(seconds: float) -> np.ndarray:
    return np.arange(int(seconds / STEP_S)) * STEP_S


def command(kind: str, seconds: float, rng: np.random.Generator, low: float = 0.0, high: float = 40.0) -> np.ndarray:
    """A command (n,) every STEP_S: sine, triangle, walk (smooth random), ramps, steps, holds (long steps)."""
    t = times(seconds)
    middle, reach = 0.5 * (low + high), 0.5 * (high - low)
    if kind == "sine":
        return middle + 0.8 * reach * np.sin(2 * np.pi * t / rng.uniform(6, 14))
    if kind == "triangle":
        return middle + 0.8 * reach * signal.sawtooth(2 * np.pi * t / rng.uniform(6, 14), 0.5)
    if kind == "walk":
        smooth = gaussian_filter1d(rng.normal(size=len(t)), 1.2 / STEP_S)
        return middle + 0.4 * reach * smooth / smooth.std()
    pieces, last = [], rng.uniform(low, high)
    while sum(map(len, pieces)) < len(t):
        goal = rng.uniform(low, high)
        if kind == "ramps":
            pieces.append(np.linspace(last, goal, max(int(abs(goal - last) / rng.uniform(3, 30) / STEP_S), 1)))
        stay = {"ramps": (1, 4), "steps": (2, 7), "holds": (8, 20)}[kind]
        pieces.append(np.full(int(rng.uniform(*stay) / STEP_S), goal))
        last = goal
    return np.concatenate(pieces)[: len(t)]


def stiction(x: np.ndarray, stick_band: float, jump: float) -> np.ndarray:
    """Choudhury, Thornhill & Shah's two-parameter model: output (n,) for input (n,).

    `stick_band` is their S, dead band plus stick band; `jump` their J."""
    y = np.empty(len(x))
    out, stuck_at, direction = x[0], x[0], 1.0
    stuck, same_way = True, False
    for k in range(len(x)):
        moved = x[k] - x[k - 1] if k else 0.0
        way = np.sign(moved)
        if stuck:
            free = same_way and way == direction and abs(x[k] - stuck_at) > jump
            if free or abs(x[k] - stuck_at) > stick_band:
                stuck, direction = False, np.sign(x[k] - stuck_at)
                out = x[k] - direction * (stick_band - jump) / 2
        elif way == 0 or way != direction:
            stuck, same_way, stuck_at = True, way == 0, x[k - 1] if k else x[0]
        else:
            out = x[k] - direction * (stick_band - jump) / 2
        y[k] = out
    return y


def lag(x: np.ndarray, time_constant: float, dead_time: float = 0.0, rate: float | None = None) -> np.ndarray:
    """First order with dead time (scipy.signal), or with a rate limit as well (Euler steps of STEP_S)."""
    delay = round(dead_time / STEP_S)
    late = np.concatenate([np.full(delay, x[0]), x])[: len(x)]
    if rate is None:
        # Exact between the points for a command that runs straight there, as `signal.lsim`, which takes a hundred times
        # as long.
        above, below, _ = signal.cont2discrete(([1.0], [time_constant, 1.0]), STEP_S, method="foh")
        return signal.lfilter(above.ravel(), below, late - x[0]) + x[0]
    y = np.empty(len(x))
    value = float(x[0])
    for k, goal in enumerate(late.tolist()):
        value += min(max((goal - value) / time_constant, -rate), rate) * STEP_S
        y[k] = value
    return y


def loop_with_friction(
    x: np.ndarray, breakaway: float, gain: float = 1.0, integral: float = 1.0, speed: float = 12.0
) -> tuple[np.ndarray, np.ndarray]:
    """A proportional-integral loop moving a cam that stays put until the effort exceeds `breakaway`.

    Returns angle (n,) and effort (n,). Once moving, friction falls to less than half and the cam runs until
    the effort no longer carries it: stick-slip.
    """
    y, effort = np.empty(len(x)), np.empty(len(x))
    value, wound, stuck = float(x[0]), 0.0, True
    for k, goal in enumerate(x.tolist()):
        error = goal - value
        wound = min(max(wound + integral * error * STEP_S, -2 * breakaway), 2 * breakaway)
        push = gain * error + wound
        if stuck and abs(push) > breakaway:
            stuck = False
        elif not stuck:
            if abs(push) < 0.3 * breakaway:
                stuck = True
            else:
                friction = 0.15 * breakaway if push > 0 else -0.15 * breakaway
                value += min(max(speed * (push - friction), -150), 150) * STEP_S
        y[k], effort[k] = value, push
    return y, effort


def flutter(n: int, rms: float, correlation_s: float, rng: np.random.Generator) -> np.ndarray:
    """First-order autoregressive motion of the cam (n,) with the given rms and correlation time."""
    rho = np.exp(-STEP_S / correlation_s)
    noise = rng.normal(0, rms * np.sqrt(1 - rho**2), n)
    return signal.lfilter([1.0], [1.0, -rho], noise)


def recorded(
    commanded: np.ndarray,
    actual: np.ndarray,
    rng: np.random.Generator,
    *,
    hz: float = 20.0,
    skew_s: float = 0.0,
    noise: float = 0.1,
    step: float = 0.1,
    jitter: float = 0.4,
    cam: str = "intake_b1",
    **others: np.ndarray,
) -> Trace:
    """What a recorder would have of it: irregular times, the actual `skew_s` after the command in rows of
    its own, noise on the reading, both quantised to `step` (0: not). `others` are further signals at
    STEP_S."""
    seconds = len(commanded) * STEP_S
    at = np.cumsum(rng.uniform(1 - jitter, 1 + jitter, int(seconds * hz)) / hz)
    at = at[at < seconds - skew_s - 2 * STEP_S]
    later = at + skew_s
    grid = np.arange(len(commanded)) * STEP_S
    quantised = (lambda v: np.round(v / step) * step) if step else (lambda v: v)
    c = quantised(np.interp(at, grid, commanded))
    # The nearest value, not one interpolated: that would smooth the flutter away.
    a = quantised(actual[np.round(later / STEP_S).astype(int)] + rng.normal(0, noise, len(at)))
    rows = np.union1d(at, later)
    columns = {}
    for name, t, value in (
        (f"cam_{cam}_commanded", at, c),
        (f"cam_{cam}_actual", later, a),
        *((name, at, np.interp(at, grid, v)) for name, v in others.items()),
    ):
        column = np.full(len(rows), np.nan)
        column[np.searchsorted(rows, t)] = value
        columns[name] = column
    return Trace(rows, columns)


def cam_of(commanded: np.ndarray, actual: np.ndarray, rng: np.random.Generator, profile=None, **how) -> CamData:
    """The `CamData` of a recording of commanded and actual (n,) every STEP_S."""
    cam = how.get("cam", "intake_b1")
    found = cam_data(recorded(commanded, actual, rng, **how), cam, profile)
    assert found is not None
    return found
