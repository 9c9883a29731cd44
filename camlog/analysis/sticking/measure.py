"""Sticking: the cam stands still while its command moves away, then jumps.

Four independent tests are combined: plateaus followed by jumps that no smooth cam can make (`cam.standing`); the
stiction model of Choudhury, Thornhill & Shah (2005) fitted against a slow but smooth cam (`fit`); the shape of any
limit cycle at steady command; and the shape of single swings about a drifting command (`swings`). A cam that is only
slow has no plateau."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import stats

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.hold import Oscillation
from camlog.analysis.cam.segments import command_grid
from camlog.analysis.cam.standing import Plateau, find_away, find_plateaus, long_stuck, should_move
from camlog.analysis.cam.tracking import span
from camlog.analysis.estimate import Estimate, lacking, median, missing, say
from camlog.analysis.sticking.fit import StickFit, fit_sticking
from camlog.analysis.sticking.swings import LimitCycle, Swings, classify_cycle, measure_swings
from camlog.oil_windows import OilWindow

# Probability that noise makes a smooth cam's plateau look like one with a jump (1 % of plateaus of simulated smooth
# cams).
CHANCE_JUMP = 0.03
MIN_JUMPS = 3
# Least share of plateaus with a jump: a slow cam in a wound-up loop jumps rarely, a sticking one most times it stands.
JUMP_SHARE = 0.4
SIGNIFICANT, SIGNIFICANT_FIT = 0.001, 0.005
# A fit counts for sticking only if it removes this share of the smooth cam's misfit and finds at least this band.
MIN_EXPLAINED, MIN_BAND_DEG = 0.25, 1.0
SOME_EXPLAINED = 0.05
# The fitted band is used if the model explains this share of the smooth cam's misfit.
GOOD_FIT = 0.5
NEVER_MOVES_DEG, NEVER_MOVES_SHARE = 3.0, 0.1
MIN_MOVING_S = 2.0


@dataclass(frozen=True, slots=True)
class StickingWindow:
    """Sticking in one oil window, from plateaus alone. `stick_band_deg` is dead band plus stick band."""

    stick_band_deg: Estimate
    jump_deg: Estimate
    stuck_time_fraction: float | None
    jumps: int


@dataclass(frozen=True, slots=True)
class Sticking:
    """The sticking of a cam.

    `stick_band_deg` is how far the command leaves before the cam moves, `jump_deg` how far it then jumps (band zero: no
    sticking found; missing where the cam only hunts). `stuck_time_fraction` is the share of `moving_s`, the time in
    which the cam should have moved, at which it stood still. `sticks` is the result of the tests: True, False, or None
    with a `reason` if the command moved too little. `p_smooth` is the probability of the evidence if the cam were only
    slow. `plateaus`, `jumps` (plateaus with a jump) and `with_supply` (plateaus that ended only as engine speed rose)
    are counts. `swings` describes the motion about a command that hardly moves."""

    stick_band_deg: Estimate
    jump_deg: Estimate
    stuck_time_fraction: float | None
    sticks: bool | None
    p_smooth: float | None
    plateaus: int
    jumps: int
    with_supply: int
    fit: StickFit
    limit_cycle: LimitCycle
    swings: Swings
    moving_s: float
    reason: str
    windows: tuple[tuple[OilWindow, StickingWindow], ...]


def measure_sticking(cam: CamData, oscillation: Oscillation | None = None) -> Sticking:
    """Measure sticking over the whole drive, and from plateaus in each oil window. `oscillation` is that of
    `measure_hold`; without it no limit cycle is searched for."""
    plateaus, moving = find_plateaus(cam), should_move(cam)
    jumps, counted = [p for p in plateaus if p.jumped], sticking_jumps(plateaus)
    stuck = stuck_readings(cam, counted)
    fit = fit_sticking(cam, suspected=len(counted) >= MIN_JUMPS)
    swings, never, moving_s = measure_swings(cam), _never_moved(cam), cam.seconds(moving)
    sticks, p_smooth, reason = _judge(plateaus, jumps, fit, swings, moving_s, never)
    band, jump = _size(jumps, fit, swings, sticks, never)
    return Sticking(
        stick_band_deg=band,
        jump_deg=jump,
        stuck_time_fraction=_share(cam.seconds(stuck), moving_s),
        sticks=sticks,
        p_smooth=p_smooth,
        plateaus=len(plateaus),
        jumps=len(jumps),
        with_supply=sum(p.with_supply for p in plateaus),
        fit=fit,
        limit_cycle=LimitCycle() if oscillation is None else classify_cycle(cam, oscillation),
        swings=swings,
        moving_s=moving_s,
        reason=reason,
        windows=tuple((w, _in_window(cam, jumps, stuck, moving, mask)) for w, mask in cam.by_window),
    )


def sticking_jumps(plateaus: list[Plateau]) -> list[Plateau]:
    """The plateaus that ended in a jump, if their share is too large for a slow cam; else none."""
    jumps = [p for p in plateaus if p.jumped]
    return jumps if len(jumps) >= JUMP_SHARE * len(plateaus) else []


def stuck_readings(cam: CamData, jumps: list[Plateau]) -> np.ndarray:
    """True (n,) for readings on a plateau that ended in a jump, or `long_stuck`."""
    return cam.inside((p.start_s, p.break_s) for p in jumps) & should_move(cam) | long_stuck(cam)


def _never_moved(cam: CamData) -> bool:
    commanded = command_grid(cam).command_deg[command_grid(cam).known]
    if not len(commanded) or not cam.known.any():
        return False
    travelled, moved = np.ptp(commanded), span(cam.actual_deg[cam.known])
    still = max(2.0 * find_away(cam).still_deg, NEVER_MOVES_SHARE * travelled)
    return bool(travelled >= NEVER_MOVES_DEG and moved <= still)


def _share(part: float, whole: float) -> float | None:
    return min(part / whole, 1.0) if whole >= MIN_MOVING_S else None


def _judge(
    plateaus: list[Plateau], jumps: list[Plateau], fit: StickFit, swings: Swings, moving_s: float, never: bool
) -> tuple[bool | None, float | None, str]:
    """Whether it sticks, the probability of the evidence if it does not, and the reason if that is unknown."""
    p_plateaus = float(stats.binom.sf(len(jumps) - 1, max(len(plateaus), 1), CHANCE_JUMP))
    if never:
        return True, p_plateaus, say("sticking.never_moved")
    speak = []
    if len(jumps) >= max(MIN_JUMPS, JUMP_SHARE * len(plateaus)) and p_plateaus < SIGNIFICANT:
        speak.append(p_plateaus)
    real_band = (fit.stick_band_deg.low or 0.0) > MIN_BAND_DEG and (fit.explained or 0.0) >= MIN_EXPLAINED
    if real_band and fit.p_smooth is not None and fit.p_smooth < SIGNIFICANT_FIT:
        speak.append(fit.p_smooth)
    if swings.sticks:
        speak.append(swings.p_smooth)
    if speak:
        return True, min(speak), ""
    if moving_s < MIN_MOVING_S or (fit.explained is None and not plateaus):
        return None, None, say("missing.motion")
    return False, max(p_plateaus, fit.p_smooth or 0.0), ""


def _size(
    jumps: list[Plateau], fit: StickFit, swings: Swings, sticks: bool | None, never: bool
) -> tuple[Estimate, Estimate]:
    """Stick band and jump from whichever of fit, plateaus and swings shows the sticking."""
    band, jump = fit.stick_band_deg, fit.jump_deg
    if never:
        return lacking("broke_away"), lacking("broke_away")
    if sticks and band and (fit.explained or 0.0) >= GOOD_FIT:
        return band, jump
    if sticks and len(jumps) >= MIN_JUMPS:
        # The stick band is best measured after a reversal, less well where the loop wound up at rest.
        free = [p for p in jumps if not p.parked]
        choices = ([p for p in free if p.reversal], free, jumps)
        chosen = next(c for c in choices if len(c) >= MIN_JUMPS)
        hunts = swings.sticks and swings.standing > len(jumps)
        jump = swings.swing_deg if hunts else _typical([p.jump_deg for p in jumps])
        return _typical([p.band_deg for p in chosen]), jump
    if swings.sticks:
        return lacking("waits"), swings.swing_deg
    if sticks is None:
        return missing(band.reason), missing(jump.reason)
    no_better = fit.p_smooth is None or fit.p_smooth >= SIGNIFICANT_FIT or (fit.explained or 0.0) < SOME_EXPLAINED
    if band and no_better and band.high is not None:
        # The fit is no better than a smooth cam: the band is zero, and a band beyond the interval would have shown.
        return replace(band, value=0.0, low=0.0), replace(jump, value=0.0, low=0.0)
    return band, jump


def _typical(values: list[float]) -> Estimate:
    """Median of positive sizes; its interval is cut at zero."""
    return median(np.array(values)).mapped(lambda size: max(size, 0.0))


def _in_window(
    cam: CamData, jumps: list[Plateau], stuck: np.ndarray, moving: np.ndarray, mask: np.ndarray
) -> StickingWindow:
    at = np.searchsorted(cam.actual_time_s, [p.break_s for p in jumps])
    inside = [p for p, k in zip(jumps, at, strict=True) if mask[min(k, len(mask) - 1)]]
    band = jump = lacking("jumps", len(inside))
    if len(inside) >= MIN_JUMPS:
        band, jump = _typical([p.band_deg for p in inside]), _typical([p.jump_deg for p in inside])
    return StickingWindow(band, jump, _share(cam.seconds(stuck & mask), cam.seconds(moving & mask)), len(inside))
