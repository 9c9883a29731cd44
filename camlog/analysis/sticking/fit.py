"""Fit of the stiction model to a drive: stick band and jump, "sticking" against "slow but smooth".

Both hypotheses are fitted to the same readings of the same few stretches (`stretches`, `search`), so that
cost does not grow with the length of the drive. They are compared block by block (the paired comparison of
Vuong, Econometrica 57 (1989), on the misfit), and the intervals come from a block bootstrap over all
candidates tried.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.segments import GRID_S, settled_noise_deg
from camlog.analysis.estimate import Estimate, missing
from camlog.analysis.sticking.model import BAND, DEAD, JUMP
from camlog.analysis.sticking.search import (
    SEED,
    SMALLEST_BAND_DEG,
    Fitted,
    best_smooth,
    cross_entropy,
    evaluate,
    sticking_grid,
)
from camlog.analysis.sticking.stretches import STRETCH_S, Stretches, choose_stretches

DRAWN = 100
MIN_BLOCKS = 6
BOOTSTRAPS, PAIRED_DRAWS = 300, 3000
PRODUCT_TERMS = 200_000
# Residuals count squared up to here, then in proportion.
KNEE_SIGMAS, KNEE_MIN_DEG = 3.0, 0.3
# A smooth cam that leaves no more power than this many times the noise's has left nothing to explain.
NOTHING_LEFT = 1.2
# Sticking cams of a coarse grid that explain less than this of what the smooth one leaves lead nowhere: on
# simulated drives no search from there came to what speaks for sticking.
LEADS_NOWHERE = 0.06
# Noise of neighbouring readings is not quite independent: misfits within this many readings' worth are as
# good.
AS_GOOD_READINGS = 20.0
# Misfits within this many readings' worth are alike (95 % point of one parameter's likelihood ratio).
ALIKE_READINGS = 3.84


@dataclass(frozen=True, slots=True)
class StickFit:
    """Result of the fit; every figure None with a reason where there was too little motion.

    `explained` is the share of the smooth cam's misfit that sticking removes, `p_smooth` the probability of
    that under "slow but smooth", `seconds` how much of the drive was fitted.
    """

    stick_band_deg: Estimate
    jump_deg: Estimate
    explained: float | None = None
    p_smooth: float | None = None
    seconds: float = 0.0


def fit_sticking(cam: CamData, suspected: bool = True) -> StickFit:
    """Fit both hypotheses to the stretches of `cam` that tell most.

    Where a smooth cam leaves hardly more than the reading's noise, the band is 0, up to the largest that fits
    as well; also where no sticking cam of a coarse grid explains more than a little, unless sticking is
    `suspected` anyway.
    """
    noise_deg = settled_noise_deg(cam)
    data = choose_stretches(cam, max(KNEE_SIGMAS * noise_deg, KNEE_MIN_DEG))
    if data is None:
        none = missing("the command moved too little to see whether the cam sticks")
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
            ends = [found.high or found.value for found in _intervals(rough, readings, resolution)]
        # A constant ramp cannot tell a band from the dead time it costs.
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
    """Stick band and jump with block-bootstrap intervals over all candidates.

    Where the command left a range of stick bands equally good (no move between them), its middle is given and
    the interval holds all of it. Beyond that an interval reaches by what the sampling cannot resolve.
    """
    blocks, total, sizes = len(fitted.misfit), fitted.misfit.sum(axis=0), fitted.cams[:, [BAND, JUMP]]
    alike = sizes[total <= total.min() * (1.0 + ALIKE_READINGS / readings)]
    lowest, highest = alike.min(axis=0), alike.max(axis=0)
    middle = (0.5 * (lowest + highest)).tolist()
    if blocks < MIN_BLOCKS:
        return [Estimate(m, None, None, blocks, "too little motion for an interval") for m in middle]
    rng = np.random.default_rng(SEED)
    draws = rng.multinomial(blocks, np.full(blocks, 1.0 / blocks), BOOTSTRAPS).astype(float)
    # A few at a time: one large product is handed to several threads, which costs more than it saves.
    parts = np.array_split(draws, max(1, BOOTSTRAPS * fitted.misfit.size // PRODUCT_TERMS))
    best = np.concatenate([np.argmin(part @ fitted.misfit, axis=1) for part in parts])
    low, high = np.quantile(sizes[best], [0.025, 0.975], axis=0)
    low = np.maximum(np.minimum(low, lowest) - resolution_deg, 0.0).tolist()
    high = (np.maximum(high, highest) + resolution_deg).tolist()
    return [Estimate(*sides, blocks) for sides in zip(middle, low, high, strict=True)]


def _resolution(cam: CamData, data: Stretches) -> float:
    """How far (deg) the command moves in three quarters of an interval, and half a count."""
    interval = max(cam.actual_interval_s, cam.command_interval_s, GRID_S)
    counts = 0.5 * max(cam.actual_step_deg, cam.command_step_deg)
    return float(np.hypot(0.75 * data.ramp_speed() * interval, counts))


def _paired(gain: np.ndarray, misfit: np.ndarray, readings: int) -> float | None:
    """Bootstrap probability that the sticking cam's gain over the smooth one (b,) is none at all.

    Two parameters more gain about two readings' worth by themselves. A cam sticks in few places: drawing
    blocks says how much hangs on them, which a normal approximation does not.
    """
    blocks = len(gain)
    if blocks < MIN_BLOCKS:
        return None
    fair = gain - 2.0 * float(np.sum(misfit - gain)) / readings / blocks
    draws = np.random.default_rng(SEED).integers(0, blocks, (PAIRED_DRAWS, blocks), dtype=np.int32)
    return float((1 + np.sum(fair[draws].sum(axis=1) <= 0.0)) / (1 + PAIRED_DRAWS))
