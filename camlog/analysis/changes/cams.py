"""Figures of one cam in both drives over shared conditions: error, flutter, response, jumps, rest. Titles, units and
limits come from the registry of figures."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.hold import flutter, held_readings
from camlog.analysis.cam.segments import cell_of_reading, command_grid, settled_blocks, steady_segments
from camlog.analysis.cam.standing import find_plateaus, should_move
from camlog.analysis.changes.change import Compared, messages
from camlog.analysis.changes.shared import Shared, cells_of, range_words, shared
from camlog.analysis.estimate import Blocks, Estimate, blocks_of, missing, root_mean_square
from camlog.analysis.figures import BY_NAME
from camlog.analysis.findings import CamFindings, Findings
from camlog.analysis.misfire.poisson import rate
from camlog.analysis.response.step_curves import StepCurves, step_curves
from camlog.analysis.response.step_pool import summarise
from camlog.limits import Limit
from camlog.oil_windows import OilWindow, window_index

MIN_SHARED_S = 3.0
# Levels of steps are medians of a held command; within a degree they are the same level.
LEVEL_SLACK_DEG = 1.0
SPEED_QUANTILES = (0.05, 0.95)
SPEED_SLACK_RPM = 150.0
# Errors of one move are one event, so blocks are as long as a move with its arrival.
MOVE_BLOCK_S = 3.0
# Edges of the ranges of speed at which a slow but healthy cam would move at that moment.
RATE_EDGES_DEG_S = (2.0, 5.0, 10.0, 20.0, 40.0)
RATE_CELLS = len(RATE_EDGES_DEG_S) + 1


@dataclass(frozen=True, eq=False)
class Side:
    """One drive's readings of one cam, prepared for every comparison. Arrays have shape (n,)."""

    of: CamFindings
    windows: tuple[OilWindow, ...]

    @property
    def cam(self) -> CamData:
        return self.of.examination.data

    @cached_property
    def window(self) -> np.ndarray:
        """Index of each reading's oil window, -1 where unknown."""
        return window_index(self.windows, self.cam.oil.at(self.cam.actual_time_s))

    @cached_property
    def cell(self) -> np.ndarray:
        return cells_of(self.cam.command_at_actual, self.cam.speed_at(self.cam.actual_time_s))

    @property
    def settled(self) -> np.ndarray:
        return steady_segments(self.cam).settled & (self.cell >= 0)

    @property
    def moving(self) -> np.ndarray:
        """True where a healthy cam would be moving."""
        return should_move(self.cam) & (self.cell >= 0)

    @property
    def rate_cell(self) -> np.ndarray:
        """The cell combined with the range of speed that a slow but healthy cam would have."""
        speed = command_grid(self.cam).reference_speed()[cell_of_reading(self.cam)]
        return self.cell * RATE_CELLS + np.digitize(speed, RATE_EDGES_DEG_S)

    @cached_property
    def curves(self) -> StepCurves:
        return step_curves(self.cam, self.of.examination.response.fit.first_order)

    @cached_property
    def jumps(self) -> np.ndarray:
        """Index of the reading at which each stick-then-jump ended."""
        at = [p.break_s for p in find_plateaus(self.cam) if p.jumped]
        place = np.searchsorted(self.cam.actual_time_s, np.array(at, dtype=float))
        return np.clip(place, 0, len(self.cam.actual_time_s) - 1)


@dataclass(frozen=True)
class _Both:
    """Both drives of one cam in one oil window. Makes each `Compared` from a figure of the registry."""

    cam: str
    sides: tuple[Side, Side]
    number: int
    window: OilWindow
    limits: Mapping[str, Limit]

    def compared(self, name: str, pair: list[Estimate], conditions: str, part: str = "", **more: Any) -> Compared:
        figure = BY_NAME[name]
        title = f"{figure.title}, {part}" if part else figure.title
        least = max(s.cam.actual_interval_s for s in self.sides) if figure.after_step else 0.0
        return Compared(
            f"{name.removesuffix('_s')}_{part}" if part else name, title, figure.unit, pair[0], pair[1], self.cam,
            self.window, conditions, limit=figure.judged_by(self.limits, self.window, change=True).value, least=least, **more,
        )  # fmt: skip

    def shared(self, keep: list[np.ndarray], cell_name: str = "cell") -> Shared:
        """The cells in which both drives have readings (selected by `keep`) in this window."""
        masks = [k & (s.window == self.number) for k, s in zip(keep, self.sides, strict=True)]
        cells = [np.where(k, getattr(s, cell_name), -1) for s, k in zip(self.sides, masks, strict=True)]
        return shared(cells[0], self.sides[0].cam.duration_s, cells[1], self.sides[1].cam.duration_s)


def cam_figures(cam: str, before: Findings, after: Findings) -> Iterator[Compared]:
    """Every figure of `cam` for each oil window that both drives reached."""
    windows = after.conditions.windows.windows
    sides = Side(before.cams[cam], windows), Side(after.cams[cam], windows)
    for number, window in enumerate(windows):
        if all(np.any(s.window == number) for s in sides):
            both = _Both(cam, sides, number, window, after.limits)
            for compare in (_steady, _moving, _steps, _rest, _jumps):
                yield from compare(both)


def _steady(both: _Both) -> Iterator[Compared]:
    common = both.shared([s.settled for s in both.sides])
    for name, measure in (("rms_deg", _rms), ("flutter_rms_deg", _flutter)):
        pair = [missing(messages("reason.not_shared"))] * 2
        if common.seconds >= MIN_SHARED_S:
            pair = [measure(s, w) for s, w in zip(both.sides, (common.before, common.after), strict=True)]
        if any(e.value is not None for e in pair):
            yield both.compared(name, pair, common.words)


def _rms(side: Side, weight: np.ndarray) -> Estimate:
    return _error(side, weight, settled_blocks(side.cam, weight > 0))


def _error(side: Side, weight: np.ndarray, blocks: Blocks) -> Estimate:
    """Typical error (deg) of the readings with `weight` (n,) above zero, in `blocks`."""
    keep = weight > 0
    w = weight[keep]
    return root_mean_square(blocks.sum(w * side.cam.error_deg[keep] ** 2), blocks.sum(w))


def _flutter(side: Side, weight: np.ndarray) -> Estimate:
    held = held_readings(side.cam)
    if not (weight[held.index] > 0).any():
        return missing(messages("reason.not_shared"))
    return flutter(side.cam, held, weight[held.index])


def _moving(both: _Both) -> Iterator[Compared]:
    """Error while the command moves: how far the cam lags."""
    # Any cam lags farther behind a fast command, so only moves of similar speed are compared.
    keep = [s.moving & np.isfinite(s.cam.error_deg) for s in both.sides]
    common = both.shared(keep, "rate_cell")
    if common.seconds < MIN_SHARED_S:
        return
    pair = []
    for side, weight in zip(both.sides, (common.before, common.after), strict=True):
        moves = (side.cam.actual_time_s[weight > 0] / MOVE_BLOCK_S).astype(np.int64)
        pair.append(_error(side, weight, blocks_of(moves)))
    yield both.compared("moving_rms_deg", pair, range_words(common.cells // RATE_CELLS))


def _steps(both: _Both) -> Iterator[Compared]:
    for part, up in (("advance", True), ("retard", False)):
        masks = []
        for s in both.sides:
            window = window_index(s.windows, s.cam.oil.at(s.curves.steps.time_s))
            masks.append((window == both.number) & (s.curves.steps.advance == up))
        alike = _alike(both.sides, masks)
        if alike is None:
            continue
        masks, conditions = alike
        pair = [summarise(s.curves, m, part).t63 for s, m in zip(both.sides, masks, strict=True)]
        if any(e.value is not None or e.low is not None for e in pair):
            yield both.compared("t63_s", pair, conditions, part)


def _alike(sides: tuple[Side, Side], masks: list[np.ndarray]) -> tuple[list[np.ndarray], str] | None:
    """The steps of both drives within the command range and engine speeds they share; None where there are none."""
    if not all(m.any() for m in masks):
        return None
    ends, speeds, quantiles = [], [], []
    for s, m in zip(sides, masks, strict=True):
        steps, speed = s.curves.steps, s.cam.speed_at(s.curves.steps.time_s)
        if not np.isfinite(speed[m]).any():
            return None
        ends.append(np.sort(np.stack([steps.from_deg, steps.to_deg]), axis=0))
        speeds.append(speed)
        quantiles.append(np.nanquantile(speed[m], SPEED_QUANTILES))
    low = max(e[0, m].min() for e, m in zip(ends, masks, strict=True)) - LEVEL_SLACK_DEG
    high = min(e[1, m].max() for e, m in zip(ends, masks, strict=True)) + LEVEL_SLACK_DEG
    slow = max(q[0] for q in quantiles) - SPEED_SLACK_RPM
    fast = min(q[1] for q in quantiles) + SPEED_SLACK_RPM
    selected = [
        m & (e[0] >= low) & (e[1] <= high) & (v >= slow) & (v <= fast)
        for m, e, v in zip(masks, ends, speeds, strict=True)
    ]
    if not all(m.any() for m in selected):
        return None
    return selected, messages("shared.command_and_speed", low=low, high=high, slow=slow, fast=fast)


def _jumps(both: _Both) -> Iterator[Compared]:
    common = both.shared([s.moving for s in both.sides])
    if common.seconds < MIN_SHARED_S:
        return
    events, minutes = [], []
    for side, weight in zip(both.sides, (common.before, common.after), strict=True):
        # The break-away may fall on the reading beside the motion, so the cell and window are those of that reading.
        counted = (side.window[side.jumps] == both.number) & np.isin(side.cell[side.jumps], common.cells)
        events.append(float(np.sum(counted)))
        minutes.append(side.cam.seconds(weight > 0) / 60.0)
    if any(events):
        pair = [rate(k, n) for k, n in zip(events, minutes, strict=True)]
        more: dict[str, Any] = {"events": tuple(events), "exposure": tuple(minutes)}
        yield both.compared("jumps_per_min", pair, common.words, **more)


def _rest(both: _Both) -> Iterator[Compared]:
    at_rest = [dict(s.of.examination.rest.windows) for s in both.sides]
    pair = [offsets.get(both.window, missing(messages("reason.not_at_rest"))) for offsets in at_rest]
    if all(e.value is not None for e in pair):
        yield both.compared("rest_offset_deg", pair, messages("shared.at_rest"))
