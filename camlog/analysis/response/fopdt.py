"""First order plus dead time with a rate limit, fitted to all moves of the command at once.

    dx/dt = (u(t) - x) / tau,  limited to -retard_slew .. +advance_slew;   y(t) = gain * x(t - Td) + offset

u is the command, linear between its readings; y is compared with the actual angle at the actual's own times.
Between points of an even fine grid the lag is propagated exactly; all blocks and all trial parameters are
propagated together. Gain and one offset a block are linear and eliminated in each step (variable projection,
Golub & Pereyra 1973); dead time needs no new propagation, only a shifted reading of it; the rest is
Levenberg-Marquardt. Intervals are the cluster-robust sandwich over blocks (Liang & Zeger 1986), the limit of
a one-step block bootstrap.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.estimate import Estimate, missing, t_quantile
from camlog.analysis.response.fit_blocks import LENGTHS, FitBlocks, fit_blocks
from camlog.analysis.response.fopdt_search import (
    REFINE_ITERATIONS,
    TAU_S,
    FitState,
    Theta,
    best_fit,
    products,
    refine,
    searched,
)
from camlog.analysis.response.steps import command_moves, count_of

# A lag of this part of a block is still settling when it ends.
SLOW_PART = 0.18
# Below this the model does not describe the cam, and its times mean nothing.
FOLLOWS_R2 = 0.6
BLOCKS_MIN = 3
# A move at the limit must last this many readings for its speed to be seen.
SLEW_READINGS = 2.0
COARSE_DOUBT = 0.1
# Within 0.2 s: ramps of 2.5 deg/s and more still tell the lag.
MOVE_BAND_DEG = 0.5


@dataclass(frozen=True, slots=True)
class FopdtFit:
    """The continuous fit of one cam.

    `gain` (deg per deg), `time_constant` and `dead_time` (s), `lag` their sum (known where the two are not
    told apart), `offset` (deg, actual minus gain times command), `slew_advance` and `slew_retard` (deg/s).
    `r2` is the share of the motion explained, `residual_rms_deg` what is left; `blocks` were fitted,
    `readings` in all.
    """

    gain: Estimate
    time_constant: Estimate
    dead_time: Estimate
    lag: Estimate
    offset: Estimate
    slew_advance: Estimate
    slew_retard: Estimate
    r2: float | None = None
    residual_rms_deg: float | None = None
    blocks: int = 0
    readings: int = 0
    resolution_s: float | None = None

    def t63_s(self, size_deg: float) -> float | None:
        """T63 the fit gives a sudden step of `size_deg` (signed command degrees); None where it has none."""
        if self.time_constant.value is None or self.lag.value is None:
            return None
        tau = self.time_constant.value
        slew = (self.slew_advance if size_deg > 0 else self.slew_retard).value
        dead = self.lag.value - tau
        size = abs(size_deg) * abs(self.gain.value)
        if slew is None or slew * tau >= size:
            return dead + tau
        end = np.exp(-1.0) * size
        # At full speed until the lag alone is slower, or until 63 % is passed.
        turn = max(slew * tau, end)
        return float(dead + (size - turn) / slew + tau * np.log(turn / end))


def no_fit(reason: str, blocks: int = 0, readings: int = 0) -> FopdtFit:
    """A fit without figures."""
    none = missing(reason, blocks)
    return FopdtFit(none, none, none, none, none, none, none, blocks=blocks, readings=readings)


def fit_response(cam: CamData) -> FopdtFit:
    """Fit the whole drive. Never raises for poor data: figures are then None with a reason."""
    return ResponseFit(cam).overall


class ResponseFit:
    """The fit over the drive (`overall`) and, from the same blocks, over parts of it (`part`)."""

    def __init__(self, cam: CamData):
        self._cam = cam
        self._moves = command_moves(cam, max(MOVE_BAND_DEG, 1.5 * count_of(cam.command_step_deg)))
        self._theta: Theta | None = None
        self.blocks: FitBlocks | None = None
        self.overall = self._fit()

    def part(self, mask: np.ndarray, where: str) -> FopdtFit:
        """The fit over the blocks where `mask` (blocks,) is true, starting from the whole drive's answer."""
        if self.blocks is None or self._theta is None:
            return no_fit(self.overall.time_constant.reason or "no fit over the whole drive")
        count = int(np.sum(mask))
        if count < BLOCKS_MIN:
            return no_fit(f"stretches with a moving command {where}: {count}, {BLOCKS_MIN} needed", count)
        blocks = self.blocks.take(mask)
        return _result(blocks, refine(blocks, self._theta, searched(self._theta), REFINE_ITERATIONS))

    def _fit(self) -> FopdtFit:
        if not len(self._moves):
            return no_fit("the command did not move, or crept")
        blocks = fit_blocks(self._cam, self._moves, LENGTHS[0])
        if len(blocks) < BLOCKS_MIN:
            return no_fit(
                f"stretches with a moving command and enough readings: {len(blocks)}, {BLOCKS_MIN} needed",
                len(blocks),
            )
        best = best_fit(blocks)
        # A cam still settling when its blocks end wants longer ones.
        for length in LENGTHS[1:]:
            theta = best.theta
            needed = max(theta.dead + np.exp(theta.log_tau), _slowest_s(theta, blocks))
            if needed < SLOW_PART * blocks.length_s:
                break
            longer = fit_blocks(self._cam, self._moves, length)
            if len(longer) < BLOCKS_MIN:
                break
            blocks, best = longer, best_fit(longer)
        self.blocks, self._theta = blocks, best.theta
        return _result(blocks, best)


def _slowest_s(theta: Theta, blocks: FitBlocks) -> float:
    """Time the slew limits take for the usual move of the command."""
    return blocks.usual_move_deg / np.exp(min(theta.log_up, theta.log_down))


def _result(blocks: FitBlocks, best: FitState) -> FopdtFit:
    n, m = len(blocks), len(blocks.actual)
    theta, free = best.theta, searched(best.theta)
    residual, gain = best.residual, best.gain
    jacobian = best.jacobian[[0, *(1 + best.free.index(i) for i in free)]]
    w = blocks.spread(best.weight)
    total = float(np.sum(w * blocks.centred_actual**2))
    r2 = max(0.0, 1.0 - float(np.sum(w * residual**2)) / total) if total > 0 else 0.0
    rms = float(np.sqrt(np.sum(w * residual**2) / max(np.sum(w), 1e-12)))
    covariance = _covariance(blocks, best, residual, jacobian)
    freedom = max(n - 1.0 - len(free), 1.0)
    t = t_quantile(freedom)
    error = np.sqrt(np.maximum(np.diag(covariance), 0.0)) * t
    gain_found = Estimate(gain, gain - error[0], gain + error[0], n)
    common = dict(
        r2=r2, residual_rms_deg=rms, blocks=n, readings=m, resolution_s=blocks.resolution_s,
        offset=_offset(blocks, best, gain, float(covariance[0, 0])),
    )  # fmt: skip
    if r2 < FOLLOWS_R2 or gain <= 0:
        how = "moves against" if gain < 0 and r2 >= FOLLOWS_R2 else "does not follow"
        none = missing(
            f"the actual angle {how} the command; a lag explains {100 * max(r2, 0.0) * (gain > 0):.0f} %", n
        )
        return FopdtFit(gain_found, none, none, none, slew_advance=none, slew_retard=none, **common)
    tau = float(np.exp(theta.log_tau))
    timing = _locked_variance(blocks, residual, jacobian, w)
    # Straight lines between readings cut a ramp's corners by up to interval^2/6, as if the lag did.
    corners = blocks.command_interval_s**2 / (6.0 * tau) * (1.0 - blocks.jumps) + blocks.grid_s**2 / (
        4.0 * tau
    )
    dead_error = float(np.sqrt(error[1] ** 2 + t * t * timing)) + corners
    lag_variance = covariance[1, 1] + tau * tau * covariance[2, 2] + 2.0 * tau * covariance[1, 2] + timing
    # What the lag takes from cut corners the dead time gives back, but for about a third.
    lag_error = t * float(np.sqrt(max(lag_variance, 0.0))) + corners / 3.0
    lag = Estimate(theta.dead + tau, max(0.0, theta.dead + tau - lag_error), theta.dead + tau + lag_error, n)
    return FopdtFit(
        gain_found,
        _time_constant(tau, error[2] + corners / tau + _coarse(blocks, tau), lag, n),
        _dead_time(theta.dead, dead_error, blocks.resolution_s, n),
        lag,
        slew_advance=_slew(theta.log_up, free, 2, error, gain, blocks, best, 1.0),
        slew_retard=_slew(theta.log_down, free, 3, error, gain, blocks, best, -1.0),
        **common,
    )


def _covariance(blocks: FitBlocks, best: FitState, residual: np.ndarray, jacobian: np.ndarray) -> np.ndarray:
    n, p = len(blocks), len(jacobian)
    w = blocks.spread(best.weight)
    normal = products(jacobian, w)
    scale = np.sqrt(np.diag(normal)) + 1e-12
    inverse = np.linalg.pinv(normal / np.outer(scale, scale), rcond=1e-10) / np.outer(scale, scale)
    score = blocks.sum(jacobian * w * residual)
    sandwich = inverse @ (score @ score.T) @ inverse * n / max(n - p, 1.0)
    # With hardly more blocks than parameters their scores sum to zero by construction and show no scatter.
    variance = float(np.sum(w * residual**2)) / max(len(residual) - n - p, 1)
    plain = inverse * variance
    larger = np.maximum(np.diag(sandwich), np.diag(plain))
    ratio = np.sqrt(larger / np.maximum(np.diag(sandwich), 1e-300))
    return sandwich * np.outer(ratio, ratio)


def _locked_variance(blocks: FitBlocks, residual: np.ndarray, jacobian: np.ndarray, w: np.ndarray) -> float:
    """Variance (s^2) of the command's unknown place between readings that the blocks' scatter does not show.

    Readings locked to the command put every step in the same place of the interval: an error of all alike.
    """
    unknown = blocks.command_interval_s**2 / 12.0 * blocks.jumps
    power = blocks.sum(w * jacobian[1] ** 2)
    shift = np.divide(
        blocks.sum(w * jacobian[1] * residual), power, out=np.zeros(len(power)), where=power > 0
    )
    seen = float(np.sum(power * shift**2) / max(np.sum(power), 1e-12))
    # The moves of one block fall in different places, and a block shows their mean.
    return max(0.0, unknown - blocks.moves * seen)


def _offset(blocks: FitBlocks, best: FitState, gain: float, gain_variance: float) -> Estimate:
    """Mean over blocks of actual minus gain times the model's state; the gain's own doubt turns about it."""
    s = best.answer.state
    each = blocks.sum(blocks.actual - gain * s) / blocks.size
    n = len(each)
    lever = float(np.mean(s))
    half = float(np.sqrt(np.var(each, ddof=1) / n + lever**2 * gain_variance)) * t_quantile(n - 1.0)
    value = float(np.mean(each))
    return Estimate(value, value - half, value + half, n)


def _coarse(blocks: FitBlocks, tau: float) -> float:
    """Relative doubt of a time constant shorter than two readings: the shape of the move is not seen."""
    return COARSE_DOUBT * max(0.0, blocks.resolution_s / tau - 0.5)


def _time_constant(tau: float, log_error: float, lag: Estimate, n: int) -> Estimate:
    factor = float(np.exp(min(log_error, 5.0)))
    if tau <= 1.05 * TAU_S[0]:
        return Estimate(None, 0.0, lag.high, n, "too short to be told from the dead time and the slew limit")
    if tau >= 0.95 * TAU_S[1]:
        return Estimate(None, tau / factor, None, n, f"longer than the {TAU_S[1]:g} s the fit can tell")
    return Estimate(tau, tau / factor, tau * factor, n)


def _dead_time(dead: float, error: float, resolution: float, n: int) -> Estimate:
    if dead < resolution:
        reason = f"below the resolution of the sampling, {resolution:.2g} s"
        return Estimate(None, 0.0, max(resolution, dead + error), n, reason)
    return Estimate(dead, max(0.0, dead - error), dead + error, n)


def _slew(log_slew, free, index, error, gain, blocks, best, sign) -> Estimate:
    reached = best.fastest[0 if sign > 0 else 1] * gain
    none = Estimate(
        None,
        None,
        None,
        len(blocks),
        f"no limit told apart from the lag, which itself reaches {reached:.0f} deg/s",
    )
    if index not in free:
        return none
    slew = float(np.exp(log_slew)) * gain
    if blocks.usual_move_deg * gain < SLEW_READINGS * blocks.resolution_s * slew:
        return replace(
            none, reason=f"a move takes too few readings ({blocks.resolution_s:.2g} s) to tell a limit"
        )
    log_error = float(error[1 + free.index(index)])
    if log_error > 1.0 or reached < 0.9 * slew:
        return none
    factor = float(np.exp(log_error))
    return Estimate(slew, slew / factor, slew * factor, len(blocks))
