"""Fit of the stiction model to a drive: stick band and jump with intervals, and "sticking" against "slow
but smooth".

A few stretches with much command motion are chosen, so that cost does not grow with the length of the drive.
Both hypotheses are fitted to the same readings by least squares: a coarse grid, then the cross-entropy method
(Rubinstein, Methodology and Computing in Applied Probability 1 (1999)), which follows the valley in which
stick band, jump and lag trade against each other. They are compared block by block (the paired comparison of
Vuong, Econometrica 57 (1989), on sums of squares), and the intervals come from a block bootstrap over all
candidates tried.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.segments import GRID_S, CommandGrid
from camlog.analysis.estimate import Estimate, missing
from camlog.analysis.sticking.stickmodel import Candidates, product, simulate

STRETCH_S = 20.0
STRETCHES = 6
WARM_UP_S = 2.0  # until the model has forgotten the state it was started in
BLOCK_S = 3.0
MIN_BLOCKS = 6
# A stretch is worth fitting where the command travels this far, large moves counted as COUNTED_DEG a second.
MIN_TRAVEL_DEG = 8.0
COUNTED_DEG = 5.0
MAX_READINGS = 1800
FIRST_READINGS_S = 0.2  # the starting angle is a mean over this long
BOOTSTRAPS = 300
RAMP_MOST_DEG_PER_S = 30.0
PAIRED_DRAWS = 3000
SEED = 20050607  # the draws are part of the method: the same drive gives the same figures
WIDER = (4.0, 3.0, 2.0, 1.0, 1.0)  # how much farther than CLOSEST each round looks
DRAWN = 100
SMOOTH_DRAWN = 36
ELITE = 14
# A smooth cam that leaves no more power than this many times the noise's has left nothing to explain.
NOTHING_LEFT = 1.2
# Misfits within this many readings' worth are alike (95 % point of one parameter's likelihood ratio).
ALIKE_READINGS = 3.84
# The drawn candidates never gather closer than this (stick band share, jump share, log time constant, dead
# time in seconds, log rate limit): what is left between them is the interval.
CLOSEST = np.array([0.02, 0.02, 0.04, 0.006, 0.02])

_TAU = (0.05, 0.1, 0.2, 0.35, 0.6, 1.0, 1.7, 3.0, 5.0)
_RATE = (80.0, 40.0, 20.0, 10.0)
_DEAD = (0.0, 0.1, 0.2, 0.35)
_BAND = tuple(np.geomspace(0.5, 20.0, 13))


@dataclass(frozen=True, slots=True)
class StickFit:
    """Result of the fit; every figure None with a reason where there was too little motion.

    `explained` is the share of the smooth cam's misfit (sum of squares) that sticking removes, `p_smooth` the
    probability of that under "slow but smooth"; `residual_rms_deg` what the sticking cam leaves.
    `smooth_time_constant_s` and `smooth_rate_deg_per_s` describe the best smooth cam.
    """

    stick_band_deg: Estimate
    jump_deg: Estimate
    explained: float | None = None
    p_smooth: float | None = None
    residual_rms_deg: float | None = None
    time_constant_s: float | None = None
    dead_time_s: float | None = None
    smooth_time_constant_s: float | None = None
    smooth_rate_deg_per_s: float | None = None
    seconds: float = 0.0


@dataclass(frozen=True, eq=False)
class _Data:
    """Stretches of command (k, m), where the cam stood first (k,), and the readings (n,) to be explained,
    each with its stretch, grid position, and block."""

    command: np.ndarray
    first: np.ndarray
    stretch: np.ndarray
    cell: np.ndarray
    part: np.ndarray
    actual: np.ndarray
    block: np.ndarray


def fit_sticking(cam: CamData, grid: CommandGrid, noise_deg: float = 0.0) -> StickFit:
    """Fit both hypotheses to the stretches of `cam` that tell most.

    Where a smooth cam leaves hardly more than `noise_deg`, the reading's noise, nothing is left to be
    explained by sticking: the band is then 0, up to the largest that fits as well.
    """
    data = _choose(cam, grid)
    if data is None:
        reason = "the command moved too little to see whether the cam sticks"
        return StickFit(missing(reason), missing(reason))
    smooth = _smooth(data)
    rough = _best(data, _rough(smooth.parameters))
    if smooth.total / len(data.actual) <= NOTHING_LEFT * noise_deg**2:
        return _nothing_left(data, smooth, rough)
    fitted = _cross_entropy(data, rough, DRAWN)
    best = min(fitted, smooth, key=lambda b: b.total)
    gain = smooth.per_block - best.per_block
    explained = float(np.sum(gain) / max(np.sum(smooth.per_block), 1e-12))
    band, jump = _intervals(fitted, len(data.actual), _resolution(cam, data))
    return StickFit(
        stick_band_deg=band,
        jump_deg=jump,
        explained=max(explained, 0.0),
        p_smooth=_paired(gain, smooth.per_block, len(data.actual)),
        residual_rms_deg=float(np.sqrt(best.total / len(data.actual))),
        time_constant_s=best.parameters[2],
        dead_time_s=best.parameters[3],
        smooth_time_constant_s=smooth.parameters[2],
        smooth_rate_deg_per_s=smooth.parameters[4] if np.isfinite(smooth.parameters[4]) else None,
        seconds=len(data.first) * STRETCH_S,
    )


def _nothing_left(data: _Data, smooth: _Fitted, rough: _Fitted) -> StickFit:
    blocks = len(smooth.per_block)
    total = rough.misfit.sum(axis=0)
    # Noise of neighbouring readings is not quite independent: ten readings' worth rather than four.
    as_good = total <= smooth.total * (1.0 + 10.0 / len(data.actual))
    band = float(rough.cams.stick_band_deg[as_good].max(initial=_BAND[0]))
    jump = float(rough.cams.jump_deg[as_good].max(initial=_BAND[0]))
    rate = smooth.parameters[4]
    return StickFit(
        stick_band_deg=Estimate(0.0, 0.0, band, blocks),
        jump_deg=Estimate(0.0, 0.0, jump, blocks),
        explained=0.0,
        p_smooth=1.0,
        residual_rms_deg=float(np.sqrt(smooth.total / len(data.actual))),
        time_constant_s=smooth.parameters[2],
        dead_time_s=smooth.parameters[3],
        smooth_time_constant_s=smooth.parameters[2],
        smooth_rate_deg_per_s=rate if np.isfinite(rate) else None,
        seconds=len(data.first) * STRETCH_S,
    )


@dataclass(frozen=True, eq=False)
class _Fitted:
    """Candidates with their `misfit` (blocks, candidates), sums of squares, and the `index` of the best."""

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


def _best(data: _Data, cams: Candidates) -> _Fitted:
    answer = simulate(data.command, data.first, GRID_S, cams)
    low = answer[data.cell, data.stretch]
    high = answer[data.cell + 1, data.stretch]
    residual = data.actual[:, None] - (low + data.part[:, None] * (high - low))
    # A steady offset is not the cam sticking: it is taken out before the comparison.
    residual -= np.median(residual, axis=0)
    edges = np.concatenate([[0], np.flatnonzero(np.diff(data.block)) + 1])
    misfit = np.add.reduceat(residual**2, edges, axis=0)
    return _Fitted(cams, misfit, int(np.argmin(misfit.sum(axis=0))))


def _choose(cam: CamData, grid: CommandGrid) -> _Data | None:
    length = round(STRETCH_S / GRID_S)
    count = len(grid.command_deg) // length
    if not count or len(cam.actual_deg) < 20:
        return None
    tiles = grid.command_deg[: count * length].reshape(count, length)
    whole = grid.known[: count * length].reshape(count, length).mean(axis=1) > 0.98
    second = round(1.0 / GRID_S)
    travel = np.minimum(np.abs(np.diff(tiles[:, ::second], axis=1)), COUNTED_DEG).sum(axis=1)
    useful = np.flatnonzero(whole & (travel >= MIN_TRAVEL_DEG))
    useful = np.sort(useful[np.argsort(-travel[useful], kind="stable")[:STRETCHES]])
    t = cam.actual_time_s
    pieces = []
    command, first = [], []
    for tile in useful:
        start_s = grid.start_s + tile * length * GRID_S
        a, b = np.searchsorted(t, [start_s, start_s + (length - 1) * GRID_S])
        if b - a < 20 or np.max(np.diff(t[a:b])) > 2.0 * cam.actual_max_gap_s:
            continue
        keep = np.arange(a, b)[t[a:b] >= start_s + WARM_UP_S]
        where = (t[keep] - start_s) / GRID_S
        cell = np.minimum(where.astype(np.int64), length - 2)
        block = len(first) * 1000 + ((t[keep] - start_s) / BLOCK_S).astype(np.int64)
        pieces.append((np.full(len(keep), len(first)), cell, where - cell, cam.actual_deg[keep], block))
        command.append(tiles[tile])
        first.append(
            float(np.mean(cam.actual_deg[a : max(np.searchsorted(t, t[a] + FIRST_READINGS_S), a + 1)]))
        )
    if not pieces:
        return None
    stride = max(1, -(-sum(len(p[0]) for p in pieces) // MAX_READINGS))
    stretch, cell, part, actual, block = (np.concatenate(p)[::stride] for p in zip(*pieces, strict=True))
    return _Data(np.array(command), np.array(first), stretch, cell, part, actual, block)


def _smooth(data: _Data) -> _Fitted:
    """The best slow but smooth cam: with a rate limit, and without, each followed from its own best start."""
    # A saturated cam shows its limit as its own top speed; between two values of a grid it would be missed.
    limits = np.unique(np.concatenate([_RATE, _top_speed(data) * np.array([0.85, 0.95, 1.05, 1.2])]))
    with_limit = _best(data, product([0.0], [0.0], _TAU[:7], _DEAD, limits))
    without = _best(data, product([0.0], [0.0], _TAU, _DEAD, [np.inf]))
    found = [_cross_entropy(data, start, SMOOTH_DRAWN) for start in (with_limit, without)]
    return min(found, key=lambda b: b.total)


def _top_speed(data: _Data) -> float:
    """Speed (deg/s) the cam exceeds for one twentieth of the time, over half a second."""
    cells = round(0.5 / GRID_S)
    speeds = []
    for number in range(len(data.first)):
        here = data.stretch == number
        at = np.arange(data.cell[here][0], data.cell[here][-1])
        angle = np.interp(at, data.cell[here] + data.part[here], data.actual[here])
        speeds.append(np.abs(angle[cells:] - angle[:-cells]) / (cells * GRID_S))
    return max(float(np.quantile(np.concatenate(speeds), 0.95)), 1.0)


def _rough(smooth: tuple[float, ...]) -> Candidates:
    """Sticking cams as quick as the best smooth one, and quicker: sticking looks like slowness to a smooth
    fit."""
    _, _, tau, dead, rate = smooth
    lags = ((tau, dead, rate), (0.5 * tau, dead, rate), (0.1, 0.05, np.inf), (0.25, 0.1, np.inf))
    parts = [product(_BAND, (0.2, 0.5, 0.8, 1.0), [a], [b], [c]) for a, b, c in lags]
    return Candidates(
        *(np.concatenate([getattr(p, f) for p in parts]) for f in Candidates.__dataclass_fields__)
    )


def _cross_entropy(data: _Data, start: _Fitted, drawn: int) -> _Fitted:
    """Draw candidates around the best ones so far, again and again; returns all that were drawn, and the
    start.

    A rate limit, or sticking, is drawn only where the best candidate of the start has it.
    """
    rng = np.random.default_rng(SEED)
    limited, sticks = bool(np.isfinite(start.parameters[4])), bool(start.parameters[0] > 0)
    everything, misfit = _coordinates(start.cams), start.misfit
    for wider in WIDER:
        order = np.argsort(misfit.sum(axis=0), kind="stable")
        elite = everything[order[:ELITE]]
        centre = 0.5 * (elite.mean(axis=0) + elite[0])
        spread = np.cov((elite - centre).T) + np.diag((wider * CLOSEST) ** 2)
        cams = _candidates(rng.multivariate_normal(centre, spread, drawn, method="cholesky"), limited, sticks)
        everything = np.concatenate([everything, _coordinates(cams)])
        misfit = np.concatenate([misfit, _best(data, cams).misfit], axis=1)
    cams = _candidates(everything, limited, sticks)
    # The start's candidates without the best one's rate limit, or with another, are not what was simulated.
    same = np.isfinite(start.cams.rate_deg_per_s) == limited
    kept = np.concatenate([same, np.ones(len(cams) - len(same), dtype=bool)])
    cams = Candidates(*(getattr(cams, f)[kept] for f in Candidates.__dataclass_fields__))
    misfit = misfit[:, kept]
    return _Fitted(cams, misfit, int(np.argmin(misfit.sum(axis=0))))


_NO_LIMIT = np.log(1000.0)  # degrees a second no phaser reaches: stands for "no rate limit" among logarithms


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


def _intervals(fitted: _Fitted, readings: int, resolution_deg: float) -> tuple[Estimate, Estimate]:
    """Stick band and jump with block-bootstrap intervals over all candidates.

    Where the command left a range of stick bands equally good (no move between them), its middle is given
    and the interval holds all of it. Beyond that an interval reaches by what the sampling cannot resolve.
    """
    blocks = len(fitted.misfit)
    band, jump = fitted.cams.stick_band_deg, fitted.cams.jump_deg
    total = fitted.misfit.sum(axis=0)
    alike = total <= total.min() * (1.0 + ALIKE_READINGS / readings)
    if blocks < MIN_BLOCKS:
        return tuple(
            Estimate(_middle(v[alike]), None, None, blocks, "too little motion for an interval")
            for v in (band, jump)
        )
    rng = np.random.default_rng(SEED)
    draws = rng.multinomial(blocks, np.full(blocks, 1.0 / blocks), BOOTSTRAPS)
    best = np.argmin(draws @ fitted.misfit, axis=1)
    return tuple(_interval(v[best], v[alike], blocks, resolution_deg) for v in (band, jump))


def _middle(value: np.ndarray) -> float:
    return float(0.5 * (value.min() + value.max()))


def _interval(drawn: np.ndarray, alike: np.ndarray, blocks: int, resolution_deg: float) -> Estimate:
    low, high = np.quantile(drawn, [0.025, 0.975])
    low, high = min(low, alike.min()) - resolution_deg, max(high, alike.max()) + resolution_deg
    return Estimate(_middle(alike), float(max(low, 0.0)), float(high), blocks)


def _resolution(cam: CamData, data: _Data) -> float:
    """How far the command moves in three quarters of a sampling interval, and half a count of either angle,
    in degrees."""
    slope = np.abs(np.diff(data.command, axis=1)) / GRID_S
    # A step passes the band in no time at all; only while the command ramps does timing matter.
    moving = slope[(slope > 1.0) & (slope < RAMP_MOST_DEG_PER_S)]
    speed = float(np.median(moving)) if len(moving) else 0.0
    interval = max(cam.actual_interval_s, cam.command_interval_s, GRID_S)
    return float(np.hypot(0.75 * speed * interval, 0.5 * max(cam.actual_step_deg, cam.command_step_deg)))


def _paired(gain: np.ndarray, misfit: np.ndarray, readings: int) -> float | None:
    """Bootstrap probability that the sticking cam's gain over the smooth one (b,) is none at all.

    Two parameters more gain about two readings' worth of misfit by themselves. A cam sticks in few places,
    so the gain lies in few blocks: drawing blocks says how much hangs on them, which a normal approximation
    does not.
    """
    blocks = len(gain)
    if blocks < MIN_BLOCKS:
        return None
    fair = gain - 2.0 * float(np.sum(misfit - gain)) / readings / blocks
    draws = np.random.default_rng(SEED).multinomial(blocks, np.full(blocks, 1.0 / blocks), PAIRED_DRAWS)
    return float((1 + np.sum(draws @ fair <= 0.0)) / (1 + PAIRED_DRAWS))
