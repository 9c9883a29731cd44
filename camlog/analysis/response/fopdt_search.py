"""The search behind the continuous fit: a coarse grid, then Levenberg-Marquardt, without and with a limit."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from camlog.analysis.response.fit_blocks import FitBlocks

# The fit searches these; a value at an end is not a measurement.
TAU_S = (0.01, 8.0)
DEAD_MAX_S = 1.5
SLEW_DEG_PER_S = (0.5, 2000.0)
_GRID_TAU_S = np.array([0.03, 0.06, 0.12, 0.24, 0.5, 1.0, 2.0])
_GRID_SLEW_DEG_PER_S = np.array([120.0, 60.0, 30.0, 12.0])
_GRID_DEAD_S = np.array([0.0, 0.05, 0.1, 0.2, 0.35, 0.6, 1.0])
GRID_BLOCKS = 30
ITERATIONS = 15
REFINE_ITERATIONS = 6
LIMIT_START = 0.5
# A rate limit is told from a lag where it explains this much of what the lag left, block by block.
LIMIT_GAIN = 0.03
LIMIT_T = 2.5
STEP_LOG = 0.02  # of a logarithm, for derivatives
DESCENT = 1e-4


# Residual (m,), weighted cost, gain, Jacobian (1 + searched, m).
Evaluation = tuple[np.ndarray, float, float, np.ndarray]


@dataclass(frozen=True)
class Theta:
    """Trial parameters: dead time (s), logs of tau (s) and of the slew limits (deg/s at unit gain)."""

    dead: float
    log_tau: float
    log_up: float
    log_down: float
    jumped: bool = False  # which of the blocks' two commands is answered

    @property
    def logs(self) -> np.ndarray:
        return np.array([self.log_tau, self.log_up, self.log_down])


@dataclass(frozen=True, eq=False)
class FitState:
    theta: Theta
    gain: float
    cost: float
    residual: np.ndarray
    weight: np.ndarray  # per block

    @property
    def plain_cost(self) -> float:
        """What is left over, all blocks weighing the same."""
        return float(np.sum(self.residual**2))


def _unlimited(log_slew: float) -> bool:
    return log_slew >= np.log(SLEW_DEG_PER_S[1]) - 1e-9


def searched(theta: Theta) -> tuple[int, ...]:
    """Which of dead time, tau, up, down are searched: limits that are off stay off."""
    return (0, 1, *(i for i, v in ((2, theta.log_up), (3, theta.log_down)) if not _unlimited(v)))


def best_fit(blocks: FitBlocks) -> FitState:
    """The lag alone, or the rate-limited lag where the limit earns its place."""
    lag, limited = _start(blocks)
    plain = refine(blocks, lag, (0, 1), ITERATIONS)
    # Both are judged on the same command, the one a limit answers.
    rival = refine(blocks, replace(plain.theta, jumped=True), (0, 1), REFINE_ITERATIONS)
    # A limit that never acts has no slope to follow: one start is surely at work, the grid's may not be.
    at_work = [float(np.log(max(LIMIT_START * v, SLEW_DEG_PER_S[0]))) for v in fastest(blocks, rival.theta)]
    starts = (limited, replace(rival.theta, log_up=at_work[0], log_down=at_work[1]))
    rated = min(
        (refine(blocks, s, (0, 1, 2, 3), ITERATIONS) for s in starts), key=lambda state: state.plain_cost
    )
    return rated if _better(blocks, rival, rated) else plain


def fastest(blocks: FitBlocks, theta: Theta) -> tuple[float, float]:
    """Highest speeds (deg/s at unit gain) the model reaches in advance and in retard, both positive."""
    _, rate = model(blocks, theta)
    return max(0.0, float(np.max(rate[0]))), max(0.0, float(-np.min(rate[0])))


def _better(blocks: FitBlocks, plain: FitState, rated: FitState) -> bool:
    """True where the rate limit earns its two parameters: less is left over, in most blocks alike."""
    left, less = blocks.sum(plain.residual**2), blocks.sum(rated.residual**2)
    gain = left - less
    if np.sum(gain) < LIMIT_GAIN * np.sum(left):
        return False
    n = len(gain)
    spread = float(np.std(gain, ddof=1)) if n > 1 else np.inf
    return float(np.mean(gain)) > LIMIT_T * spread / np.sqrt(n)


def _start(blocks: FitBlocks) -> tuple[Theta, Theta]:
    """The best lag alone and the best rate-limited lag of a coarse grid, on some of the blocks."""
    few = blocks.take(np.unique(np.linspace(0, len(blocks) - 1, GRID_BLOCKS).astype(int)))
    y = few.centred(few.actual)
    found = []
    for limited, slews in ((False, SLEW_DEG_PER_S[1:]), (True, _GRID_SLEW_DEG_PER_S)):
        tau, slew = (a.ravel() for a in np.meshgrid(_GRID_TAU_S, slews, indexing="ij"))
        states = few.propagate(np.log(tau), np.log(slew), np.log(slew), limited)
        cost = np.empty((len(tau), len(_GRID_DEAD_S)))
        for j, dead in enumerate(_GRID_DEAD_S):
            s = few.centred(few.read(states, dead, limited)[0])
            power = np.sum(s * s, axis=-1)
            along = np.maximum(s @ y, 0.0)
            cost[:, j] = np.sum(y * y) - np.divide(along**2, power, out=np.zeros(len(tau)), where=power > 0)
        i, j = np.unravel_index(np.argmin(cost), cost.shape)
        found.append(
            Theta(float(_GRID_DEAD_S[j]), *(float(np.log(v)) for v in (tau[i], slew[i], slew[i])), limited)
        )
    return found[0], found[1]


def _vector(theta: Theta) -> np.ndarray:
    return np.array([theta.dead, theta.log_tau, theta.log_up, theta.log_down])


def _bounded(v: np.ndarray, jumped: bool) -> Theta:
    low_slew, high_slew = np.log(SLEW_DEG_PER_S)
    return Theta(
        float(np.clip(v[0], 0.0, DEAD_MAX_S)),
        float(np.clip(v[1], *np.log(TAU_S))),
        float(np.clip(v[2], low_slew, high_slew)),
        float(np.clip(v[3], low_slew, high_slew)),
        jumped,
    )


def model(blocks: FitBlocks, theta: Theta, logs: np.ndarray | None = None) -> tuple[np.ndarray, np.ndarray]:
    """Unit-gain state and its rate at the readings, both (p, m), for rows of logs (else theta's own)."""
    logs = theta.logs[None, :] if logs is None else logs
    return blocks.read(blocks.propagate(*logs.T, theta.jumped), theta.dead, theta.jumped)


def evaluate(blocks: FitBlocks, theta: Theta, free: tuple[int, ...], weight: np.ndarray) -> Evaluation:
    """Residual, cost, gain and Jacobian (gain, then `free`) with gain and block offsets eliminated."""
    moved = [i for i in free if i > 0]
    logs = np.tile(theta.logs, (1 + len(moved), 1))
    for row, i in enumerate(moved, start=1):
        logs[row, i - 1] += STEP_LOG if logs[row, i - 1] + STEP_LOG < np.log(SLEW_DEG_PER_S[1]) else -STEP_LOG
    s, rate = model(blocks, theta, logs)
    y, s = blocks.centred(blocks.actual), blocks.centred(s)
    w = weight[blocks.block]
    power = float(np.sum(w * s[0] ** 2))
    gain = float(np.sum(w * s[0] * y)) / power if power > 0 else 0.0
    residual = y - gain * s[0]
    columns = [s[0]]
    for i in free:
        if i == 0:
            columns.append(-gain * blocks.centred(rate[0]))
        else:
            row = 1 + moved.index(i)
            columns.append(gain * (s[row] - s[0]) / (logs[row, i - 1] - theta.logs[i - 1]))
    return residual, float(np.sum(w * residual**2)), gain, np.array(columns)


def _block_weight(blocks: FitBlocks, residual: np.ndarray) -> np.ndarray:
    """Huber's weight by block: one in which something else happened counts less."""
    rms = np.sqrt(blocks.sum(residual**2) / np.maximum(blocks.size, 1))
    usual = float(np.median(rms))
    return np.minimum(1.0, 2.5 * usual / np.maximum(rms, 1e-12)) if usual > 0 else np.ones(len(blocks))


def refine(blocks: FitBlocks, theta: Theta, free: tuple[int, ...], iterations: int) -> FitState:
    """Levenberg-Marquardt from `theta`; block weights follow after the first steps."""
    weight = np.ones(len(blocks))
    damping, vector = 1e-2, _vector(theta)
    residual, cost, gain, jacobian = evaluate(blocks, theta, free, weight)
    for step in range(iterations):
        if step == 4:
            weight = _block_weight(blocks, residual)
            residual, cost, gain, jacobian = evaluate(blocks, theta, free, weight)
        w = weight[blocks.block]
        normal = (jacobian * w) @ jacobian.T
        slope = (jacobian * w) @ residual
        scale = np.diag(normal) + 1e-12
        move = np.linalg.solve(normal + np.diag(damping * scale), slope)[1:]
        trial = vector.copy()
        trial[list(free)] += np.clip(move, -0.7, 0.7)
        new = _bounded(trial, theta.jumped)
        after = evaluate(blocks, new, free, weight)
        if after[1] < cost:
            done = cost - after[1] < DESCENT * cost and step > 5
            theta, vector = new, _vector(new)
            residual, cost, gain, jacobian = after
            damping = max(damping / 5.0, 1e-6)
            if done:
                break
        else:
            damping *= 8.0
            if damping > 1e4:
                break
    return FitState(theta, gain, cost, residual, weight)
