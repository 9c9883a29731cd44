"""The search behind the continuous fit: a coarse grid, then Levenberg-Marquardt, without and with a rate limit.

This Levenberg-Marquardt works on the normal equations, because `scipy.optimize.least_squares` takes several times as
long for the same result and a cam needs some seven fits."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from camlog.analysis.response.fit_blocks import FitBlocks

# Ranges of the search; a result at an end of its range is not a measurement.
TAU_S = (0.01, 8.0)
DEAD_MAX_S = 1.5
SLEW_DEG_PER_S = (0.5, 2000.0)
# Lowest and highest dead time, and logarithms of the lag and of the two slew limits.
_BOUNDS = np.array([(0.0, DEAD_MAX_S), np.log(TAU_S), np.log(SLEW_DEG_PER_S), np.log(SLEW_DEG_PER_S)]).T
_GRID_TAU_S = np.array([0.03, 0.06, 0.12, 0.24, 0.5, 1.0, 2.0])
_GRID_SLEW_DEG_PER_S = np.array([120.0, 60.0, 30.0, 12.0])
_GRID_DEAD_S = (0.0, 0.05, 0.1, 0.2, 0.35, 0.6, 1.0)
# The grid only finds a start, so it uses at most this many blocks and readings of each.
GRID_BLOCKS = 30
GRID_READINGS = 40
# A rate limit is searched on this many blocks. A few steps on all blocks then give the result of a full search.
SEARCH_BLOCKS = 48
ITERATIONS = 15
REFINE_ITERATIONS = 6
WEIGHTED_AFTER = 3
LIMIT_START = 0.5
# A rate limit is accepted if it explains this share of the lag's misfit, with this t value over blocks.
LIMIT_GAIN = 0.03
LIMIT_T = 2.5
PIECE = 6000  # readings
STEP_LOG = 0.02  # of a logarithm, for derivatives
DESCENT = 1e-4
LAG, LIMITED = (0, 1), (0, 1, 2, 3)  # which of dead time, tau, up and down are searched


@dataclass(frozen=True)
class Theta:
    """Trial parameters: dead time (s), logs of tau (s) and of the slew limits (deg/s at unit gain)."""

    dead: float
    log_tau: float
    log_up: float
    log_down: float
    jumped: bool = False  # which of the blocks' two commands is used

    @property
    def vector(self) -> np.ndarray:
        return np.array([self.dead, self.log_tau, self.log_up, self.log_down])

    @property
    def searched(self) -> tuple[int, ...]:
        """Which of dead time, tau, up, down are searched: infinite limits are not."""
        return (*LAG, *(i for i in (2, 3) if not _unlimited(self.vector[i])))


@dataclass(frozen=True, eq=False)
class FitState:
    """A trial and its misfit, with gain and block offsets eliminated. `free` are the parameters searched, `weight` is
    per block, `rate` (m,) is the model's speed at the readings at unit gain, `jacobian` (1 + len(free), m) has a row
    for the gain and for each of `free`."""

    theta: Theta
    free: tuple[int, ...]
    weight: np.ndarray
    rate: np.ndarray
    slopes: np.ndarray
    gain: float
    cost: float
    residual: np.ndarray
    jacobian: np.ndarray

    @property
    def plain_cost(self) -> float:
        return float(np.sum(self.residual**2))

    @property
    def fastest(self) -> tuple[float, float]:
        """Highest speeds (deg/s at unit gain) reached in advance and in retard, both positive."""
        return max(0.0, float(np.max(self.rate))), max(0.0, float(-np.min(self.rate)))


def _unlimited(log_slew):
    return log_slew >= np.log(SLEW_DEG_PER_S[1]) - 1e-9


def best_fit(blocks: FitBlocks) -> FitState:
    """The lag alone, or the rate-limited lag if the limit improves the fit enough."""
    few = blocks.some(GRID_BLOCKS).thinned(GRID_READINGS)
    unlimited = refine(blocks, _start(few, np.array([np.inf]), False), LAG, ITERATIONS)
    # Both are compared on the same command, the one that suits a limit.
    rival = refine(blocks, replace(unlimited.theta, jumped=True), LAG, REFINE_ITERATIONS)
    # A limit that never acts has no gradient, so one start is chosen such that the limit acts.
    at_work = [float(np.log(max(LIMIT_START * v, SLEW_DEG_PER_S[0]))) for v in rival.fastest]
    working = replace(rival.theta, log_up=at_work[0], log_down=at_work[1])
    sample = blocks.some(SEARCH_BLOCKS)
    starts = (_start(few, _GRID_SLEW_DEG_PER_S, True), working)
    rated = min((refine(sample, s, LIMITED, ITERATIONS) for s in starts), key=lambda state: state.plain_cost)
    if sample is not blocks:
        left = np.sum(rival.residual[np.isin(blocks.start_s, sample.start_s)[blocks.block]] ** 2)
        if rated.plain_cost > (1.0 - 0.5 * LIMIT_GAIN) * left:
            return unlimited
        rated = refine(blocks, rated.theta, LIMITED, REFINE_ITERATIONS)
    # The two parameters of the limit are justified if the misfit falls, and does so in most blocks.
    left, less = blocks.parts.sum(rival.residual**2), blocks.parts.sum(rated.residual**2)
    gain, n = left - less, len(left)
    error = float(np.std(gain, ddof=1) / np.sqrt(n)) if n > 1 else np.inf
    earned = np.sum(gain) >= LIMIT_GAIN * np.sum(left) and float(np.mean(gain)) > LIMIT_T * error
    return rated if earned else unlimited


def _start(few: FitBlocks, slews: np.ndarray, jumped: bool) -> Theta:
    """The best trial of a coarse grid on a `few` blocks; infinite `slews` stand for the lag alone."""
    y = few.centred_actual
    tau, slew = (a.ravel() for a in np.meshgrid(_GRID_TAU_S, slews, indexing="ij"))
    states = few.propagate(tau, slew, slew, jumped)
    cost = np.empty((len(tau), len(_GRID_DEAD_S)))
    for j, dead in enumerate(_GRID_DEAD_S):
        s = few.parts.centred(few.read(states, dead, jumped)[0])
        power = np.sum(s * s, axis=-1)
        along = np.maximum(np.einsum("pm,m->p", s, y), 0.0)
        cost[:, j] = np.sum(y * y) - along**2 / np.where(power > 0, power, np.inf)
    i, j = np.unravel_index(np.argmin(cost), cost.shape)
    return _bounded(np.array([_GRID_DEAD_S[j], *np.log([tau[i], slew[i], slew[i]])]), jumped)


def _bounded(vector: np.ndarray, jumped: bool) -> Theta:
    dead, tau, up, down = np.clip(vector, *_BOUNDS).tolist()
    return Theta(dead, tau, up, down, jumped)


def _tried(blocks: FitBlocks, theta: Theta, free: tuple[int, ...], weight: np.ndarray) -> FitState:
    """The model run with `theta`, and with each searched parameter changed a little for the derivatives."""
    moved = [i for i in free if i > 0]
    trials = np.tile(theta.vector, (1 + len(moved), 1))
    steps = np.where(trials[0, moved] + STEP_LOG < _BOUNDS[1, 2], STEP_LOG, -STEP_LOG)
    trials[np.arange(1, len(trials)), moved] += steps
    tau, *slews = np.exp(trials.T[1:])
    up, down = np.where(_unlimited(trials.T[2:]), np.inf, slews)
    states, rates = blocks.read(blocks.propagate(tau, up, down, theta.jumped), theta.dead, theta.jumped)
    slopes = (states[1:] - states[0]) / steps[:, None]
    if 0 in free:
        slopes = np.concatenate([-rates[:1], slopes])
    together = blocks.parts.centred(np.concatenate([states[:1], slopes]))
    return _fitted(blocks, theta, free, weight, rates[0], together)


def _fitted(
    blocks: FitBlocks, theta: Theta, free: tuple[int, ...], weight: np.ndarray, rate: np.ndarray, slopes: np.ndarray
) -> FitState:
    """The trial with gain and block offsets eliminated; `slopes` (1 + free, m) is the centred state, then its
    derivatives."""
    y, s = blocks.centred_actual, slopes[0]
    ws = blocks.parts.spread(weight) * s
    power = float(np.sum(ws * s))
    gain = float(np.sum(ws * y)) / power if power > 0 else 0.0
    residual = y - gain * s
    cost = float(np.sum(weight * blocks.parts.sum(residual**2)))
    jacobian = np.concatenate([s[None], gain * slopes[1:]])
    return FitState(theta, free, weight, rate, slopes, gain, cost, residual, jacobian)


def _weighted(blocks: FitBlocks, state: FitState) -> FitState:
    """The same trial with Huber's weights: blocks that fit badly count less."""
    rms = np.sqrt(blocks.parts.sum(state.residual**2) / blocks.parts.size)
    usual = float(np.median(rms))
    weight = np.minimum(1.0, 2.5 * usual / np.maximum(rms, 1e-12)) if usual > 0 else np.ones(len(blocks))
    return _fitted(blocks, state.theta, state.free, weight, state.rate, state.slopes)


def products(rows: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Weighted sums of products of each pair of `rows` (q, m), shape (q, q). Computed in pieces, because one large
    product is split among threads, which costs more than it saves."""
    pieces = range(0, rows.shape[1], PIECE)
    return sum((rows[:, k : k + PIECE] * weight[k : k + PIECE]) @ rows[:, k : k + PIECE].T for k in pieces)


def refine(blocks: FitBlocks, theta: Theta, free: tuple[int, ...], iterations: int) -> FitState:
    """Levenberg-Marquardt from `theta`; blocks are weighted after the first WEIGHTED_AFTER steps."""
    damping, weighted = 1e-2, False
    now = _tried(blocks, theta, free, np.ones(len(blocks)))
    for step in range(iterations):
        if step == min(WEIGHTED_AFTER, iterations - 1):
            now, weighted = _weighted(blocks, now), True
        rows = np.concatenate([now.jacobian, now.residual[None]])
        together = products(rows, blocks.parts.spread(now.weight))
        normal, slope = together[:-1, :-1], together[:-1, -1]
        move = np.linalg.solve(normal + np.diag(damping * (np.diag(normal) + 1e-12)), slope)[1:]
        vector = now.theta.vector
        vector[list(free)] += np.clip(move, -0.7, 0.7)
        after = _tried(blocks, _bounded(vector, now.theta.jumped), free, now.weight)
        if after.cost >= now.cost:
            damping *= 8.0
            if damping > 1e4:
                break
            continue
        done = now.cost - after.cost < DESCENT * now.cost
        now, damping = after, max(damping / 5.0, 1e-6)
        if done and weighted:
            break
        if done:
            now, weighted = _weighted(blocks, now), True
    return now
