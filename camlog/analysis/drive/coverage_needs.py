"""What a verdict needs from a drive: one table of needs, and the sentences that say what to drive."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from camlog import cams as cam_names
from camlog.analysis.drive import say
from camlog.analysis.drive.ticks import (
    DRIVE_SIGNALS,
    IDLE,
    TICK_S,
    EngineClassifier,
    EngineStates,
    Intervals,
    Ticks,
    trailing,
)
from camlog.limits import Limit
from camlog.messages import capital
from camlog.oil_windows import OPEN_SENSOR_COOLANT_DEGC, OPEN_SENSOR_DEGC, OilWindow, window_index

# A command move from which a response can be measured: well above quantisation and faster than a warm phaser.
MOVE_DEG = 5.0
MOVE_S = 2.0
# The command counts as held when it stayed within HOLD_BAND_DEG for HOLD_S. Dither and coarse counts fit in the band.
HOLD_BAND_DEG = 2.0
HOLD_S = 1.5
# Commanded away from rest by this much, or to rest within this much.
OFF_REST_DEG = 5.0
AT_REST_DEG = 1.5
AFTER_START_S = 10.0  # a cold-start rattle shows within this time after the start

_MOVE_TICKS = int(MOVE_S / TICK_S) + 1
_HOLD_TICKS = int(HOLD_S / TICK_S) + 1
_KEEP_TICKS = max(_MOVE_TICKS, _HOLD_TICKS) - 1


class CamCounts:
    """Counts of one cam, each an array with one entry a window and a last one for unknown temperature.
    `advance_moves` and `retard_moves` count moves of the command. The others count ticks: `hold` (held away from rest),
    `rest`, `idle_rest`, `idle` (command known, at rest or not) and `cold_start`."""

    def __init__(self, windows: int):
        names = ("advance_moves", "retard_moves", "hold", "rest", "idle_rest", "idle", "cold_start")
        self.counts = {name: np.zeros(windows + 1, dtype=np.int64) for name in names}
        self.command, self.actual = Intervals(), Intervals()
        self._index, self._angle = np.empty(0, dtype=np.int64), np.empty(0)
        self._moving = {"advance_moves": False, "retard_moves": False}

    @property
    def read(self) -> tuple[bool, bool]:
        return self.command.readings > 0, self.actual.readings > 0

    @property
    def pair_interval_s(self) -> float | None:
        """The slower angle's mean sampling interval."""
        command, actual = self.command.mean_s, self.actual.mean_s
        return None if command is None or actual is None else max(command, actual)

    def add(
        self, index: np.ndarray, angle: np.ndarray, where: np.ndarray, states: EngineStates, cold: np.ndarray
    ) -> None:
        """Count the next ticks. `angle` is the command (deg), `where` the window, `cold` True where the oil is cold."""
        old = len(self._index)
        all_index, all_angle = np.concatenate([self._index, index]), np.concatenate([self._angle, angle])
        low, high = (v[old:] for v in trailing(all_angle, all_index, _MOVE_TICKS))
        held_low, held_high = (v[old:] for v in trailing(all_angle, all_index, _HOLD_TICKS))
        # A command counts only if the engine is not known to stand still.
        usable, known, idle = ~states.stopped, np.isfinite(angle), states.state == IDLE
        held = (held_high - held_low <= HOLD_BAND_DEG) & usable
        rest = held & (np.abs(angle) <= AT_REST_DEG)
        ticks = {
            "hold": held & (np.abs(angle) >= OFF_REST_DEG),
            "rest": rest,
            "idle_rest": rest & idle,
            "idle": idle & known,
            "cold_start": states.running & (states.since_start_s <= AFTER_START_S) & cold & known,
        }
        for name, moved_deg in (("advance_moves", angle - low), ("retard_moves", high - angle)):
            moving = (moved_deg >= MOVE_DEG) & usable
            ticks[name] = moving & ~np.concatenate([[self._moving[name]], moving[:-1]])
            self._moving[name] = bool(moving[-1])
        for name, flags in ticks.items():
            self.counts[name] += np.bincount(where[flags], minlength=len(self.counts[name]))
        self._index, self._angle = all_index[-_KEEP_TICKS:], all_angle[-_KEEP_TICKS:]


class DriveCounts:
    """Counts of a drive for the named cams and oil windows. The drive may be added in pieces or at once."""

    def __init__(self, cams: Sequence[str], windows: Sequence[OilWindow], cold_degc: float):
        self.windows = tuple(windows)
        self.cam = {c: CamCounts(len(windows)) for c in cams}
        self.intervals = {cam_names.commanded(c): k.command for c, k in self.cam.items()}
        self.intervals |= {cam_names.actual(c): k.actual for c, k in self.cam.items()}
        self.signals = (*DRIVE_SIGNALS, *(cam_names.commanded(c) for c in cams))
        self.running = np.zeros(len(windows) + 1, dtype=np.int64)
        self.speed_known = self.temperature_known = self._oil_seen = False
        self._cold_degc = cold_degc
        self._engine = EngineClassifier()

    def add(self, ticks: Ticks, reading_times: Mapping[str, np.ndarray]) -> None:
        """Count the next ticks of `signals`. `reading_times` are the times at which each signal of `intervals` was
        read."""
        for name, time_s in reading_times.items():
            self.intervals[name].add(time_s)
        if not len(ticks):
            return
        states = self._engine.classify(ticks)
        oil, coolant = ticks.get("oil_temp"), ticks.get("coolant_temp")
        oil = np.where((oil <= OPEN_SENSOR_DEGC) & (coolant > OPEN_SENSOR_COOLANT_DEGC), np.nan, oil)
        # Until an oil temperature is read, coolant temperature is used.
        oil_seen = np.logical_or.accumulate(np.concatenate([[self._oil_seen], np.isfinite(oil)]))[1:]
        oil = np.where(oil_seen, oil, coolant)
        where = window_index(self.windows, oil)
        where[where < 0] = len(self.windows)
        self._oil_seen = bool(oil_seen[-1])
        self.speed_known |= bool(np.isfinite(ticks.get("engine_speed")).any())
        self.temperature_known |= bool(np.isfinite(oil).any())
        self.running += np.bincount(where[states.running], minlength=len(self.running))
        for cam, counts in self.cam.items():
            counts.add(ticks.index, ticks.get(cam_names.commanded(cam)), where, states, oil < self._cold_degc)

    def within(self, counted: np.ndarray, low_degc: float, high_degc: float) -> int:
        """Sum of `counted` (one entry a window) over the windows from `low_degc` to `high_degc`."""
        inside = [low_degc <= w.min_degc and w.max_degc <= high_degc for w in self.windows]
        return int(np.sum(counted[:-1][inside]))


# What an unmet need prevents, most important first.
VERDICT = "verdict"  # nothing can be said about the cam
HEALTHY = "healthy"  # a fault can be found, but "healthy" cannot be said
DETAIL = "detail"  # one question stays open
_ORDER = (VERDICT, HEALTHY, DETAIL)

# After this much warm idle without a rest command, the engine counts as one that does not rest its cam at idle.
IDLE_WITHOUT_REST_S = 30.0
# Time added to a need when it is asked of the driver, because the command settles first and idle begins late.
SETTLING_S = 5.0
ASKED_HOLD_S = 20.0
RELEASE_S = 20.0


@dataclass(frozen=True, slots=True)
class Need:
    """One thing a verdict needs from a drive. `cam` is a cam id, or None for the whole drive. `blocks` is one of
    VERDICT, HEALTHY, DETAIL. `have` and `want` are in `unit`. `lack` says what is missing and `remedy` what to drive,
    both without the cam's name."""

    name: str
    cam: str | None
    met: bool
    blocks: str
    have: float | None
    want: float
    unit: str
    lack: str
    remedy: str


@dataclass(frozen=True)
class _Drive:
    """A drive and one of its cams: the argument of the table's functions."""

    counts: DriveCounts
    cams: Sequence[str]
    limits: Mapping[str, Limit]
    cam: str = ""

    @property
    def own(self) -> CamCounts:
        return self.counts.cam[self.cam]

    def warm(self, name: str) -> int:
        return self.counts.within(self.own.counts[name], self.limits["warm_oil_degc"].value, math.inf)

    def warm_s(self, name: str) -> float:
        return self.warm(name) * TICK_S


@dataclass(frozen=True)
class _Row:
    """One row: `have` of the drive must reach `want`, a number or the name of a limit."""

    name: str
    blocks: str
    unit: str
    want: float | str
    have: Callable[[_Drive], float | None]
    # Name of the template for the lack, if it is neither `none` nor `some`.
    words: Callable[[_Drive], str | None] = lambda drive: None


# The sentences are in messages.toml under the row's name.
_OF_DRIVE = (
    _Row("cam_angles", VERDICT, "", 1.0, lambda d: float(bool(d.cams))),
    _Row("engine_speed", DETAIL, "", 1.0, lambda d: float(d.counts.speed_known)),
    _Row("oil_temperature", HEALTHY, "", 1.0, lambda d: float(d.counts.temperature_known)),
)
_OF_RUNNING = _Row("running", HEALTHY, "s", "needed_running_s", lambda d: d.counts.running.sum() * TICK_S)
_OF_PAIR = _Row(
    "pair", VERDICT, "count", 2.0, lambda d: float(sum(d.own.read)),
    lambda d: {(True, False): "actual", (False, True): "commanded"}.get(d.own.read),
)  # fmt: skip
_OF_CAM = (
    _Row("sampling", VERDICT, "s", "needed_pair_interval_s", lambda d: d.own.pair_interval_s),
    _Row("steps_advance", HEALTHY, "count", "needed_steps", lambda d: d.warm("advance_moves")),
    _Row("steps_retard", HEALTHY, "count", "needed_steps", lambda d: d.warm("retard_moves")),
    _Row("hold", HEALTHY, "s", "needed_hold_s", lambda d: d.warm_s("hold")),
    # Rest counts wherever it was commanded with warm oil; the driver is asked for idle, where it can be brought about.
    _Row("rest", HEALTHY, "s", "needed_rest_s", lambda d: d.warm_s("rest")),
    _Row("cold_start", DETAIL, "", 1.0, lambda d: float(d.own.counts["cold_start"].any())),
)


def needs_of(
    counts: DriveCounts, cams: Sequence[str], windows: Sequence[OilWindow], limits: Mapping[str, Limit]
) -> list[Need]:
    """Every need of a verdict on `cams`, met or not: for the drive, for each cam, for the oil windows."""
    drive = _Drive(counts, cams, limits)
    needs = [_need(drive, row) for row in _OF_DRIVE]
    if counts.speed_known:
        needs.append(_need(drive, _OF_RUNNING))
    for cam in cams:
        own = _Drive(counts, cams, limits, cam)
        needs.append(_need(own, _OF_PAIR))
        if needs[-1].met:  # without both angles the other needs would only repeat this one
            needs += [_need(own, row) for row in _OF_CAM]
    # Only windows below warm oil are asked for; nobody is asked to overheat an engine.
    below = [w for w in windows if w.max_degc <= limits["warm_oil_degc"].value]
    if cams and below and counts.temperature_known and counts.speed_known:
        want = limits["needed_window_s"].value
        seconds = [counts.within(counts.running, w.min_degc, w.max_degc) * TICK_S for w in below]
        lacking = [w.label for w, have in zip(below, seconds, strict=True) if have < want]
        lack = say("oil_window.none", want=want, windows=say("oil_window.between").join(lacking))
        remedy = say("oil_window.remedy")
        needs.append(Need("oil_window", None, not lacking, DETAIL, min(seconds), want, "s", lack, remedy))
    return needs


def _need(drive: _Drive, row: _Row) -> Need:
    want = drive.limits[row.want].value if isinstance(row.want, str) else row.want
    have, blocks, name = row.have(drive), row.blocks, row.name
    met = have is not None and (have <= want if row.name == "sampling" else have >= want)
    if row.name == "rest" and not met and drive.warm_s("idle_rest") < want:
        if drive.warm_s("idle") >= IDLE_WITHOUT_REST_S:
            blocks, name = DETAIL, "rest_elsewhere"
    template = row.words(drive) or ("some" if have and f"{name}.some" in say else "none")
    values = {
        "have": max(have or 0.0, 1.0), "value": have, "want": want,
        "warm": drive.limits["warm_oil_degc"].value, "cold": drive.limits["cold_oil_degc"].value,
        "hold_s": max(want + SETTLING_S, ASKED_HOLD_S), "rest_s": want + RELEASE_S,
    }  # fmt: skip
    lack, remedy = say(f"{name}.{template}", **values), say(f"{name}.remedy", **values)
    return Need(row.name, drive.cam or None, met, blocks, have, want, row.unit, lack, remedy)


def sentences(needs: Iterable[Need], cam_count: int, *, ask: bool = True) -> tuple[str, ...]:
    """One sentence for each unmet need, most important first; a lack shared by several cams gives one sentence.
    `ask` False leaves out what to drive, for an engine that may not be run."""
    groups: dict[tuple[str, str], list[str]] = {}
    for need in sorted((n for n in needs if not n.met), key=lambda n: _ORDER.index(n.blocks)):
        groups.setdefault((need.lack, need.remedy), []).extend([need.cam] if need.cam is not None else [])
    whole, form = [], "coverage.with_remedy" if ask else "coverage.without_remedy"
    for (lack, remedy), cams in groups.items():
        if 0 < len(cams) < cam_count:  # a lack that every cam shares needs no names
            parts = ((cam_names.side_of(c), cam_names.bank_of(c)) for c in cams)
            named = ", ".join(say("coverage.cam", side=side, bank=bank) for side, bank in parts)
            lack = say("coverage.of_cams", cams=capital(named), lack=lack[0].lower() + lack[1:])
        whole.append(say(form, lack=lack, remedy=remedy))
    return tuple(whole)


def cam_sentences(needs: Iterable[Need], cam: str, *, ask: bool = True) -> tuple[str, ...]:
    """The sentences of one cam's unmet needs, then those of the whole drive."""
    own, whole = ([n for n in needs if n.cam == owner] for owner in (cam, None))
    return sentences(own, 1, ask=ask) + sentences(whole, 0, ask=ask)
