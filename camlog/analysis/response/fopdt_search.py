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
# The grid need not tell more than where to start: some blocks, and some of their readings.
GRID_BLOCKS = 30
GRID_READINGS = 40
# A rate limit is searched on so many blocks. From an answer this near, a few steps on all of them give what a
# search on all of them would.
SEARCH_BLOCKS = 48
ITERATIONS = 15
REFINE_ITERATIONS = 6
WEIGHTED_AFTER = 3
LIMIT_START = 0.5
# A rate limit is told from a lag where it explains this much of what the lag left, block by block.
LIMIT_GAIN = 0.03
LIMIT_T = 2.5
PIECE = 6000  # readings
STEP_LOG = 0.02  # of a logarithm, for derivatives
DESCENT = 1e-4


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
class Answer:
    """What the model does at one trial: unit-gain `state` and `rate` (m,) at the readings; with block means
    taken out, `centred` (m,), its change with dead time and with each parameter searched (q, m)."""

    state: np.ndarray
    rate: np.ndarray
    centred: np.ndarray
    slopes: np.ndarray


@dataclass(frozen=True, eq=False)
class FitState:
    """A trial and how well it does: `jacobian` (1 + len(free), m) of the gain and the parameters `free`."""

    theta: Theta
    free: tuple[int, ...]
    answer: Answer
    weight: np.ndarray  # per block
    gain: float
    cost: float
    residual: np.ndarray
    jacobian: np.ndarray

    @property
    def plain_cost(self) -> float:
        """What is left over, all blocks weighing the same."""
        return float(np.sum(self.residual**2))

    @property
    def fastest(self) -> tuple[float, float]:
        """Highest speeds (deg/s at unit gain) reached in advance and in retard, both positive."""
        rate = self.answer.rate
        return max(0.0, float(np.max(rate))), max(0.0, float(-np.min(rate)))


def _unlimited(log_slew):
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
    at_work = [float(np.log(max(LIMIT_START * v, SLEW_DEG_PER_S[0]))) for v in rival.fastest]
    starts = (limited, replace(rival.theta, log_up=at_work[0], log_down=at_work[1]))
    every = (0, 1, 2, 3)
    some = blocks.some(SEARCH_BLOCKS)
    rated = min((refine(some, s, every, ITERATIONS) for s in starts), key=lambda state: state.plain_cost)
    if some is not blocks:
        left = np.sum(rival.residual[np.isin(blocks.start_s, some.start_s)[blocks.block]] ** 2)
        if rated.plain_cost > (1.0 - 0.5 * LIMIT_GAIN) * left:
            return plain
        rated = refine(blocks, rated.theta, every, REFINE_ITERATIONS)
    return rated if _better(blocks, rival, rated) else plain


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
    few = blocks.some(GRID_BLOCKS).thinned(GRID_READINGS)
    y = few.centred_actual
    found = []
    for limited, slews in ((False, SLEW_DEG_PER_S[1:]), (True, _GRID_SLEW_DEG_PER_S)):
        tau, slew = (a.ravel() for a in np.meshgrid(_GRID_TAU_S, slews, indexing="ij"))
        limit = slew if limited else np.full(len(tau), np.inf)
        states = few.propagate(tau, limit, limit, limited)
        cost = np.empty((len(tau), len(_GRID_DEAD_S)))
        for j, dead in enumerate(_GRID_DEAD_S):
            s = few.centred(few.read(states, dead, limited)[0])
            power = np.sum(s * s, axis=-1)
            along = np.maximum(np.einsum("pm,m->p", s, y), 0.0)
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


def _answer(blocks: FitBlocks, theta: Theta, free: tuple[int, ...]) -> Answer:
    moved = [i for i in free if i > 0]
    logs = np.tile(theta.logs, (1 + len(moved), 1))
    steps = np.empty(len(moved))
    for row, i in enumerate(moved):
        log = logs[0, i - 1]
        steps[row] = STEP_LOG if log + STEP_LOG < np.log(SLEW_DEG_PER_S[1]) else -STEP_LOG
        logs[1 + row, i - 1] += steps[row]
    tau, *slews = np.exp(logs.T)
    up, down = (np.where(_unlimited(log), np.inf, slew) for log, slew in zip(logs.T[1:], slews, strict=True))
    states, rates = blocks.read(blocks.propagate(tau, up, down, theta.jumped), theta.dead, theta.jumped)
    slopes = (states[1:] - states[0]) / steps[:, None]
    if 0 in free:
        slopes = np.concatenate([-rates[:1], slopes])
    together = blocks.centred(np.concatenate([states[:1], slopes]))
    return Answer(states[0], rates[0], together[0], together[1:])


def _fitted(
    blocks: FitBlocks, theta: Theta, free: tuple[int, ...], answer: Answer, weight: np.ndarray
) -> FitState:
    """Gain and block offsets eliminated: residual, cost and Jacobian."""
    y, s = blocks.centred_actual, answer.centred
    ws = blocks.spread(weight) * s
    power = float(np.sum(ws * s))
    gain = float(np.sum(ws * y)) / power if power > 0 else 0.0
    residual = y - gain * s
    cost = float(np.sum(weight * blocks.sum(residual**2)))
    jacobian = np.concatenate([s[None], gain * answer.slopes])
    return FitState(theta, free, answer, weight, gain, cost, residual, jacobian)


def _block_weight(blocks: FitBlocks, residual: np.ndarray) -> np.ndarray:
    """Huber's weight by block: one in which something else happened counts less."""
    rms = np.sqrt(blocks.sum(residual**2) / blocks.size)
    usual = float(np.median(rms))
    return np.minimum(1.0, 2.5 * usual / np.maximum(rms, 1e-12)) if usual > 0 else np.ones(len(blocks))


def products(rows: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Weighted sums of products of each pair of `rows` (q, m), shape (q, q).

    In pieces: one large product is handed to several threads, which costs more than it saves.
    """
    pieces = range(0, rows.shape[1], PIECE)
    return sum((rows[:, k : k + PIECE] * weight[k : k + PIECE]) @ rows[:, k : k + PIECE].T for k in pieces)


def refine(blocks: FitBlocks, theta: Theta, free: tuple[int, ...], iterations: int) -> FitState:
    """Levenberg-Marquardt from `theta`; blocks are weighted after the first steps, once they fit roughly."""

    def trial(theta: Theta, weight: np.ndarray) -> FitState:
        return _fitted(blocks, theta, free, _answer(blocks, theta, free), weight)

    damping, weighted = 1e-2, False
    now = trial(theta, np.ones(len(blocks)))
    for step in range(iterations):
        if step == min(WEIGHTED_AFTER, iterations - 1):
            now = _weighted(blocks, now)
            weighted = True
        together = products(np.concatenate([now.jacobian, now.residual[None]]), blocks.spread(now.weight))
        normal, slope = together[:-1, :-1], together[:-1, -1]
        scale = np.diag(normal) + 1e-12
        move = np.linalg.solve(normal + np.diag(damping * scale), slope)[1:]
        vector = _vector(now.theta)
        vector[list(free)] += np.clip(move, -0.7, 0.7)
        after = trial(_bounded(vector, now.theta.jumped), now.weight)
        if after.cost < now.cost:
            done = now.cost - after.cost < DESCENT * now.cost
            now = after
            damping = max(damping / 5.0, 1e-6)
        else:
            done = False
            damping *= 8.0
            if damping > 1e4:
                break
        if done and weighted:
            break
        if done:
            now, weighted = _weighted(blocks, now), True
    return now


def _weighted(blocks: FitBlocks, state: FitState) -> FitState:
    weight = _block_weight(blocks, state.residual)
    return _fitted(blocks, state.theta, state.free, state.answer, weight)
