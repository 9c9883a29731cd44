"""Fit of the stiction model to a drive: stick band and jump, "sticking" against "slow but smooth".

Both hypotheses are fitted to the same readings of the same few stretches, so that the cost does not grow with the
length of the drive. They are compared block by block (the paired comparison of Vuong, Econometrica 57 (1989), on the
misfit), and the intervals come from a block bootstrap over all candidates tried."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.segments import GRID_S, settled_noise_deg
from camlog.analysis.estimate import Estimate, lacking, say
from camlog.analysis.sticking.model import (
    BAND,
    DEAD,
    JUMP,
    RATE,
    STRETCH_S,
    TAU,
    Stretches,
    candidates,
    choose_stretches,
    simulate,
)

SEED = 20050607  # a fixed seed: the same drive gives the same figures
WIDER = (3.0, 2.0, 2.0, 1.0, 1.0)  # least spread of the candidates drawn in each round, in units of CLOSEST
VALLEY_AFTER = 2  # rounds
# A smooth cam has few parameters: it is searched on some of the readings, and refined on all of them.
SMOOTH_DRAWN, SMOOTH_READINGS = 36, 500
SETTLING = (1.0,)
ELITE = 20
# Least spread of the drawn candidates (log stick band, jump share, log time constant, dead time in seconds, log rate
# limit). The interval comes from these candidates.
CLOSEST = np.array([0.03, 0.03, 0.08, 0.02, 0.03])

SMALLEST_BAND_DEG = 0.5
_TAU = (0.05, 0.1, 0.2, 0.35, 0.6, 1.0, 1.7, 3.0, 5.0)
_RATE = (80.0, 40.0, 20.0, 10.0)
_DEAD = (0.0, 0.1, 0.2, 0.35)
_BAND = tuple(np.geomspace(SMALLEST_BAND_DEG, 20.0, 13))
_TOP_SPEED_TIMES = np.array([0.85, 0.95, 1.05, 1.2])
_NO_LIMIT = 1000.0  # deg/s, faster than any phaser: stands for "no rate limit" where a logarithm is needed


@dataclass(frozen=True, eq=False)
class Fitted:
    """Candidate `cams` (c, 5) with their `misfit` (blocks, c), Huber's loss in square degrees."""

    cams: np.ndarray
    misfit: np.ndarray

    @cached_property
    def order(self) -> np.ndarray:
        """Indices (c,) of the candidates, the best first."""
        return np.argsort(self.misfit.sum(axis=0), kind="stable")

    @property
    def best(self) -> np.ndarray:
        return self.cams[self.order[0]]

    @property
    def per_block(self) -> np.ndarray:
        return self.misfit[:, self.order[0]]

    @property
    def total(self) -> float:
        return float(np.sum(self.per_block))


def evaluate(data: Stretches, cams: np.ndarray) -> Fitted:
    answer = simulate(data.command, data.first, GRID_S, cams, data.moving)
    _, count, stretches = answer.shape
    place = data.cell * (count * stretches) + data.stretch + stretches * np.arange(count)[:, None]
    flat = answer.ravel()
    residual = flat[place]
    residual += data.part * (flat[place + count * stretches] - residual)
    residual = data.actual - residual
    # A constant offset is no sticking, so it is removed before the comparison.
    residual -= np.median(residual, axis=1)[:, None]
    edges = np.concatenate([[0], np.flatnonzero(np.diff(data.block)) + 1])
    # Huber's loss (faster than SciPy's `huber`): a jump predicted slightly too early or late leaves a few large
    # residuals, which must not outweigh all others.
    size = np.abs(residual)
    near = np.minimum(size, data.knee_deg)
    return Fitted(cams, np.add.reduceat((2.0 * size - near) * near, edges, axis=1).T)


def best_smooth(data: Stretches) -> Fitted:
    """The best slow but smooth cam, with or without a rate limit; each is refined from its own best start."""
    # A saturated cam's limit is its own top speed, which a grid may miss between two values.
    limits = np.unique(np.concatenate([_RATE, data.top_speed() * _TOP_SPEED_TIMES]))
    sample = data.every(max(1, round(len(data.actual) / SMOOTH_READINGS)))
    grids = (candidates([0], [0], tau, _DEAD, rate) for tau, rate in ((_TAU[:7], limits), (_TAU, [np.inf])))
    fits = [cross_entropy(sample, evaluate(sample, grid), SMOOTH_DRAWN) for grid in grids]
    best = min(fits, key=lambda fit: fit.total)
    return cross_entropy(data, evaluate(data, best.cams[best.order[:ELITE]]), SMOOTH_DRAWN, SETTLING)


def sticking_grid(smooth: np.ndarray) -> np.ndarray:
    """Sticking cams as quick as the best smooth one and quicker, because a smooth fit takes sticking for slowness."""
    tau, dead, rate = smooth[[TAU, DEAD, RATE]]
    lags = [(tau, dead, rate), (0.5 * tau, dead, rate), (0.1, 0.05, np.inf), (0.25, 0.1, np.inf)]
    lags[2:2] = [(tau, max(dead - sooner, 0.0), rate) for sooner in (0.1, 0.2)]
    return np.concatenate([candidates(_BAND, (0.3, 0.65, 1.0), [a], [b], [c]) for a, b, c in lags])


def cross_entropy(data: Stretches, start: Fitted, drawn: int, rounds: tuple[float, ...] = WIDER) -> Fitted:
    """Draw candidates around the best ones so far, in rounds; returns all of them and the start. A rate limit, or
    sticking, is drawn only if the best candidate of `start` has it."""
    rng = np.random.default_rng(SEED)
    limited, sticks = bool(np.isfinite(start.best[RATE])), bool(start.best[BAND] > 0)
    # The fields of `found` hold coordinates in place of parameters until the end.
    fitted = Fitted(_coordinates(start.cams), start.misfit)

    def and_tried(coordinates: np.ndarray) -> Fitted:
        tried = evaluate(data, _cams(coordinates, limited, sticks))
        everything = np.concatenate([fitted.cams, _coordinates(tried.cams)])
        return Fitted(everything, np.concatenate([fitted.misfit, tried.misfit], axis=1))

    for number, wider in enumerate(rounds):
        if sticks and number == VALLEY_AFTER:
            fitted = and_tried(_valley(fitted.best, data.ramp_speed()))
        elite = fitted.cams[fitted.order[:ELITE]]
        centre = 0.5 * (elite.mean(axis=0) + elite[0])
        spread = np.cov((elite - centre).T) + np.diag((wider * CLOSEST) ** 2)
        fitted = and_tried(rng.multivariate_normal(centre, spread, drawn, method="cholesky"))
    # The start's candidates without the best one's rate limit, or with another, are not what was simulated.
    kept = np.ones(len(fitted.cams), dtype=bool)
    kept[: len(start.cams)] = np.isfinite(start.cams[:, RATE]) == limited
    return Fitted(_cams(fitted.cams, limited, sticks)[kept], fitted.misfit[:, kept])


def _valley(best: np.ndarray, speed: float) -> np.ndarray:
    """Coordinates (c, 5) of cams that respond much like `best` but that a search around it may not reach. A dead time
    resembles a stick band (the command goes on at `speed` meanwhile) and a lag resembles a dead time; a band and jump
    with the same difference follow at the same distance."""
    band, share, tau, dead, rate = np.exp(best[BAND]), best[JUMP], np.exp(best[TAU]), best[DEAD], best[RATE]
    valley = []
    for late in (0.0, 0.03, 0.06, 0.1, 0.15, 0.2, 0.27, 0.35):
        for lag in {tau, max(tau + dead - late, 0.02)}:
            for wide in {band, max(band + speed * (dead - late), 0.1)}:
                valley += [(np.log(wide * f), share, np.log(lag), late, rate) for f in (0.9, 1.0, 1.1)]
    for other in (0.15, 0.3, 0.45, 0.6, 0.75, 0.88):
        wide = max(band * (1.0 - share) / (1.0 - other), 0.1)
        valley += [(np.log(wide), other, np.log(lag), dead, rate) for lag in (tau, 0.6 * tau)]
    return np.array(valley)


def _coordinates(cams: np.ndarray) -> np.ndarray:
    """Search coordinates (c, 5): log stick band, jump share, log time constant, dead time, log rate limit."""
    band, jump, tau, dead, rate = cams.T
    band = np.maximum(band, 1e-3)
    rate = np.log(np.minimum(rate, _NO_LIMIT))
    return np.column_stack([np.log(band), jump / band, np.log(tau), dead, rate])


def _cams(coordinates: np.ndarray, limited: bool, sticks: bool) -> np.ndarray:
    """The candidates (c, 5) at coordinates, with a rate limit if `limited` and a stick band if `sticks`."""
    band, share, tau, dead, rate = coordinates.T
    band = np.exp(np.clip(band, np.log(0.02), np.log(40.0))) if sticks else np.zeros(len(band))
    rate = np.exp(np.clip(rate, 0.0, np.log(_NO_LIMIT))) if limited else np.full(len(band), np.inf)
    tau = np.exp(np.clip(tau, np.log(0.02), np.log(10.0)))
    return np.column_stack([band, band * np.clip(share, 0.0, 1.3), tau, np.clip(dead, 0.0, 0.5), rate])


DRAWN = 100
MIN_BLOCKS = 6
BOOTSTRAPS, PAIRED_DRAWS = 300, 3000
PRODUCT_TERMS = 200_000
# Residuals count squared up to this many sigmas (and at least this many degrees), then in proportion.
KNEE_SIGMAS, KNEE_MIN_DEG = 3.0, 0.3
# If the misfit of the smooth cam is below this many times the noise power, nothing is left to explain.
NOTHING_LEFT = 1.2
# If the sticking cams of a coarse grid explain less than this share of the smooth cam's misfit, the search ends there.
# On simulated drives no search from such a start ended with evidence for sticking.
LEADS_NOWHERE = 0.06
# Candidates whose misfits differ by less than this many readings' noise power fit equally well. Noise of neighbouring
# readings is not quite independent.
AS_GOOD_READINGS = 20.0
# The same for an interval: 95 % point of the likelihood ratio of one parameter.
ALIKE_READINGS = 3.84


@dataclass(frozen=True, slots=True)
class StickFit:
    """Result of the fit; figures are None with a reason if there was too little motion. `explained` is the share of the
    smooth cam's misfit that sticking removes, `p_smooth` the probability of that for a slow but smooth cam, `seconds`
    the time that was fitted."""

    stick_band_deg: Estimate
    jump_deg: Estimate
    explained: float | None = None
    p_smooth: float | None = None
    seconds: float = 0.0


def fit_sticking(cam: CamData, suspected: bool = True) -> StickFit:
    """Fit both hypotheses to the most informative stretches of `cam`. The band is 0, with an interval up to the largest
    that fits as well, if a smooth cam leaves hardly more than the reading's noise, or if no sticking cam of a coarse
    grid explains much and sticking is not `suspected`."""
    noise_deg = settled_noise_deg(cam)
    data = choose_stretches(cam, max(KNEE_SIGMAS * noise_deg, KNEE_MIN_DEG))
    if data is None:
        none = lacking("motion")
        return StickFit(none, none)
    readings, resolution = len(data.actual), _resolution(cam, data)
    smooth = best_smooth(data)
    rough = evaluate(data, sticking_grid(smooth.best))
    none_left = smooth.total / readings <= NOTHING_LEFT * noise_deg**2
    if none_left or not suspected and rough.total > (1.0 - LEADS_NOWHERE) * smooth.total:
        if none_left:
            as_good = rough.misfit.sum(axis=0) <= smooth.total * (1.0 + AS_GOOD_READINGS / readings)
            ends = rough.cams[as_good][:, [BAND, JUMP]].max(axis=0, initial=SMALLEST_BAND_DEG).tolist()
        else:
            ends = [estimate.high or estimate.value for estimate in _intervals(rough, readings, resolution)]
        # On a constant ramp a band cannot be distinguished from a dead time.
        hidden = data.ramp_speed() * float(smooth.best[DEAD]) + resolution
        band, jump = (Estimate(0.0, 0.0, max(end, hidden), len(smooth.per_block)) for end in ends)
        best = smooth if none_left else rough
    else:
        fitted = cross_entropy(data, rough, DRAWN)
        band, jump = _intervals(fitted, readings, resolution)
        best = min(fitted, smooth, key=lambda b: b.total)
    gain = smooth.per_block - best.per_block
    explained = float(np.sum(gain) / max(np.sum(smooth.per_block), 1e-12))
    p_smooth = 1.0 if none_left else _paired(gain, smooth.per_block, readings)
    return StickFit(band, jump, max(explained, 0.0), p_smooth, len(data.first) * STRETCH_S)


def _intervals(fitted: Fitted, readings: int, resolution_deg: float) -> list[Estimate]:
    """Stick band and jump with block-bootstrap intervals over all candidates. If a range of stick bands fits equally
    well (the command made no move between them), its middle is the value and the interval contains the range. Each
    interval is extended by what the sampling cannot resolve."""
    blocks, total, sizes = len(fitted.misfit), fitted.misfit.sum(axis=0), fitted.cams[:, [BAND, JUMP]]
    alike = sizes[total <= total.min() * (1.0 + ALIKE_READINGS / readings)]
    lowest, highest = alike.min(axis=0), alike.max(axis=0)
    middle = (0.5 * (lowest + highest)).tolist()
    if blocks < MIN_BLOCKS:
        return [Estimate(m, None, None, blocks, say("missing.motion_interval")) for m in middle]
    rng = np.random.default_rng(SEED)
    draws = rng.multinomial(blocks, np.full(blocks, 1.0 / blocks), BOOTSTRAPS).astype(float)
    # A few at a time, because one large product is split among threads, which costs more than it saves.
    parts = np.array_split(draws, max(1, BOOTSTRAPS * fitted.misfit.size // PRODUCT_TERMS))
    best = np.concatenate([np.argmin(part @ fitted.misfit, axis=1) for part in parts])
    low, high = np.quantile(sizes[best], [0.025, 0.975], axis=0)
    low = np.maximum(np.minimum(low, lowest) - resolution_deg, 0.0).tolist()
    high = (np.maximum(high, highest) + resolution_deg).tolist()
    return [Estimate(*sides, blocks) for sides in zip(middle, low, high, strict=True)]


def _resolution(cam: CamData, data: Stretches) -> float:
    """Resolution (deg): how far the command moves in three quarters of an interval, plus half a count."""
    interval = max(cam.actual_interval_s, cam.command_interval_s, GRID_S)
    counts = 0.5 * max(cam.actual_step_deg, cam.command_step_deg)
    return float(np.hypot(0.75 * data.ramp_speed() * interval, counts))


def _paired(gain: np.ndarray, misfit: np.ndarray, readings: int) -> float | None:
    """Bootstrap probability that the sticking cam's gain over the smooth one (b,) is zero or less. Two additional
    parameters gain about two readings' worth by chance. A cam sticks in few places; resampling blocks shows how much
    depends on them, which a normal approximation does not."""
    blocks = len(gain)
    if blocks < MIN_BLOCKS:
        return None
    fair = gain - 2.0 * float(np.sum(misfit - gain)) / readings / blocks
    draws = np.random.default_rng(SEED).integers(0, blocks, (PAIRED_DRAWS, blocks), dtype=np.int32)
    return float((1 + np.sum(fair[draws].sum(axis=1) <= 0.0)) / (1 + PAIRED_DRAWS))
