"""Live instructions on what is still to drive for a verdict, and the verdict so far."""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from camlog.analysis.do_not_run import LiveCare
from camlog.analysis.drive.coverage import Coverage, CoverageTracker
from camlog.analysis.drive.coverage_needs import DETAIL, HEALTHY, VERDICT, Need
from camlog.analysis.figures import FAULTS
from camlog.cams import short
from camlog.errors import InputError
from camlog.limits import limits_for
from camlog.oil_windows import OPEN_SENSOR_COOLANT_DEGC, OPEN_SENSOR_DEGC
from camlog.profile import VehicleProfile
from camlog.serve.jobs import Jobs
from camlog.serve.tasks import provisional
from camlog.serve.words import sentence
from camlog.stream import Batch, StreamItem

FIRST_LOOK_S = 45.0
LOOK_EVERY_S = 10.0
# A fault is named if all looks since this share of the drive agree, over this share of it, and at least so many.
# Measured on 36 simulated drives (confidence of 60 % or more, a look every 15 or 30 s): the whole drive denied 9 of 233
# faults named in this way, and 38 of 362 named by a single look.
HELD_SINCE, HELD_FOR, LEAST_LOOKS = 0.5, 0.25, 3
LOOK_SHARE = 8.0  # the next look waits this many times the duration of the last one
_FRESH_S = 0.5  # least time between two evaluations of coverage, whatever the number of pages

TITLES = sentence.table("need")  # by need, in the order of driving
_ORDER = list(TITLES)
_NEEDS_WARM_OIL = ("hold", "steps_advance", "steps_retard", "rest")
_GRAVITY = (VERDICT, HEALTHY, DETAIL)


@dataclass(frozen=True, slots=True)
class GuideItem:
    """One thing to drive. `have` and `want` are in `unit` (None: not a figure), `share` is the share done, 0 to 1.

    `blocks` is what cannot be judged while it is unmet; `possible` is False if this drive cannot meet it any more.
    `instruction` is empty if it is met.
    """

    name: str
    title: str
    met: bool
    instruction: str
    have: float | None
    want: float
    unit: str
    share: float
    blocks: str
    possible: bool = True


DriveEvidence = dict[str, tuple[str, float, str]]  # by cam: condition, confidence, reason
# Conditions of a verdict so far that does not hold: some fault each time, or nothing yet.
FAULTY, OPEN = "faulty", "open"


@dataclass(frozen=True, slots=True)
class Provisional:
    """The verdict so far: `cams` as returned by `held`, after `at_s` of driving.

    `settled`: the verdict of every cam holds. `do_not_run` are the first lines if the engine must not be run.
    """

    cams: DriveEvidence
    at_s: float
    settled: bool
    do_not_run: tuple[str, ...] = ()


def held(looks: Sequence[tuple[float, DriveEvidence]]) -> DriveEvidence:
    """The condition of each cam on which the looks at a growing drive (seconds driven, evidence) agree. A condition is
    named if every look since HELD_SINCE of the drive named it over HELD_FOR of the drive, not counting first looks with
    insufficient data; its confidence is the lowest of these looks. Else it is FAULTY if each look named some fault, and
    OPEN otherwise."""
    at_s, agreed = looks[-1][0], {}
    for cam, (condition, _, reason) in looks[-1][1].items():
        recent = [(s, *seen[cam][:2]) for s, seen in looks if s >= HELD_SINCE * at_s and cam in seen]
        if condition != "insufficient_data":
            recent = recent[[name != "insufficient_data" for _, name, _ in recent].index(True) :]
        named = {name for _, name, _ in recent}
        long = len(recent) >= LEAST_LOOKS and at_s - recent[0][0] >= HELD_FOR * at_s
        if named == {condition} and (long or condition == "insufficient_data"):
            agreed[cam] = condition, min(sure for *_, sure in recent), reason
        else:
            agreed[cam] = FAULTY if long and named <= set(FAULTS) else OPEN, 0.0, reason
    return agreed


class Guide:
    """A view sink that follows what a drive contains; can be used from any thread.

    With `jobs` and `trace` it analyses the trace written so far, in the jobs' process, at growing intervals (call
    `tick` about every second).
    """

    essential = False

    def __init__(
        self, profile: VehicleProfile | None = None, *, jobs: Jobs | None = None, trace: Path | None = None,
        vehicle: str | None = None, clock: Callable[[], float] = time.monotonic,
    ):  # fmt: skip
        self._profile = profile
        self._jobs, self._trace, self._vehicle = jobs, trace, vehicle
        self._clock = clock
        self._limits = limits_for(profile)
        self._lock = threading.Lock()
        self._begun_s = clock()
        self._look: str | None = None
        self._look_began_s = 0.0
        self._next_look_s = self._begun_s + FIRST_LOOK_S
        self._looks: list[tuple[float, DriveEvidence]] = []
        self._verdict: Provisional | None = None
        self.reset()

    def reset(self) -> None:
        """Forget the drive so far, because a saved one continues at another place."""
        with self._lock:
            self._tracker = CoverageTracker(profile=self._profile)
            self._covered: Coverage | None = None
            self._covered_s = 0.0
            self._care = LiveCare(self._limits)
            self._degc: dict[str, float] = {}

    # ------------------------------------------------------------------ the stream
    def accept(self, item: StreamItem) -> None:
        """Take one item of the stream."""
        with self._lock:
            self._care.accept(item)
            if not isinstance(item, Batch):
                return
            self._tracker.accept(item)
            for signal in ("oil_temp", "coolant_temp"):
                if math.isfinite(value := item.values.get(signal, math.nan)):
                    self._degc[signal] = value

    def close(self) -> None:
        """Nothing to close."""

    # ------------------------------------------------------------------ whether to drive
    def do_not_run(self) -> tuple[str, ...]:
        """Why the engine must be stopped, or not be run or driven, as first lines; empty if it may run."""
        with self._lock:
            lines = self._verdict.do_not_run if self._verdict is not None else ()
            return tuple(dict.fromkeys((*self._care.sentences(), *lines)))

    # ------------------------------------------------------------------ what to drive
    def coverage(self) -> Coverage:
        """Coverage so far, at most half a second old."""
        with self._lock:
            now = self._clock()
            if self._covered is None or now - self._covered_s >= _FRESH_S:
                self._covered, self._covered_s = self._tracker.coverage(), now
            return self._covered

    def items(self) -> list[GuideItem]:
        """Everything that a verdict needs, met or not, in the order of driving; the same need of several cams once."""
        covered = self.coverage()
        groups: dict[str, list[Need]] = {}
        for need in covered.needs:
            groups.setdefault(need.name, []).append(need)
        items = []
        for name in sorted(groups, key=lambda n: _ORDER.index(n) if n in _ORDER else len(_ORDER)):
            items += self._windows(covered) if name == "oil_window" else [self._item(name, groups[name], covered)]
        # No instructions to drive if the engine must not be run.
        return [replace(i, instruction="") for i in items] if self.do_not_run() else items

    def can_stop(self) -> bool:
        """True if the drive is enough for any verdict, and the verdict so far holds."""
        verdict = self.verdict()
        return verdict is not None and verdict.settled and self.coverage().sufficient

    def next_item(self) -> GuideItem | None:
        """What to drive now; None if nothing is needed or possible."""
        open_items = [item for item in self.items() if not item.met and item.possible]
        return min(open_items, key=lambda i: _GRAVITY.index(i.blocks), default=None)

    def next_instruction(self) -> str:
        """The one thing to do now, as an instruction for the driver."""
        if stop := self.do_not_run():
            return " ".join(stop[:2])  # the instruction and its reason
        if self.can_stop():
            return sentence("can_stop")
        item = self.next_item()
        if item is None:
            return sentence("enough_driven")
        warm, oil = self._limits["warm_oil_degc"].value, self._temperature()
        if item.name in _NEEDS_WARM_OIL and oil is not None and oil < warm:
            return sentence("until_warm", warm=warm, oil=oil)
        return f"{item.instruction}."

    def verdict(self) -> Provisional | None:
        """The verdict so far, or None before the first look."""
        with self._lock:
            return self._verdict

    def tick(self) -> None:
        """Start a look at the trace if one is due, and use the result of the last one."""
        if self._jobs is None or self._trace is None:
            return
        now = self._clock()
        if self._look is not None:
            look = self._jobs.look(self._look)
            if look is not None and not look.over:
                return
            self._look = None
            self._next_look_s = now + max(LOOK_EVERY_S, LOOK_SHARE * (now - self._look_began_s))
            if look is not None and look.state == "done":
                self._take_verdict(look.result)
        elif now >= self._next_look_s:
            self._look_began_s = now
            key = f"look {self._trace}"
            try:
                self._look = self._jobs.submit("Verdict so far", provisional, str(self._trace), self._vehicle, key=key)
            except InputError:
                self._next_look_s = now + LOOK_EVERY_S  # too many jobs are waiting

    # ------------------------------------------------------------------ inside
    def _take_verdict(self, result: dict) -> None:
        seen, at_s = (
            {c: (f["condition"], f["confidence"], f["reason"]) for c, f in result["cams"].items()},
            float(result["seconds"]),
        )
        self._looks = [look for look in self._looks if look[0] >= HELD_SINCE * at_s] + [(at_s, seen)]
        cams, stop = held(self._looks), tuple(result.get("do_not_run", ()))
        settled = bool(cams) and not {FAULTY, OPEN} & {condition for condition, *_ in cams.values()}
        with self._lock:
            self._verdict = Provisional(cams, at_s, settled, stop)

    def _temperature(self) -> float | None:
        """The temperature of the oil, or of the coolant, as used by coverage; None if neither was read."""
        with self._lock:
            oil, coolant = (self._degc.get(signal) for signal in ("oil_temp", "coolant_temp"))
        warm = coolant is not None and coolant > OPEN_SENSOR_COOLANT_DEGC
        return coolant if oil is None or (oil <= OPEN_SENSOR_DEGC and warm) else oil

    def _item(self, name: str, needs: Sequence[Need], covered: Coverage) -> GuideItem:
        unmet = [n for n in needs if not n.met]
        shown = min(needs, key=_share)
        title = name.replace("_", " ")
        if name in TITLES:
            title = sentence(f"need.{name}", warm=self._limits["warm_oil_degc"].value)
        possible, instruction = True, ""
        if unmet:
            instruction = sentence("instruct", remedy=unmet[0].remedy)
            cams = [n.cam for n in unmet if n.cam is not None]
            if cams and len(cams) < len(covered.per_cam):
                title = sentence("of_cams", title=title, cams=", ".join(short(c) for c in cams))
            if name == "cold_start" and self._too_warm(self._limits["cold_oil_degc"].value):
                possible, instruction = False, sentence("too_late")
        blocks, figure = min((n.blocks for n in needs), key=_GRAVITY.index), (shown.have, shown.want, shown.unit)
        return GuideItem(name, title, not unmet, instruction, *figure, _share(shown), blocks, possible)

    def _windows(self, covered: Coverage) -> list[GuideItem]:
        """One item per oil window below warm oil: seconds of running in it."""
        want = self._limits["needed_window_s"].value
        cams = list(covered.per_cam.values())
        items = []
        for window in cams[0].windows if cams else ():
            if window.window.max_degc > self._limits["warm_oil_degc"].value:
                continue
            have, met = window.seconds, window.seconds >= want
            possible = met or not self._too_warm(window.window.max_degc)
            instruction = "" if met else sentence("warming" if possible else "too_late")
            title, share = sentence("oil_window", window=window.window.label), min(1.0, have / want)
            items.append(GuideItem("oil_window", title, met, instruction, have, want, "s", share, DETAIL, possible))
        return items

    def _too_warm(self, degc: float) -> bool:
        oil = self._temperature()
        return oil is not None and oil > degc


def _share(need: Need) -> float:
    if need.met:
        return 1.0
    if need.have is None or need.name == "sampling" or need.want <= 0:
        return 0.0
    return max(0.0, min(0.99, need.have / need.want))
