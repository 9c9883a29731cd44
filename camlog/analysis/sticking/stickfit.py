"""Fit of the stiction model to a drive: stick band and jump with intervals, "sticking" against "slow but
smooth".

Both hypotheses are fitted to the same readings of the same few stretches (`stretches`, `search`), so that
cost does not grow with the length of the drive. They are compared block by block (the paired comparison of
Vuong, Econometrica 57 (1989), on the misfit), and the intervals come from a block bootstrap over all
candidates tried.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.segments import GRID_S, CommandGrid
from camlog.analysis.estimate import Estimate, missing
from camlog.analysis.sticking.search import (
    SEED,
    SMALLEST_BAND_DEG,
    Fitted,
    best_smooth,
    cross_entropy,
    evaluate,
    sticking_grid,
)
from camlog.analysis.sticking.stretches import STRETCH_S, Stretches, choose_stretches, ramp_speed

DRAWN = 100
MIN_BLOCKS = 6
BOOTSTRAPS = 300
PAIRED_DRAWS = 3000
PRODUCT_TERMS = 200_000
# Residuals count squared up to here, then in proportion.
KNEE_SIGMAS = 3.0
KNEE_MIN_DEG = 0.3
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

    `explained` is the share of the smooth cam's misfit that sticking removes, `p_smooth` the
    probability of that under "slow but smooth"; `residual_rms_deg` what the better of the two leaves.
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


def fit_sticking(cam: CamData, grid: CommandGrid, noise_deg: float = 0.0, suspected: bool = True) -> StickFit:
    """Fit both hypotheses to the stretches of `cam` that tell most.

    Where a smooth cam leaves hardly more than `noise_deg`, the reading's noise, nothing is left to be
    explained by sticking: the band is then 0, up to the largest that fits as well. The same where no sticking
    cam of a coarse grid explains more than a little, unless sticking is `suspected` for another reason.
    """
    data = choose_stretches(cam, grid, max(KNEE_SIGMAS * noise_deg, KNEE_MIN_DEG))
    if data is None:
        reason = "the command moved too little to see whether the cam sticks"
        return StickFit(missing(reason), missing(reason))
    smooth = best_smooth(data)
    rough = evaluate(data, sticking_grid(smooth.parameters))
    none_left = smooth.total / len(data.actual) <= NOTHING_LEFT * noise_deg**2
    if none_left or not suspected and rough.total > (1.0 - LEADS_NOWHERE) * smooth.total:
        return _none_found(cam, data, smooth, rough, none_left)
    fitted = cross_entropy(data, rough, DRAWN)
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


def _none_found(cam: CamData, data: Stretches, smooth: Fitted, rough: Fitted, none_left: bool) -> StickFit:
    blocks, readings = len(smooth.per_block), len(data.actual)
    gain = np.zeros(blocks) if none_left else smooth.per_block - rough.per_block
    explained = max(float(np.sum(gain) / max(np.sum(smooth.per_block), 1e-12)), 0.0)
    if none_left:
        total = rough.misfit.sum(axis=0)
        as_good = total <= smooth.total * (1.0 + AS_GOOD_READINGS / readings)
        ends = [
            float(v[as_good].max(initial=SMALLEST_BAND_DEG))
            for v in (rough.cams.stick_band_deg, rough.cams.jump_deg)
        ]
    else:
        ends = [found.high or found.value for found in _intervals(rough, readings, _resolution(cam, data))]
    # A constant ramp cannot tell a band from the dead time it costs.
    hidden = ramp_speed(data) * smooth.parameters[3] + _resolution(cam, data)
    rate = smooth.parameters[4]
    band, jump = (Estimate(0.0, 0.0, max(end, hidden), blocks) for end in ends)
    return StickFit(
        stick_band_deg=band,
        jump_deg=jump,
        explained=explained,
        p_smooth=1.0 if none_left else _paired(gain, smooth.per_block, readings),
        residual_rms_deg=float(np.sqrt(smooth.total / readings)),
        time_constant_s=smooth.parameters[2],
        dead_time_s=smooth.parameters[3],
        smooth_time_constant_s=smooth.parameters[2],
        smooth_rate_deg_per_s=rate if np.isfinite(rate) else None,
        seconds=len(data.first) * STRETCH_S,
    )


def _intervals(fitted: Fitted, readings: int, resolution_deg: float) -> tuple[Estimate, Estimate]:
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
    draws = rng.multinomial(blocks, np.full(blocks, 1.0 / blocks), BOOTSTRAPS).astype(float)
    # A few at a time: one large product is handed to several threads, which costs more than it saves.
    parts = np.array_split(draws, max(1, BOOTSTRAPS * fitted.misfit.size // PRODUCT_TERMS))
    best = np.concatenate([np.argmin(part @ fitted.misfit, axis=1) for part in parts])
    return tuple(_interval(v[best], v[alike], blocks, resolution_deg) for v in (band, jump))


def _middle(value: np.ndarray) -> float:
    return float(0.5 * (value.min() + value.max()))


def _interval(drawn: np.ndarray, alike: np.ndarray, blocks: int, resolution_deg: float) -> Estimate:
    low, high = np.quantile(drawn, [0.025, 0.975])
    low, high = min(low, alike.min()) - resolution_deg, max(high, alike.max()) + resolution_deg
    return Estimate(_middle(alike), float(max(low, 0.0)), float(high), blocks)


def _resolution(cam: CamData, data: Stretches) -> float:
    """How far the command moves in three quarters of a sampling interval, and half a count of either angle,
    in degrees."""
    speed = ramp_speed(data)
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
    draws = np.random.default_rng(SEED).integers(0, blocks, (PAIRED_DRAWS, blocks), dtype=np.int32)
    return float((1 + np.sum(fair[draws].sum(axis=1) <= 0.0)) / (1 + PAIRED_DRAWS))
