"""Search among candidate cams: a coarse grid, then the cross-entropy method.

Rubinstein, Methodology and Computing in Applied Probability 1 (1999): candidates are drawn around the best
ones so far, with their spread, so that the search follows the valley in which stick band, jump and lag
trade against each other. Misfit is Huber's (Annals of Mathematical Statistics 35 (1964)).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from camlog.analysis.cam.segments import GRID_S
from camlog.analysis.sticking.stickmodel import Candidates, product, simulate
from camlog.analysis.sticking.stretches import Stretches, ramp_speed, top_speed

SEED = 20050607  # the draws are part of the method: the same drive gives the same figures
WIDER = (3.0, 2.0, 2.0, 1.0, 1.0)  # how much farther than CLOSEST each round looks
VALLEY_AFTER = 2  # rounds
# A smooth cam has few parameters: it is found on some of the readings, and settled on all of them.
SMOOTH_DRAWN = 36
SMOOTH_READINGS = 500
SETTLING = (1.0,)
ELITE = 20
# The drawn candidates never gather closer than this (stick band share, jump share, log time constant, dead
# time in seconds, log rate limit): what is left between them is the interval.
CLOSEST = np.array([0.03, 0.03, 0.08, 0.02, 0.03])

SMALLEST_BAND_DEG = 0.5
_TAU = (0.05, 0.1, 0.2, 0.35, 0.6, 1.0, 1.7, 3.0, 5.0)
_RATE = (80.0, 40.0, 20.0, 10.0)
_DEAD = (0.0, 0.1, 0.2, 0.35)
_BAND = tuple(np.geomspace(SMALLEST_BAND_DEG, 20.0, 13))
_NO_LIMIT = np.log(1000.0)  # degrees a second no phaser reaches: stands for "no rate limit" among logarithms


@dataclass(frozen=True, eq=False)
class Fitted:
    """Candidates with their `misfit` (blocks, candidates), Huber's loss in square degrees, and the `index`
    of the best."""

    cams: Candidates
    misfit: np.ndarray
    index: int

    @property
    def parameters(self) -> tuple[float, float, float, float, float]:
        return self.cams.one(self.index)

    @property
    def per_block(self) -> np.ndarray:
        return self.misfit[:, self.index]

    @property
    def total(self) -> float:
        return float(np.sum(self.per_block))

    def nearest(self, count: int) -> Candidates:
        """The candidates with the least misfit."""
        return self.cams.take(np.argsort(self.misfit.sum(axis=0), kind="stable")[:count])


def evaluate(data: Stretches, cams: Candidates) -> Fitted:
    """The misfit of every candidate, per block."""
    answer = simulate(data.command, data.first, GRID_S, cams, data.moving)
    _, count, stretches = answer.shape
    place = data.cell * (count * stretches) + data.stretch + stretches * np.arange(count)[:, None]
    flat = answer.ravel()
    residual = flat[place]
    residual += data.part * (flat[place + count * stretches] - residual)
    np.subtract(data.actual, residual, out=residual)
    # A steady offset is not the cam sticking: it is taken out before the comparison.
    residual -= np.median(residual, axis=1)[:, None]
    edges = np.concatenate([[0], np.flatnonzero(np.diff(data.block)) + 1])
    # Huber's loss: a jump missed by a moment leaves a few large residuals, which must not outweigh all the
    # rest.
    size = np.abs(residual, out=residual)
    near = np.minimum(size, data.knee_deg)
    size *= 2.0
    size -= near
    size *= near
    misfit = np.add.reduceat(size, edges, axis=1).T
    return Fitted(cams, misfit, int(np.argmin(misfit.sum(axis=0))))


def best_smooth(data: Stretches) -> Fitted:
    """The best slow but smooth cam: with a rate limit, and without, each followed from its own best start."""
    # A saturated cam shows its limit as its own top speed; between two values of a grid it would be missed.
    limits = np.unique(np.concatenate([_RATE, top_speed(data) * np.array([0.85, 0.95, 1.05, 1.2])]))
    some = data.thinned(SMOOTH_READINGS)
    with_limit = evaluate(some, product([0.0], [0.0], _TAU[:7], _DEAD, limits))
    without = evaluate(some, product([0.0], [0.0], _TAU, _DEAD, [np.inf]))
    found = (cross_entropy(some, start, SMOOTH_DRAWN) for start in (with_limit, without))
    best = min(found, key=lambda b: b.total)
    return cross_entropy(data, evaluate(data, best.nearest(ELITE)), SMOOTH_DRAWN, SETTLING)


def sticking_grid(smooth: tuple[float, ...]) -> Candidates:
    """Sticking cams as quick as the best smooth one, and quicker: sticking looks like slowness to a smooth
    fit."""
    _, _, tau, dead, rate = smooth
    lags = (
        (tau, dead, rate),
        (0.5 * tau, dead, rate),
        (tau, max(dead - 0.1, 0.0), rate),
        (tau, max(dead - 0.2, 0.0), rate),
        (0.1, 0.05, np.inf),
        (0.25, 0.1, np.inf),
    )
    parts = [product(_BAND, (0.3, 0.65, 1.0), [a], [b], [c]) for a, b, c in lags]
    return Candidates(
        *(np.concatenate([getattr(p, f) for p in parts]) for f in Candidates.__dataclass_fields__)
    )


def cross_entropy(data: Stretches, start: Fitted, drawn: int, rounds: tuple[float, ...] = WIDER) -> Fitted:
    """Draw candidates around the best ones so far, again and again; returns all that were drawn, and the
    start.

    A rate limit, or sticking, is drawn only where the best candidate of the start has it.
    """
    rng = np.random.default_rng(SEED)
    limited, sticks = bool(np.isfinite(start.parameters[4])), bool(start.parameters[0] > 0)
    everything, misfit = _coordinates(start.cams), start.misfit

    def add(coordinates: np.ndarray) -> None:
        nonlocal everything, misfit
        cams = _candidates(coordinates, limited, sticks)
        everything = np.concatenate([everything, _coordinates(cams)])
        misfit = np.concatenate([misfit, evaluate(data, cams).misfit], axis=1)

    for number, wider in enumerate(rounds):
        order = np.argsort(misfit.sum(axis=0), kind="stable")
        if sticks and number == VALLEY_AFTER:
            add(_valley(everything[order[0]], ramp_speed(data)))
            order = np.argsort(misfit.sum(axis=0), kind="stable")
        elite = everything[order[:ELITE]]
        centre = 0.5 * (elite.mean(axis=0) + elite[0])
        spread = np.cov((elite - centre).T) + np.diag((wider * CLOSEST) ** 2)
        add(rng.multivariate_normal(centre, spread, drawn, method="cholesky"))
    cams = _candidates(everything, limited, sticks)
    # The start's candidates without the best one's rate limit, or with another, are not what was simulated.
    same = np.isfinite(start.cams.rate_deg_per_s) == limited
    kept = np.concatenate([same, np.ones(len(cams) - len(same), dtype=bool)])
    cams, misfit = cams.take(kept), misfit[:, kept]
    return Fitted(cams, misfit, int(np.argmin(misfit.sum(axis=0))))


def _valley(best: np.ndarray, speed: float) -> np.ndarray:
    """Candidates (c, 5) that answer much like `best`: what a search that looks around one point may not
    reach.

    A dead time hides a stick band (the command goes on at `speed` meanwhile) and a lag hides a dead time;
    bands and jumps of one difference stand equally far behind.
    """
    band, share, tau, dead, rate = np.exp(best[0]), best[1], np.exp(best[2]), best[3], best[4]
    found = []
    for late in (0.0, 0.03, 0.06, 0.1, 0.15, 0.2, 0.27, 0.35):
        for lag in {tau, max(tau + dead - late, 0.02)}:
            for wide in {band, max(band + speed * (dead - late), 0.1)}:
                found += [(np.log(wide * f), share, np.log(lag), late, rate) for f in (0.9, 1.0, 1.1)]
    behind = band * (1.0 - share)
    for other in (0.15, 0.3, 0.45, 0.6, 0.75, 0.88):
        wide = max(behind / (1.0 - other), 0.1)
        found += [(np.log(wide), other, np.log(lag), dead, rate) for lag in (tau, 0.6 * tau)]
    return np.array(found)


def _coordinates(cams: Candidates) -> np.ndarray:
    band = np.maximum(cams.stick_band_deg, 1e-3)
    rate = np.where(np.isfinite(cams.rate_deg_per_s), np.log(np.minimum(cams.rate_deg_per_s, 1e3)), _NO_LIMIT)
    return np.column_stack(
        [np.log(band), cams.jump_deg / band, np.log(cams.time_constant_s), cams.dead_time_s, rate]
    )


def _candidates(coordinates: np.ndarray, limited: bool, sticks: bool) -> Candidates:
    band = (
        np.exp(np.clip(coordinates[:, 0], np.log(0.02), np.log(40.0)))
        if sticks
        else np.zeros(len(coordinates))
    )
    share = np.clip(coordinates[:, 1], 0.0, 1.3)
    rate = np.exp(np.clip(coordinates[:, 4], 0.0, _NO_LIMIT)) if limited else np.full(len(band), np.inf)
    tau = np.exp(np.clip(coordinates[:, 2], np.log(0.02), np.log(10.0)))
    return Candidates(band, band * share, tau, np.clip(coordinates[:, 3], 0.0, 0.5), rate)
