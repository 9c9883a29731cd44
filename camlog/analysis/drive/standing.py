"""The test at standstill: throttle instructions, step by step, until a verdict has the data it needs.

No gear is engaged. The engine's own map turns speed and load into moves of its cams, where it moves them at standstill
at all: the first openings of the throttle show that. Speeds and times are common practice, no source."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from itertools import chain, repeat
from typing import NamedTuple

from camlog.analysis.cam.standing import MOVED_DEG
from camlog.analysis.do_not_run import LiveCare
from camlog.analysis.drive import say
from camlog.analysis.drive.coverage import CoverageTracker
from camlog.cams import CAM_IDS, commanded
from camlog.limits import limits_for
from camlog.profile import VehicleProfile
from camlog.stream import Batch, StreamItem

MOST_S = 300.0
NEAR_RPM = 300.0  # of the speed asked for
OPENED_RPM, CLOSED_RPM = 2000.0, 1300.0  # an opening rises above OPENED_RPM, and begins and ends below CLOSED_RPM
ROLLING_KMH = 3.0
_COMMANDS = frozenset(map(commanded, CAM_IDS))
MOST_STEP_S = 1.0  # longest time counted between two readings of engine speed


class Step(NamedTuple):
    """One instruction: hold an engine speed (`rpm`) for `want` seconds, or open the throttle `want` times (rpm 0)."""

    name: str
    want: float
    rpm: float = 0.0


FIRST = (Step("idle", 10.0, 800.0), Step("openings", 3.0))
ROUND = (Step("steady", 15.0, 1500.0), Step("steady", 15.0, 2500.0), Step("idle", 15.0, 800.0), Step("openings", 5.0))


class StandingTest:
    """A sink that guides a recording at standstill. `instruction` is what to do now; `over` says why the test has ended
    ("" while it goes on), and `end` is called once then. `covered` tracks the coverage. Also a `Care`: its sentences
    come first, and an engine that may not run gets no instruction."""

    def __init__(self, profile: VehicleProfile | None, end: Callable[[], None]):
        self.covered = CoverageTracker(profile=profile)
        self._care, self._end = LiveCare(limits_for(profile)), end
        self._steps: Iterator[Step] = chain(FIRST, chain.from_iterable(repeat(ROUND)))
        self._step, self._done, self._made = next(self._steps), 0.0, 0
        self._begun_s: float | None = None
        self._at_s, self._opened, self._rolls = 0.0, False, False
        self._command_range: dict[str, tuple[float, float]] = {}  # least and greatest command of each cam
        self.over = ""

    def sentences(self) -> tuple[str, ...]:
        """The sentences about an engine that must be stopped or may not be run."""
        return self._care.sentences()

    @property
    def instruction(self) -> str:
        if self.over or self.sentences():
            return self.over
        if self._rolls:
            return say("standing.rolls")
        return say(f"standing.{self._step.name}", rpm=self._step.rpm, done=self._done, want=self._step.want)

    def accept(self, item: StreamItem) -> None:
        self._care.accept(item)
        if not isinstance(item, Batch) or self.over:
            return
        self.covered.accept(item)
        for name in _COMMANDS & item.values.keys():
            if math.isfinite(value := item.values[name]):
                low, high = self._command_range.get(name, (value, value))
                self._command_range[name] = min(low, value), max(high, value)
        if (speed := item.values.get("vehicle_speed")) is not None:
            self._rolls = speed > ROLLING_KMH
        rpm = item.values.get("engine_speed", math.nan)
        if math.isfinite(rpm) and not self._rolls:
            self._count(item.time_s, rpm)

    def _count(self, time_s: float, rpm: float) -> None:
        self._begun_s = time_s if self._begun_s is None else self._begun_s
        passed_s, self._at_s = min(time_s - self._at_s, MOST_STEP_S), time_s
        if self._step.rpm:
            self._done += passed_s * (abs(rpm - self._step.rpm) <= NEAR_RPM)
        elif self._opened and rpm < CLOSED_RPM:
            self._opened, self._done = False, self._done + 1.0
        elif rpm > OPENED_RPM:
            self._opened = True
        if self._done >= self._step.want:
            self._step, self._done, self._made, self._opened = next(self._steps), 0.0, self._made + 1, False
            self._end_step()
        if not self.over and time_s - self._begun_s > MOST_S:
            self._finish("time")

    def _end_step(self) -> None:
        """After a step: check whether the engine moves its cams at all, and whether there is enough data."""
        if self._made < len(FIRST):
            return
        largest_move = max((high - low for low, high in self._command_range.values()), default=0.0)
        if not self._command_range:
            self._finish("no_angles")
        elif largest_move < MOVED_DEG:
            self._finish("does_not_move", went=largest_move)
        elif self._made > len(FIRST) + len(ROUND) and self.covered.coverage().judgeable:
            self._finish("enough")

    def _finish(self, reason: str, **values: float) -> None:
        self.over = say(f"standing.{reason}", **values)
        self._end()
