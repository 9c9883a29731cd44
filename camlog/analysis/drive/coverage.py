"""What a drive did not contain, as sentences that say what to drive, live and afterwards. Coverage depends only on what
was commanded and how well it was read, never on how the cam responded: a stuck cam can have full coverage."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from camlog.analysis.drive import say
from camlog.analysis.drive.coverage_needs import HEALTHY, VERDICT, DriveCounts, Need, cam_sentences, needs_of, sentences
from camlog.analysis.drive.ticks import TICK_S, TickStream, tick_table
from camlog.cams import CAM_IDS
from camlog.cautions import DRIVE, caution
from camlog.limits import Limit, limits_for
from camlog.oil_windows import OIL_WINDOWS, OilWindow
from camlog.profile import VehicleProfile
from camlog.stream import Batch, StreamItem
from camlog.trace import Trace

_COUNT_S = 10.0  # the live tracker counts its readings in pieces of this many seconds


@dataclass(frozen=True, slots=True)
class WindowCoverage:
    """Coverage of one cam in one oil window: engine-running seconds, command moves, held and rest seconds."""

    window: OilWindow
    seconds: float
    advance_moves: int
    retard_moves: int
    hold_s: float
    rest_s: float


@dataclass(frozen=True, slots=True)
class CamCoverage:
    cam: str
    sufficient: bool
    judgeable: bool
    missing: tuple[str, ...]
    windows: tuple[WindowCoverage, ...]
    needs: tuple[Need, ...] = ()


@dataclass(frozen=True)
class Coverage:
    """What a drive contained, compared with what a verdict needs.

    `sufficient`: enough for any verdict on every cam, "healthy" included. `judgeable`: enough to name a fault.
    `missing` are sentences, most important first; a sufficient drive may still have some (such as no cold start).
    `per_cam` maps a cam id to its coverage. `refused`: the engine may not be run, so `missing` asks for no driving."""

    sufficient: bool
    judgeable: bool
    missing: tuple[str, ...]
    needs: tuple[Need, ...]
    per_cam: Mapping[str, CamCoverage]
    refused: bool = False

    def to_dict(self) -> dict[str, Any]:
        return {
            "sufficient": self.sufficient, "judgeable": self.judgeable, "missing": list(self.missing),
            "caution": self.caution,
        }  # fmt: skip

    @property
    def caution(self) -> str:
        """The caution to print beside `missing`; "" where `missing` asks for no driving."""
        return caution(DRIVE) if self.missing and not self.refused else ""

    def without_driving(self) -> Coverage:
        """The same coverage for an engine that may not be run: what was missing, without what to drive."""
        per_cam = {
            cam: replace(
                covered, missing=cam_sentences(self.needs, cam, ask=False),
                needs=tuple(replace(n, remedy="") for n in covered.needs),
            )
            for cam, covered in self.per_cam.items()
        }  # fmt: skip
        missing = sentences(self.needs, len(self.per_cam), ask=False)
        first = (say("coverage.checks_first"),) if missing else ()
        return replace(self, missing=first + missing, per_cam=per_cam, refused=True)


def coverage(
    trace: Trace,
    cams: Iterable[str] | None = None,
    windows: Sequence[OilWindow] = OIL_WINDOWS,
    profile: VehicleProfile | None = None,
    limits: Mapping[str, Limit] | None = None,
) -> Coverage:
    """Coverage of a trace. With `cams` None, the profile's cams are taken, or without a profile those in the trace."""
    drive = CoverageTracker(cams, windows, profile, limits)
    counts = drive.counts
    counts.add(tick_table(trace, counts.signals), {name: trace.samples(name)[0] for name in counts.intervals})
    return drive.coverage()


class CoverageTracker:
    """A sink that gives the result of `coverage` live. Its memory and cost do not grow with the drive. Arguments as for
    `coverage`."""

    essential = False

    def __init__(
        self,
        cams: Iterable[str] | None = None,
        windows: Sequence[OilWindow] = OIL_WINDOWS,
        profile: VehicleProfile | None = None,
        limits: Mapping[str, Limit] | None = None,
    ):
        self._limits = limits or limits_for(profile)
        self._windows = tuple(windows)
        if cams is None and profile is not None:
            cams = [c.id for c in profile.cams] or None
        self._expected = cams is not None
        # Bins are so fine that each window, and "warm" or "cold" oil, is a sum of whole bins.
        cold, warm = self._limits["cold_oil_degc"].value, self._limits["warm_oil_degc"].value
        ends = (e for w in windows for e in (w.min_degc, w.max_degc))
        edges = sorted({cold, warm, -math.inf, math.inf, *ends})
        bins = [OilWindow(a, b) for a, b in zip(edges[:-1], edges[1:], strict=True)]
        self.counts = DriveCounts(CAM_IDS if cams is None else tuple(dict.fromkeys(cams)), bins, cold)
        self._ticks = TickStream(self.counts.signals)
        self._times: dict[str, list[float]] = {name: [] for name in self.counts.intervals}
        self._counted_s = 0.0

    def accept(self, item: StreamItem) -> None:
        if not isinstance(item, Batch):
            return
        for name in item.values:
            if name in self._times:
                self._times[name].append(item.time_s)
        self._ticks.add(item.time_s, item.values)
        if item.time_s - self._counted_s >= _COUNT_S:
            self._counted_s = item.time_s
            self._count()

    def close(self) -> None:
        """Nothing to close."""

    def _count(self) -> None:
        self.counts.add(self._ticks.take(), {name: np.array(times) for name, times in self._times.items()})
        for times in self._times.values():
            times.clear()

    def coverage(self) -> Coverage:
        self._count()
        counts = self.counts
        cams = [c for c, k in counts.cam.items() if self._expected or any(k.read)]
        needs = needs_of(counts, cams, self._windows, self._limits)
        judgeable, sufficient = _enough(needs)
        per_cam = {cam: self._of_cam(cam, needs) for cam in cams}
        return Coverage(sufficient, judgeable, sentences(needs, len(cams)), tuple(needs), per_cam)

    def missing(self) -> list[str]:
        return list(self.coverage().missing)

    def _of_cam(self, cam: str, needs: Sequence[Need]) -> CamCoverage:
        counted = self.counts.cam[cam]
        own = tuple(n for n in needs if n.cam in (cam, None))
        judgeable, sufficient = _enough(own)
        windows = []
        for window in self._windows:
            named = {"running": self.counts.running, **counted.counts}
            n = {k: self.counts.within(v, window.min_degc, window.max_degc) for k, v in named.items()}
            running_s, hold_s, rest_s = (n[k] * TICK_S for k in ("running", "hold", "rest"))
            moves = n["advance_moves"], n["retard_moves"]
            windows.append(WindowCoverage(window, running_s, *moves, hold_s, rest_s))
        missing = cam_sentences(needs, cam)
        return CamCoverage(cam, sufficient, judgeable, missing, tuple(windows), own)


def _enough(needs: Iterable[Need]) -> tuple[bool, bool]:
    """Whether the needs met suffice to name a fault, and whether they suffice for "healthy"."""
    unmet = {n.blocks for n in needs if not n.met}
    return VERDICT not in unmet, not unmet & {VERDICT, HEALTHY}
