"""What a drive did not contain, as sentences that say what to drive; live and afterwards alike.

Coverage asks only what was commanded and how well it was read, never how the
cam answered: a stuck cam covers a drive as well as a healthy one.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from camlog import signals
from camlog.analysis.drive.coverage_counts import DriveCounts, coverage_signals
from camlog.analysis.drive.coverage_needs import (
    CHECKS_FIRST,
    HEALTHY,
    VERDICT,
    Need,
    cam_needs,
    cam_sentences,
    drive_needs,
    oil_window_needs,
    pair_interval_s,
    sentences,
    window_sum,
)
from camlog.analysis.drive.ticks import TICK_S, TickStream, tick_table
from camlog.cautions import DRIVE, caution
from camlog.limits import Limit, limits_for
from camlog.oil_windows import OIL_WINDOWS, OilWindow
from camlog.signals import CAM_IDS
from camlog.stream import Batch, StreamItem
from camlog.trace import Trace

if TYPE_CHECKING:
    from camlog.profile import VehicleProfile

# Ticks waiting in the live tracker before they are counted: ten seconds of driving.
_TAKE_TICKS = 40


@dataclass(frozen=True, slots=True)
class WindowCoverage:
    """What one oil window held for one cam: engine-running seconds, command moves, held and rest seconds."""

    window: OilWindow
    seconds: float
    advance_moves: int
    retard_moves: int
    hold_s: float
    rest_s: float


@dataclass(frozen=True, slots=True)
class CamCoverage:
    """Coverage of one cam; `pair_interval_s` is the slower angle's mean sampling interval."""

    cam: str
    sufficient: bool
    judgeable: bool
    missing: tuple[str, ...]
    pair_interval_s: float | None
    windows: tuple[WindowCoverage, ...]
    needs: tuple[Need, ...] = ()


@dataclass(frozen=True)
class Coverage:
    """What a drive contained, set against what a verdict needs.

    `sufficient`: enough for any verdict on every cam, healthy included; `judgeable`: enough to name a fault.

    `missing` are sentences, gravest first; some may remain in a sufficient drive (a cold start that was not
    recorded). `per_cam` maps a cam id to its own coverage. `refused`: the engine may not be run, so `missing` asks for
    nothing.
    """

    sufficient: bool
    judgeable: bool
    missing: tuple[str, ...]
    needs: tuple[Need, ...]
    per_cam: Mapping[str, CamCoverage]
    refused: bool = False

    def to_dict(self) -> dict[str, Any]:
        """The `coverage` object of Findings."""
        return {
            "sufficient": self.sufficient, "judgeable": self.judgeable, "missing": list(self.missing),
            "caution": self.caution,
        }  # fmt: skip

    @property
    def caution(self) -> str:
        """What stands beside `missing` where it asks for a drive; empty where it asks for nothing."""
        return caution(DRIVE) if self.missing and not self.refused else ""

    def without_driving(self) -> Coverage:
        """The same coverage of an engine that may not be run: what was missing, without what to drive."""

        per_cam = {
            cam: replace(found, missing=cam_sentences(self.needs, cam, ask=False),
                         needs=tuple(replace(n, remedy="") for n in found.needs)) for cam, found in self.per_cam.items()
        }
        missing = sentences(self.needs, len(self.per_cam), ask=False)
        return replace(self, missing=(CHECKS_FIRST, *missing) if missing else (), per_cam=per_cam, refused=True)


def coverage(
    trace: Trace,
    cams: Iterable[str] | None = None,
    windows: Sequence[OilWindow] = OIL_WINDOWS,
    profile: VehicleProfile | None = None,
    limits: Mapping[str, Limit] | None = None,
) -> Coverage:
    """Coverage of a trace. `cams` None takes the profile's cams, else those the trace holds."""
    limits = limits or limits_for(profile)
    expected = _expected(cams, profile)
    counts = _new_counts(expected, windows, limits)
    for cam in counts.cams:
        for signal in (signals.commanded(cam), signals.actual(cam)):
            counts.set_reading_times(signal, trace.samples(signal)[0])
    counts.add(tick_table(trace, coverage_signals(counts.cams)))
    return _judge(counts, expected, tuple(windows), limits)


class CoverageTracker:
    """The same answer as `coverage`, live: a sink whose memory and cost do not grow with the drive."""

    essential = False

    def __init__(
        self,
        cams: Iterable[str] | None = None,
        windows: Sequence[OilWindow] = OIL_WINDOWS,
        profile: VehicleProfile | None = None,
        limits: Mapping[str, Limit] | None = None,
    ):
        self._limits = limits or limits_for(profile)
        self._expected = _expected(cams, profile)
        self._windows = tuple(windows)
        self._counts = _new_counts(self._expected, windows, self._limits)
        self._ticks = TickStream(coverage_signals(self._counts.cams))

    def accept(self, item: StreamItem) -> None:
        """Take one stream item; only batches matter."""
        if not isinstance(item, Batch):
            return
        self._counts.add_reading_times(item.time_s, item.values)
        self._ticks.add(item.time_s, item.values)
        if len(self._ticks) >= _TAKE_TICKS:
            self._counts.add(self._ticks.take())

    def close(self) -> None:
        """Nothing to close."""

    def coverage(self) -> Coverage:
        """Coverage of the drive so far."""
        self._counts.add(self._ticks.take())
        return _judge(self._counts, self._expected, self._windows, self._limits)

    def missing(self) -> list[str]:
        """What is still to drive, gravest first."""
        return list(self.coverage().missing)


def _expected(cams: Iterable[str] | None, profile: VehicleProfile | None) -> tuple[str, ...] | None:
    if cams is not None:
        return tuple(dict.fromkeys(cams))
    return tuple(c.id for c in profile.cams) if profile is not None and profile.cams else None


def _new_counts(
    expected: tuple[str, ...] | None, windows: Sequence[OilWindow], limits: Mapping[str, Limit]
) -> DriveCounts:
    cold, warm = limits["cold_oil_degc"].value, limits["warm_oil_degc"].value
    # Bins fine enough that both the windows and "warm" or "cold" oil are sums of whole bins.
    edges = {cold, warm} | {e for w in windows for e in (w.min_degc, w.max_degc)} | {-math.inf, math.inf}
    low = sorted(edges)
    bins = tuple(OilWindow(a, b) for a, b in zip(low[:-1], low[1:], strict=True))
    return DriveCounts(expected if expected is not None else CAM_IDS, bins, cold)


def _judge(
    counts: DriveCounts,
    expected: tuple[str, ...] | None,
    windows: tuple[OilWindow, ...],
    limits: Mapping[str, Limit],
) -> Coverage:
    cams = [
        c
        for c in counts.cams
        if expected is not None or counts.cam[c].command.readings or counts.cam[c].actual.readings
    ]
    needs = drive_needs(counts, bool(cams), limits)
    for cam in cams:
        needs += cam_needs(counts, cam, limits)
    needs += oil_window_needs(counts, cams, windows, limits)
    per_cam = {cam: _cam_coverage(counts, cam, needs, windows) for cam in cams}
    unmet = {n.blocks for n in needs if not n.met}
    return Coverage(
        sufficient=VERDICT not in unmet and HEALTHY not in unmet,
        judgeable=VERDICT not in unmet,
        missing=sentences(needs, len(cams)),
        needs=tuple(needs),
        per_cam=per_cam,
    )


def _cam_coverage(
    counts: DriveCounts, cam: str, needs: Sequence[Need], windows: Sequence[OilWindow]
) -> CamCoverage:
    found = counts.cam[cam]
    own = [n for n in needs if n.cam in (cam, None)]
    unmet = {n.blocks for n in own if not n.met}

    def within(values: np.ndarray, window: OilWindow) -> int:
        return window_sum(values, counts.windows, window.min_degc, window.max_degc)

    return CamCoverage(
        cam=cam,
        sufficient=VERDICT not in unmet and HEALTHY not in unmet,
        judgeable=VERDICT not in unmet,
        missing=cam_sentences(needs, cam),
        pair_interval_s=pair_interval_s(found),
        windows=tuple(
            WindowCoverage(
                w,
                within(counts.running_ticks, w) * TICK_S,
                within(found.advance_moves, w),
                within(found.retard_moves, w),
                within(found.hold_ticks, w) * TICK_S,
                within(found.rest_ticks, w) * TICK_S,
            )
            for w in windows
        ),
        needs=tuple(own),
    )
