"""Figures of one cam in both drives over shared conditions: error, flutter, response, jumps, rest."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.held import held_readings
from camlog.analysis.cam.plateaus import find_plateaus
from camlog.analysis.cam.segments import command_grid, settled_blocks, steady_segments
from camlog.analysis.cam.standing import should_move
from camlog.analysis.estimate import Estimate, blocks_of, missing, root_mean_square
from camlog.analysis.figures import limit_of
from camlog.analysis.findings import CamFindings, Findings
from camlog.analysis.misfire.poisson import rate
from camlog.analysis.response.measure import answers
from camlog.analysis.response.step_curves import StepCurves
from camlog.analysis.response.step_pool import StepSummary, summarise
from camlog.limits import Limit
from camlog.oil_windows import OilWindow, window_index
from camlog.verify.changes import Figure
from camlog.verify.shared import Shared, cells_of, range_words, shared

NOT_SHARED = "the drives share no such conditions"
MIN_SHARED_S = 3.0
# Levels of steps are medians of a held command: a degree apart they are the same level.
LEVEL_SLACK_DEG = 1.0
SPEED_QUANTILES = (0.05, 0.95)
SPEED_SLACK_RPM = 150.0
# Errors of one move are one event: blocks as long as a move with its arrival.
MOVE_BLOCK_S = 3.0
# Speed at which a slow but healthy cam would move now.
RATE_EDGES_DEG_S = (2.0, 5.0, 10.0, 20.0, 40.0)
RATE_CELLS = len(RATE_EDGES_DEG_S) + 1
# What is compared here is read against the limit of a figure of the registry, of another name where it is none itself.
LIMIT_OF = {"moving_rms_deg": "p95_abs_deg", "t63_advance": "t63_s", "t63_retard": "t63_s"}


@dataclass(frozen=True, eq=False)
class Side:
    """One drive's readings of one cam, with what every comparison needs of them. Arrays have shape (n,)."""

    found: CamFindings
    windows: tuple[OilWindow, ...]

    @property
    def cam(self) -> CamData:
        return self.found.examination.data

    @cached_property
    def window(self) -> np.ndarray:
        """Index of each reading's oil window, -1 where unknown."""
        return window_index(self.windows, self.cam.oil_temp_at(self.cam.actual_time_s))

    @cached_property
    def cell(self) -> np.ndarray:
        return cells_of(self.cam.command_at_actual, self.cam.speed_at(self.cam.actual_time_s))

    @cached_property
    def settled(self) -> np.ndarray:
        return steady_segments(self.cam).settled & (self.cell >= 0)

    @cached_property
    def curves(self) -> StepCurves:
        return answers(self.cam, self.found.examination.response.fit)

    @cached_property
    def step_window(self) -> np.ndarray:
        return window_index(self.windows, self.cam.oil_temp_at(self.curves.steps.time_s))

    @cached_property
    def moving(self) -> np.ndarray:
        """True where a healthy cam would be on the move."""
        return should_move(self.cam) & (self.cell >= 0)

    @cached_property
    def rate_cell(self) -> np.ndarray:
        """Which range of speed a slow but healthy cam would have now."""
        grid = command_grid(self.cam)
        return np.digitize(grid.reference_speed()[grid.cell(self.cam.actual_time_s)], RATE_EDGES_DEG_S)

    @cached_property
    def jumps(self) -> np.ndarray:
        """Index of the reading at which each stick-then-jump ended."""
        at = [p.break_s for p in find_plateaus(self.cam) if p.jumped]
        place = np.searchsorted(self.cam.actual_time_s, np.array(at, dtype=float))
        return np.clip(place, 0, len(self.cam.actual_time_s) - 1)


def cam_figures(cam: str, before: Findings, after: Findings) -> list[Figure]:
    """Every figure of `cam` for each oil window that both drives reached."""
    windows = after.conditions.windows.windows
    one, two = Side(before.cams[cam], windows), Side(after.cams[cam], windows)
    figures = []
    for number, window in enumerate(windows):
        if not (np.any(one.window == number) and np.any(two.window == number)):
            continue
        found = _steady(cam, window, number, one, two) + _moving(cam, window, number, one, two)
        found += _steps(cam, window, number, one, two) + _rest(cam, window, one, two)
        figures += [replace(f, limit=_limit(f, after.limits)) for f in found]
        figures += _jumps(cam, window, number, one, two)
    return figures


def _limit(figure: Figure, limits: Mapping[str, Limit]) -> float:
    return limit_of(LIMIT_OF.get(figure.name, figure.name), limits, figure.window).value


def _steady(cam: str, window: OilWindow, number: int, one: Side, two: Side) -> list[Figure]:
    keep = [s.settled & (s.window == number) for s in (one, two)]
    both = _shared(one, two, keep)
    figures = []
    for name, title, measure in (
        ("rms_deg", "error at a steady command (rms)", _rms),
        ("flutter_rms_deg", "wander at a steady command (rms)", _flutter),
    ):
        if both.seconds < MIN_SHARED_S:
            found = [missing(NOT_SHARED)] * 2
        else:
            found = [measure(s, w) for s, w in zip((one, two), (both.before, both.after), strict=True)]
        if any(e.value is not None for e in found):
            figures.append(Figure(name, title, "deg", *found, cam=cam, window=window, shared=both.words))
    return figures


def _moving(cam: str, window: OilWindow, number: int, one: Side, two: Side) -> list[Figure]:
    """Error while the command moves: how far the cam lags."""
    keep = [s.moving & np.isfinite(s.cam.error_deg) & (s.window == number) for s in (one, two)]
    # A quick command leaves any cam farther behind: only moves of like speed are compared.
    cells = [
        np.where(k, s.cell * RATE_CELLS + s.rate_cell, -1) for s, k in zip((one, two), keep, strict=True)
    ]
    both = shared(cells[0], one.cam.duration_s, cells[1], two.cam.duration_s)
    if both.seconds < MIN_SHARED_S:
        return []
    found = []
    for side, weight in zip((one, two), (both.before, both.after), strict=True):
        kept = weight > 0
        blocks = blocks_of((side.cam.actual_time_s[kept] / MOVE_BLOCK_S).astype(np.int64))
        w = weight[kept]
        found.append(root_mean_square(blocks.sum(w * side.cam.error_deg[kept] ** 2), blocks.sum(w)))
    return [
        Figure(
            "moving_rms_deg",
            "error while moving (rms)",
            "deg",
            *found,
            cam=cam,
            window=window,
            shared=range_words(both.cells // RATE_CELLS),
        )
    ]


def _shared(one: Side, two: Side, keep: list[np.ndarray]) -> Shared:
    cells = [np.where(k, s.cell, -1) for s, k in zip((one, two), keep, strict=True)]
    return shared(cells[0], one.cam.duration_s, cells[1], two.cam.duration_s)


def _rms(side: Side, weight: np.ndarray) -> Estimate:
    keep = weight > 0
    blocks, w = settled_blocks(side.cam, keep), weight[keep]
    return root_mean_square(blocks.sum(w * side.cam.error_deg[keep] ** 2), blocks.sum(w))


def _flutter(side: Side, weight: np.ndarray) -> Estimate:
    held = held_readings(side.cam)
    inside = weight[held.index] > 0
    if not inside.any():
        return missing(NOT_SHARED)
    w = weight[held.index][inside]
    blocks = blocks_of(held.block[inside])
    number = held.block[inside][blocks.starts]
    share = blocks.sum(w) / np.bincount(held.block)[number]
    square = blocks.sum(w * held.residual_deg[inside] ** 2)
    return root_mean_square(square, held.freedom[number] * share, side.cam.actual_step_deg**2 / 12.0)


def _steps(cam: str, window: OilWindow, number: int, one: Side, two: Side) -> list[Figure]:
    figures = []
    for word, up in (("advance", True), ("retard", False)):
        masks = [(s.step_window == number) & (s.curves.steps.advance == up) for s in (one, two)]
        masks, words = _alike(one, two, masks)
        if words == "":
            continue
        found: list[StepSummary] = [
            summarise(s.curves, m, word) for s, m in zip((one, two), masks, strict=True)
        ]
        a, b = (f.t63 for f in found)
        if any(e.value is not None or e.low is not None for e in (a, b)):
            figures.append(
                Figure(f"t63_{word}", f"time to 63 % of {word} steps", "s", a, b, cam, window, words)
            )
    return figures


def _alike(one: Side, two: Side, masks: list[np.ndarray]) -> tuple[list[np.ndarray], str]:
    """The steps of both drives within the command range and the engine speeds they have in common."""
    if not all(m.any() for m in masks):
        return masks, ""
    sides = (one, two)
    levels = [
        np.concatenate([s.curves.steps.from_deg[m], s.curves.steps.to_deg[m]])
        for s, m in zip(sides, masks, strict=True)
    ]
    low, high = max(v.min() for v in levels) - LEVEL_SLACK_DEG, min(v.max() for v in levels) + LEVEL_SLACK_DEG
    speeds = [s.cam.speed_at(s.curves.steps.time_s) for s in sides]
    ends = [
        np.nanquantile(v[m], SPEED_QUANTILES) if np.isfinite(v[m]).any() else None
        for v, m in zip(speeds, masks, strict=True)
    ]
    if any(e is None for e in ends):
        return masks, ""
    slow, fast = max(e[0] for e in ends) - SPEED_SLACK_RPM, min(e[1] for e in ends) + SPEED_SLACK_RPM
    kept = []
    for s, m, v in zip(sides, masks, speeds, strict=True):
        steps = s.curves.steps
        inside = (np.minimum(steps.from_deg, steps.to_deg) >= low) & (
            np.maximum(steps.from_deg, steps.to_deg) <= high
        )
        kept.append(m & inside & (v >= slow) & (v <= fast))
    if not all(m.any() for m in kept):
        return kept, ""
    return kept, f"command {low:.0f} to {high:.0f} deg, {slow:.0f} to {fast:.0f} rpm"


def _jumps(cam: str, window: OilWindow, number: int, one: Side, two: Side) -> list[Figure]:
    keep = [s.moving & (s.window == number) for s in (one, two)]
    both = _shared(one, two, keep)
    if both.seconds < MIN_SHARED_S:
        return []
    events, minutes = [], []
    for side, kept, weight in zip((one, two), keep, (both.before, both.after), strict=True):
        inside = kept & (weight > 0)
        # The break-away itself may fall on the reading beside the motion; its cell and window count.
        here = (side.window[side.jumps] == number) & np.isin(side.cell[side.jumps], both.cells)
        events.append(float(np.sum(here)))
        minutes.append(side.cam.seconds(inside) / 60.0)
    if not any(events):
        return []
    before, after = (rate(k, n) for k, n in zip(events, minutes, strict=True))
    return [
        Figure(
            "jumps_per_min", "stick-then-jump in each minute of "
            "motion", "per min", before, after, cam, window, both.words,
            events=tuple(events), exposure=tuple(minutes),
        )
    ]  # fmt: skip


def _rest(cam: str, window: OilWindow, one: Side, two: Side) -> list[Figure]:
    found = [
        dict(s.found.examination.rest.windows).get(window, missing("not at rest here")) for s in (one, two)
    ]
    if any(e.value is None for e in found):
        return []
    return [
        Figure(
            "rest_offset_deg",
            "angle off rest at idle",
            "deg",
            *found,
            cam=cam,
            window=window,
            shared="at rest, idle",
        )
    ]
