"""First order plus dead time with a rate limit, fitted to all moves of the command at once.

    dx/dt = (u(t) - x) / tau,  limited to -retard_slew .. +advance_slew;   y(t) = gain * x(t - Td) + offset

u is the command, linear between its readings; y is compared with the actual angle at the actual's own times. The lag is
propagated exactly between points of an even fine grid, for all blocks and trial parameters together. Gain and one
offset a block are linear and eliminated in each step (variable projection, Golub & Pereyra 1973). A new dead time only
shifts the propagated state. The rest is Levenberg-Marquardt. Intervals come from the cluster-robust sandwich over
blocks (Liang & Zeger 1986), the limit of a one-step block bootstrap."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.estimate import Estimate, missing, t_quantile
from camlog.analysis.response import fopdt_search as search
from camlog.analysis.response import say
from camlog.analysis.response.fit_blocks import LENGTHS, FitBlocks, fit_blocks
from camlog.analysis.response.step_pool import at_least
from camlog.analysis.response.steps import command_moves

SLOW_PART = 0.18  # a lag above this part of a block is still settling when the block ends
FOLLOWS_R2 = 0.6  # below this the model does not describe the cam and its times are not used
GOOD_R2 = 0.9  # from this on the model describes the cam well
BLOCKS_MIN = 3
SLEW_READINGS = 2.0  # a move at the limit must last this many readings for its speed to be measured
COARSE_DOUBT = 0.1
MOVE_BAND_DEG = 0.5  # within 0.2 s, so that ramps from 2.5 deg/s on count as moves


@dataclass(frozen=True, slots=True)
class FopdtFit:
    """The continuous fit of one cam: `gain` (deg per deg), `time_constant` and `dead_time` (s), `lag` their sum (known
    even if the two cannot be separated), `slew_advance` and `slew_retard` (deg/s). `r2` is the share of the motion
    explained, `blocks` the number of blocks fitted."""

    gain: Estimate
    time_constant: Estimate
    dead_time: Estimate
    lag: Estimate
    slew_advance: Estimate
    slew_retard: Estimate
    r2: float | None = None
    blocks: int = 0
    resolution_s: float | None = None

    @property
    def first_order(self) -> tuple[float, float, float] | None:
        """Gain (deg per deg), dead time and time constant (s) if they describe the cam well, else None."""
        gain, lag, tau = self.gain.value, self.lag.value, self.time_constant.value
        if gain is None or lag is None or tau is None or (self.r2 or 0.0) < GOOD_R2:
            return None
        return gain, max(0.0, lag - tau), tau

    def t63_s(self, size_deg: float) -> float | None:
        """T63 (s) by the fit for a sudden step of `size_deg` (signed command degrees); None without a fit."""
        gain, lag, tau = self.gain.value, self.lag.value, self.time_constant.value
        if gain is None or lag is None or tau is None:
            return None
        slew = (self.slew_advance if size_deg > 0 else self.slew_retard).value
        dead, size = lag - tau, abs(size_deg * gain)
        if slew is None or slew * tau >= size:
            return dead + tau
        end = np.exp(-1.0) * size
        # At full speed until the lag alone is slower, or until 63 % is passed.
        turn = max(slew * tau, end)
        return float(dead + (size - turn) / slew + tau * np.log(turn / end))


def _no_fit(reason: str, blocks: int = 0) -> FopdtFit:
    none = missing(reason, blocks)
    return FopdtFit(none, none, none, none, none, none, blocks=blocks)


class ResponseFit:
    """The fit over the drive (`overall`) and, from the same blocks, over parts of it (`part`). Poor data raises
    nothing: its figures are None with a reason."""

    def __init__(self, cam: CamData):
        self._theta: search.Theta | None = None
        self.blocks: FitBlocks | None = None
        moves = command_moves(cam, max(MOVE_BAND_DEG, 1.5 * cam.command_step_deg))
        if not len(moves):
            self.overall = _no_fit(say("fit.still"))
            return
        for length in LENGTHS:
            blocks = fit_blocks(cam, moves, length)
            if len(blocks) < BLOCKS_MIN:
                break
            self.blocks, best = blocks, search.best_fit(blocks)
            theta = self._theta = best.theta
            # A cam that is still settling when its blocks end needs longer ones.
            slewing_s = blocks.usual_move_deg / np.exp(min(theta.log_up, theta.log_down))
            if max(theta.dead + np.exp(theta.log_tau), slewing_s) < SLOW_PART * blocks.length_s:
                break
        if self.blocks is None:
            self.overall = _no_fit(say("fit.few", blocks=len(blocks), needed=BLOCKS_MIN), len(blocks))
        else:
            self.overall = _result(self.blocks, best)

    def part(self, mask: np.ndarray, where: str) -> FopdtFit:
        """The fit over the blocks where `mask` (blocks,) is True, starting from the fit of the whole drive."""
        if self.blocks is None or self._theta is None:
            return _no_fit(self.overall.time_constant.reason)
        count = int(np.sum(mask))
        if count < BLOCKS_MIN:
            return _no_fit(say("fit.few_here", where=where, blocks=count, needed=BLOCKS_MIN), count)
        blocks = self.blocks.take(np.flatnonzero(mask))
        return _result(blocks, search.refine(blocks, self._theta, self._theta.searched, search.REFINE_ITERATIONS))


def _result(blocks: FitBlocks, best: search.FitState) -> FopdtFit:
    n, theta, free, gain = len(blocks), best.theta, best.theta.searched, best.gain
    jacobian = best.jacobian[[0, *(1 + best.free.index(i) for i in free)]]
    w = blocks.parts.spread(best.weight)
    total = float(np.sum(w * blocks.centred_actual**2))
    r2 = max(0.0, 1.0 - float(np.sum(w * best.residual**2)) / total) if total > 0 else 0.0
    covariance = _covariance(blocks, best.residual, jacobian, w)
    t = t_quantile(max(n - 1.0 - len(free), 1.0))
    error = np.sqrt(np.maximum(np.diag(covariance), 0.0)) * t
    gain_estimate = Estimate(gain, gain - error[0], gain + error[0], n)
    if r2 < FOLLOWS_R2 or gain <= 0:
        how = "fit.against" if gain < 0 and r2 >= FOLLOWS_R2 else "fit.unfollowed"
        unknown = _no_fit(say(how, explained=100 * r2 * (gain > 0)), n)
        return replace(unknown, gain=gain_estimate, r2=r2, resolution_s=blocks.resolution_s)
    tau, dead = float(np.exp(theta.log_tau)), theta.dead
    timing = _locked_variance(blocks, best.residual, jacobian, w)
    # Linear interpolation rounds a ramp's corners by up to interval^2/6, which looks like lag.
    corners = blocks.command_interval_s**2 / (6.0 * tau) * (1.0 - blocks.jumps)
    corners += blocks.grid_s**2 / (4.0 * tau)
    dead_error = float(np.sqrt(error[1] ** 2 + t * t * timing)) + corners
    lag_variance = covariance[1, 1] + tau * tau * covariance[2, 2] + 2.0 * tau * covariance[1, 2] + timing
    # The dead time makes up for what rounding adds to the lag, except for about a third.
    lag_error = t * float(np.sqrt(max(lag_variance, 0.0))) + corners / 3.0
    lag = Estimate(dead + tau, max(0.0, dead + tau - lag_error), dead + tau + lag_error, n)
    # A time constant shorter than two intervals is uncertain, because the shape of the move is not sampled.
    coarse = COARSE_DOUBT * max(0.0, blocks.resolution_s / tau - 0.5)
    factor = float(np.exp(min(error[2] + corners / tau + coarse, 5.0)))
    constant = Estimate(tau, tau / factor, tau * factor, n)
    if tau <= 1.05 * search.TAU_S[0]:
        constant = Estimate(None, 0.0, lag.high, n, say("fit.too_short"))
    elif tau >= 0.95 * search.TAU_S[1]:
        constant = Estimate(None, tau / factor, None, n, say("fit.too_long", longest=search.TAU_S[1]))
    dead_time = Estimate(dead, max(0.0, dead - dead_error), dead + dead_error, n)
    doubts = (float(error[1 + free.index(i)]) if i in free else None for i in (2, 3))
    limits = np.exp(theta.vector[2:]).tolist()
    up, down = (_slew(blocks, gain, *each) for each in zip(limits, doubts, best.fastest, strict=True))
    dead_time = at_least(dead_time, dead, blocks.resolution_s)
    return FopdtFit(gain_estimate, constant, dead_time, lag, up, down, r2, n, blocks.resolution_s)


def _slew(blocks: FitBlocks, gain: float, slew: float, log_error: float | None, fastest: float) -> Estimate:
    """The slew limit, if the cam reached it; `slew` and `fastest` in deg/s at unit gain. `log_error` is None where no
    limit was searched."""
    slew, reached, move_deg = slew * gain, fastest * gain, blocks.usual_move_deg * gain
    if log_error is not None and move_deg < SLEW_READINGS * blocks.resolution_s * slew:
        return missing(say("fit.few_readings", resolution=blocks.resolution_s), len(blocks))
    if log_error is None or log_error > 1.0 or reached < 0.9 * slew:
        return missing(say("fit.no_limit", speed=reached), len(blocks))
    factor = float(np.exp(log_error))
    return Estimate(slew, slew / factor, slew * factor, len(blocks))


def _covariance(blocks: FitBlocks, residual: np.ndarray, jacobian: np.ndarray, w: np.ndarray) -> np.ndarray:
    n, p = len(blocks), len(jacobian)
    normal = search.products(jacobian, w)
    scale = np.sqrt(np.diag(normal)) + 1e-12
    inverse = np.linalg.pinv(normal / np.outer(scale, scale), rcond=1e-10) / np.outer(scale, scale)
    score = blocks.parts.sum(jacobian * w * residual)
    sandwich = inverse @ (score @ score.T) @ inverse * n / max(n - p, 1.0)
    # With hardly more blocks than parameters the scores sum to zero by construction, so their scatter is too small.
    model_variance = inverse * (float(np.sum(w * residual**2)) / max(len(residual) - n - p, 1))
    larger = np.maximum(np.diag(sandwich), np.diag(model_variance))
    ratio = np.sqrt(larger / np.maximum(np.diag(sandwich), 1e-300))
    return sandwich * np.outer(ratio, ratio)


def _locked_variance(blocks: FitBlocks, residual: np.ndarray, jacobian: np.ndarray, w: np.ndarray) -> float:
    """Variance (s^2) due to the unknown time of a step between two command readings, as far as the scatter of blocks
    does not show it. If sampling is locked to the command, every step has the same place in the interval, which is a
    common error of all blocks."""
    unknown = blocks.command_interval_s**2 / 12.0 * blocks.jumps
    power = blocks.parts.sum(w * jacobian[1] ** 2)
    shift = blocks.parts.sum(w * jacobian[1] * residual) / np.where(power > 0, power, np.inf)
    visible = float(np.sum(power * shift**2) / max(np.sum(power), 1e-12))
    # The moves of one block have different places in the interval; a block shows their mean.
    return max(0.0, unknown - blocks.moves * visible)
