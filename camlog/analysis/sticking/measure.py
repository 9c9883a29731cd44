"""Sticking: the cam stays put while the command leaves it, then jumps.

Four independent looks, weighed together: plateaus followed by jumps that no smooth cam could make
(`plateaus`), the stiction model of Choudhury, Thornhill & Shah (2005) fitted against a slow but smooth cam
(`stickfit`), the shape of any limit cycle at steady command (`limitcycle`), and that of single swings about a
command that drifts (`swings`). Slowness alone leaves no plateau, however slow.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from scipy import stats

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.hold import HeldReadings, held_readings
from camlog.analysis.cam.noise import reading_noise_deg
from camlog.analysis.cam.oscillation import Oscillation, no_oscillation
from camlog.analysis.cam.segments import CommandGrid, Segments, by_window, command_grid, steady_segments
from camlog.analysis.estimate import Estimate, median, missing
from camlog.analysis.sticking.limitcycle import LimitCycle, classify_cycle
from camlog.analysis.sticking.plateaus import Plateau, find_away, find_plateaus, should_move
from camlog.analysis.sticking.stickfit import StickFit, fit_sticking
from camlog.analysis.sticking.stuck import stuck_readings
from camlog.analysis.sticking.swings import Swings, measure_swings
from camlog.oil_windows import OilWindow, Windows

# How often noise alone makes a smooth cam's plateau look like one with a jump (simulated smooth cams: 1 %).
CHANCE_JUMP = 0.03
MIN_JUMPS = 3
# A slow cam in a wound-up loop jumps now and then; one that sticks does most times it stands.
JUMP_SHARE = 0.4
SIGNIFICANT = 0.001
SIGNIFICANT_FIT = 0.005
# A fit speaks for sticking only where it removes this much of the smooth cam's misfit and finds a real band.
MIN_EXPLAINED = 0.25
SOME_EXPLAINED = 0.05
MIN_BAND_DEG = 1.0
# The fitted band is used where the model accounts for the motion: this share explained.
GOOD_FIT = 0.5
NEVER_MOVES_DEG = 3.0
MIN_MOVING_S = 2.0
AT_REST_DEG = 1.5


@dataclass(frozen=True, slots=True)
class StickingWindow:
    """Sticking in one oil window, from plateaus alone. `stick_band_deg` is dead band plus stick band."""

    stick_band_deg: Estimate
    jump_deg: Estimate
    stuck_time_fraction: float | None
    plateaus: int
    jumps: int


@dataclass(frozen=True, slots=True)
class Sticking:
    """What a cam's sticking looks like, if it sticks.

    `stick_band_deg` how far the command leaves before the cam moves, `jump_deg` how far it then jumps (zero
    band: none was seen; missing where it only hunts). `stuck_time_fraction` is the share of the time in which the cam should have been
    moving that it stood still. `sticks` is the verdict of the tests: True, False, or None where the command
    moved too little; `p_smooth` the probability of the evidence if the cam were only slow. `plateaus` seen,
    `jumps` among them, `at_rest_share` of the jumps that began at rest (a lock pin that will not release),
    `with_supply` plateaus left only as engine speed rose. `never_moved`: the command moved and the cam did
    not; the band is then unknown and larger than `seen_band_deg`, the farthest the command left. `swings` is what it does
    about a command that hardly moves. `moving_s` is the time in which it should have been moving.
    """

    stick_band_deg: Estimate
    jump_deg: Estimate
    stuck_time_fraction: float | None
    sticks: bool | None
    p_smooth: float | None
    plateaus: int
    jumps: int
    at_rest_share: float | None
    with_supply: int
    never_moved: bool
    seen_band_deg: float
    fit: StickFit
    limit_cycle: LimitCycle
    swings: Swings
    moving_s: float = 0.0
    reason: str = ""
    windows: tuple[tuple[OilWindow, StickingWindow], ...] = ()


def measure_sticking(
    cam: CamData,
    windows: Windows | Iterable[OilWindow] | None = None,
    *,
    grid: CommandGrid | None = None,
    segments: Segments | None = None,
    oscillation: Oscillation | None = None,
    held: HeldReadings | None = None,
) -> Sticking:
    """Measure sticking over the whole drive, and from its plateaus in each oil window.

    `oscillation` is that of `measure_hold`, for the limit cycle; it and `held` may be handed in where known
    already.
    """
    grid = grid or command_grid(cam)
    segments = segments or steady_segments(cam, grid)
    noise = reading_noise_deg(cam, segments.settled)
    away = find_away(cam, grid, segments, noise)
    found = find_plateaus(cam, grid, away)
    jumps = [p for p in found if p.jumped]
    moving_cells = should_move(cam, grid, away)
    moving = moving_cells[grid.cell(cam.actual_time_s)] & cam.running
    most = jumps if len(jumps) >= JUMP_SHARE * len(found) else []
    stuck = stuck_readings(cam, away, moving, most)
    should_move_s = float(np.sum(segments.duration_s[moving]))
    fraction = _share(float(np.sum(segments.duration_s[stuck])), should_move_s)
    suspected = len(jumps) >= MIN_JUMPS and bool(most)
    fit = fit_sticking(cam, grid, noise, suspected)
    held = held or held_readings(cam, segments)
    cycle = classify_cycle(cam, held, oscillation or no_oscillation("not looked for"))
    travelled = float(np.ptp(grid.command_deg[grid.known])) if grid.known.any() else 0.0
    known = cam.running & np.isfinite(cam.command_at_actual)
    moved = float(np.ptp(np.quantile(cam.actual_deg[known], [0.005, 0.995]))) if known.any() else 0.0
    never = travelled >= NEVER_MOVES_DEG and moved <= max(2.0 * away.still_deg, 0.1 * travelled)
    p_plateaus = float(stats.binom.sf(len(jumps) - 1, max(len(found), 1), CHANCE_JUMP)) if found else 1.0
    swings = measure_swings(cam, noise)
    sticks, p_smooth, reason = _judge(found, jumps, p_plateaus, fit, swings, should_move_s, never)
    band, jump = _size(jumps, fit, swings, sticks, never)
    return Sticking(
        stick_band_deg=band,
        jump_deg=jump,
        stuck_time_fraction=fraction,
        sticks=sticks,
        p_smooth=p_smooth,
        plateaus=len(found),
        jumps=len(jumps),
        at_rest_share=float(np.mean([abs(p.level_deg - cam.rest_deg) < AT_REST_DEG for p in jumps]))
        if jumps
        else None,
        with_supply=sum(p.with_supply for p in found),
        never_moved=never,
        seen_band_deg=float(np.nanmax(away.near_deg[known], initial=0.0)) if known.any() else 0.0,
        fit=fit,
        limit_cycle=cycle,
        swings=swings,
        moving_s=should_move_s,
        reason=reason,
        windows=tuple(_windows(cam, windows, found, stuck, moving, segments.duration_s)),
    )


def _share(part: float, whole: float) -> float | None:
    return min(part / whole, 1.0) if whole >= MIN_MOVING_S else None


def _judge(
    found: list[Plateau],
    jumps: list[Plateau],
    p_plateaus: float,
    fit: StickFit,
    swings: Swings,
    should_move_s: float,
    never: bool,
) -> tuple[bool | None, float | None, str]:
    if never:
        return True, p_plateaus, "the command moved and the cam did not"
    by_plateaus = (
        len(jumps) >= MIN_JUMPS and p_plateaus < SIGNIFICANT and len(jumps) >= JUMP_SHARE * len(found)
    )
    fitted = fit.stick_band_deg.low
    by_fit = (
        fit.p_smooth is not None
        and fit.p_smooth < SIGNIFICANT_FIT
        and fit.explained >= MIN_EXPLAINED
        and fitted is not None
        and fitted > MIN_BAND_DEG
    )
    if by_plateaus or by_fit or swings.sticks:
        p = min(
            p_plateaus if by_plateaus else 1.0,
            fit.p_smooth if by_fit else 1.0,
            swings.p_smooth if swings.sticks else 1.0,
        )
        return True, p, ""
    if should_move_s < MIN_MOVING_S or (fit.explained is None and not found):
        return None, None, "the command moved too little to see whether the cam sticks"
    return False, max(p_plateaus, fit.p_smooth or 0.0), ""


def _size(
    jumps: list[Plateau], fit: StickFit, swings: Swings, sticks: bool | None, never: bool
) -> tuple[Estimate, Estimate]:
    """Stick band and jump from whichever of fit, plateaus and swings carries the finding."""
    if never:
        reason = "the cam never broke away"
        return missing(reason), missing(reason)
    fitted = fit.stick_band_deg.value is not None
    if sticks and fitted and (fit.explained or 0.0) >= GOOD_FIT:
        return fit.stick_band_deg, fit.jump_deg
    if sticks and len(jumps) >= MIN_JUMPS:
        # How far the command leaves is best seen after a reversal, less well where the loop wound up at rest.
        for chosen in (
            [p for p in jumps if p.reversal and not p.parked],
            [p for p in jumps if not p.parked],
            jumps,
        ):
            if len(chosen) >= MIN_JUMPS:
                break
        jump = _typical([p.jump_deg for p in jumps])
        hunts = swings.sticks and swings.standing > len(jumps)
        return _typical([p.band_deg for p in chosen]), swings.swing_deg if hunts else jump
    if swings.sticks:
        return missing("the cam hunts: it never waits for its command to leave"), swings.swing_deg
    if sticks is None:
        return missing(fit.stick_band_deg.reason), missing(fit.jump_deg.reason)
    if fitted and (fit.p_smooth is None or fit.p_smooth >= SIGNIFICANT_FIT or fit.explained < SOME_EXPLAINED):
        # No better than a smooth cam: none was seen, and more than the interval's end would have been.
        return _none_seen(fit.stick_band_deg), _none_seen(fit.jump_deg)
    return fit.stick_band_deg, fit.jump_deg


def _none_seen(fitted: Estimate) -> Estimate:
    return Estimate(0.0, 0.0, fitted.high, fitted.count, fitted.reason) if fitted.high is not None else fitted


def _typical(values: list[float]) -> Estimate:
    """Median of positive sizes; an interval of few events may not reach below none."""
    found = median(np.array(values))
    return found if found.low is None else replace(found, low=max(found.low, 0.0))


def _windows(
    cam: CamData,
    windows: Windows | Iterable[OilWindow] | None,
    found: list[Plateau],
    stuck: np.ndarray,
    moving: np.ndarray,
    duration_s: np.ndarray,
) -> Iterable[tuple[OilWindow, StickingWindow]]:
    t = cam.actual_time_s
    breaks = np.array([p.break_s for p in found])
    nearest = np.minimum(np.searchsorted(t, breaks), len(t) - 1) if found else np.empty(0, dtype=np.int64)
    for window, mask in by_window(cam, windows):
        here = [p for p, i in zip(found, nearest, strict=True) if mask[i]]
        jumps = [p for p in here if p.jumped]
        fraction = _share(float(np.sum(duration_s[stuck & mask])), float(np.sum(duration_s[moving & mask])))
        few = f"{len(jumps)} jumps in this window"
        enough = len(jumps) >= MIN_JUMPS
        yield (
            window,
            StickingWindow(
                _typical([p.band_deg for p in jumps]) if enough else missing(few, len(jumps)),
                _typical([p.jump_deg for p in jumps]) if enough else missing(few, len(jumps)),
                fraction,
                len(here),
                len(jumps),
            ),
        )
