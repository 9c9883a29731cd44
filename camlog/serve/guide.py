"""What is still to drive for a verdict, live, one instruction each; and the verdict so far."""

from __future__ import annotations

import math
import re
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from camlog.analysis.do_not_run import LiveCare
from camlog.analysis.drive.coverage import Coverage, CoverageTracker
from camlog.analysis.drive.coverage_needs import DETAIL, HEALTHY, VERDICT, Need
from camlog.errors import InputError
from camlog.limits import limits_for
from camlog.oil_windows import OPEN_SENSOR_COOLANT_DEGC, OPEN_SENSOR_DEGC
from camlog.profile import VehicleProfile
from camlog.serve.jobs import Jobs, provisional
from camlog.sinks.words import cam_text
from camlog.stream import Batch, StreamItem

FIRST_LOOK_S = 45.0
LOOK_EVERY_S = 10.0
LOOK_SHARE = 8.0  # a look follows the last one after this many times what that one took
_FRESH_S = 0.5  # many pages ask; coverage is judged this often at most

# Needs in the order one drives them, with what each is called. `{warm}` is the temperature of warm oil.
TITLES = {
    "cam_angles": "Cam angles are read",
    "pair": "Both angles of each cam are read",
    "engine_speed": "Engine speed is read",
    "oil_temperature": "Oil or coolant temperature is read",
    "sampling": "Angles are read often enough",
    "cold_start": "Cold start",
    "oil_window": "Warm-up",
    "running": "Engine running",
    "hold": "Steady cruise, oil above {warm:.0f} °C",
    "steps_advance": "Brisk pull-aways, oil above {warm:.0f} °C",
    "steps_retard": "Pedal releases, oil above {warm:.0f} °C",
    "rest": "Idle, oil above {warm:.0f} °C",
}
_ORDER = list(TITLES)
_NEEDS_WARM_OIL = ("hold", "steps_advance", "steps_retard", "rest")
_TOO_LATE = "Too late for this drive; next time begin recording before starting the cold engine"
_GRAVITY = (VERDICT, HEALTHY, DETAIL)


@dataclass(frozen=True, slots=True)
class GuideItem:
    """One thing to drive. `have` and `want` in `unit` (None: not a figure), `share` of it done, 0 to 1.

    `blocks` is what it stands in the way of while unmet; `possible` False where this drive can no longer
    bring it. `instruction` is empty once it is met.
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


@dataclass(frozen=True, slots=True)
class Provisional:
    """The verdict so far: `cams` maps a cam to condition, confidence and reason; `at_s` how much was driven.

    `settled`: the look before said the same. `do_not_run` are the first lines where the engine may not be run.
    """

    cams: dict[str, tuple[str, float, str]]
    at_s: float
    settled: bool
    do_not_run: tuple[str, ...] = ()


class Guide:
    """A view sink that follows what a drive contains; safe to ask from any thread.

    With `jobs` and `trace` it looks at the trace written so far, in the jobs' process, at growing intervals
    (`tick` is to be called every second or so).
    """

    essential = False

    def __init__(
        self,
        profile: VehicleProfile | None = None,
        *,
        jobs: Jobs | None = None,
        trace: Path | None = None,
        vehicle: str | None = None,
        clock: Callable[[], float] = time.monotonic,
    ):
        self._profile = profile
        self._jobs, self._trace, self._vehicle = jobs, trace, vehicle
        self._clock = clock
        self._limits = limits_for(profile)
        self._lock = threading.Lock()
        self._begun_s = clock()
        self._look: str | None = None
        self._look_began_s = 0.0
        self._next_look_s = self._begun_s + FIRST_LOOK_S
        self._verdict: Provisional | None = None
        self.reset()

    def reset(self) -> None:
        """Forget the drive so far: a saved one goes on at another place."""
        with self._lock:
            self._tracker = CoverageTracker(profile=self._profile)
            self._covered: Coverage | None = None
            self._covered_s = 0.0
            self._care = LiveCare(self._limits)
            self._oil_degc: float | None = None
            self._coolant_degc: float | None = None

    # ------------------------------------------------------------------ the stream
    def accept(self, item: StreamItem) -> None:
        """Take one item of the stream."""
        with self._lock:
            self._care.accept(item)
            if not isinstance(item, Batch):
                return
            self._tracker.accept(item)
            oil, coolant = item.values.get("oil_temp"), item.values.get("coolant_temp")
            if oil is not None and math.isfinite(oil):
                self._oil_degc = oil
            if coolant is not None and math.isfinite(coolant):
                self._coolant_degc = coolant

    def close(self) -> None:
        """Nothing to close."""

    # ------------------------------------------------------------------ whether to drive
    def do_not_run(self) -> tuple[str, ...]:
        """Why the engine is to be stopped, or not to be run or driven: the first thing said; empty where it may run."""
        with self._lock:
            seen = self._verdict.do_not_run if self._verdict is not None else ()
            return tuple(dict.fromkeys((*self._care.sentences(), *seen)))

    # ------------------------------------------------------------------ what to drive
    def coverage(self) -> Coverage:
        """Coverage so far, at most half a second old."""
        with self._lock:
            now = self._clock()
            if self._covered is None or now - self._covered_s >= _FRESH_S:
                self._covered, self._covered_s = self._tracker.coverage(), now
            return self._covered

    def items(self) -> list[GuideItem]:
        """Everything a verdict needs, met or not, in the order one drives it; several cams' same need once."""
        covered = self.coverage()
        groups: dict[str, list[Need]] = {}
        for need in covered.needs:
            groups.setdefault(need.name, []).append(need)
        refused = bool(self.do_not_run())
        found = []
        for name in sorted(groups, key=lambda n: _ORDER.index(n) if n in TITLES else len(_ORDER)):
            found += (
                self._windows(covered) if name == "oil_window" else [self._item(name, groups[name], covered)]
            )
        # Nobody is asked to drive an engine that may not be run.
        return [replace(i, instruction="") for i in found] if refused else found

    def can_stop(self) -> bool:
        """Enough for any verdict, and the last two looks at the trace agree."""
        with self._lock:
            settled = self._verdict is not None and self._verdict.settled
        return settled and self.coverage().sufficient

    def next_instruction(self) -> str:
        """The one thing to do now, in words a driver can be told."""
        if stop := self.do_not_run():
            return stop[0]
        if self.can_stop():
            return "You can stop now: there is enough for a verdict."
        open_items = [item for item in self.items() if not item.met and item.possible]
        if not open_items:
            return "There is enough for a verdict; drive on while it is looked at once more."
        item = min(open_items, key=lambda i: _GRAVITY.index(i.blocks))
        warm = self._limits["warm_oil_degc"].value
        oil = self._temperature()
        if item.name in _NEEDS_WARM_OIL and oil is not None and oil < warm:
            return f"Drive on until the oil is above {warm:.0f} °C; it is at {oil:.0f} °C."
        return f"{item.instruction}."

    def verdict(self) -> Provisional | None:
        """The verdict so far, or None before the first look."""
        with self._lock:
            return self._verdict

    def tick(self) -> None:
        """Begin a look at the trace where one is due, and take in what the last one found."""
        if self._jobs is None or self._trace is None:
            return
        now = self._clock()
        if self._look is not None:
            look = self._jobs.look(self._look)
            if look is not None and look.state in ("waiting", "running"):
                return
            self._look = None
            self._next_look_s = now + max(LOOK_EVERY_S, LOOK_SHARE * (now - self._look_began_s))
            if look is not None and look.state == "done":
                self._seen(look.result)
        elif now >= self._next_look_s:
            self._look_began_s = now
            try:
                self._look = self._jobs.submit(
                    "Verdict so far", provisional, str(self._trace), self._vehicle, key=f"look {self._trace}"
                )
            except InputError:
                self._next_look_s = now + LOOK_EVERY_S  # there is too much to do before it

    # ------------------------------------------------------------------ inside
    def _seen(self, result: dict) -> None:
        cams = {c: (f["condition"], f["confidence"], f["reason"]) for c, f in result["cams"].items()}
        with self._lock:
            before = self._verdict
            same = before is not None and {c: v[0] for c, v in before.cams.items()} == {
                c: v[0] for c, v in cams.items()
            }
            self._verdict = Provisional(
                cams, float(result["seconds"]), bool(cams) and same, tuple(result.get("do_not_run", ()))
            )

    def _temperature(self) -> float | None:
        """The oil's temperature, or the coolant's, as coverage takes it; None where neither was read."""
        with self._lock:
            oil, coolant = self._oil_degc, self._coolant_degc
        if oil is None or (
            oil <= OPEN_SENSOR_DEGC and coolant is not None and coolant > OPEN_SENSOR_COOLANT_DEGC
        ):
            return coolant
        return oil

    def _item(self, name: str, needs: Sequence[Need], covered: Coverage) -> GuideItem:
        unmet = [n for n in needs if not n.met]
        shown = min(needs, key=_share)
        title = TITLES.get(name, name.replace("_", " ")).format(warm=self._limits["warm_oil_degc"].value)
        possible, instruction = True, ""
        if unmet:
            instruction = _sentence(unmet[0].remedy)
            named = [n.cam for n in unmet if n.cam is not None]
            if named and len(named) < len(covered.per_cam):
                title += f" ({', '.join(cam_text(c) for c in named)})"
            if name == "cold_start" and self._too_warm(self._limits["cold_oil_degc"].value):
                possible, instruction = False, _TOO_LATE
        return GuideItem(
            name, title, not unmet, instruction, shown.have, shown.want, shown.unit, min(map(_share, needs)),
            min((n.blocks for n in needs), key=_GRAVITY.index), possible,
        )  # fmt: skip

    def _windows(self, covered: Coverage) -> list[GuideItem]:
        """One item an oil window below warm oil: seconds of running in it."""
        want = self._limits["needed_window_s"].value
        cams = list(covered.per_cam.values())
        if not cams:
            return []
        found = []
        for window in cams[0].windows:
            if window.window.max_degc > self._limits["warm_oil_degc"].value:
                continue
            met = window.seconds >= want
            possible = met or not self._too_warm(window.window.max_degc)
            instruction = "" if met else "Let it warm up while recording" if possible else _TOO_LATE
            found.append(
                GuideItem(
                    "oil_window", f"Oil {window.window.label}", met, instruction, window.seconds, want, "s",
                    min(1.0, window.seconds / want), DETAIL, possible,
                )
            )  # fmt: skip
        return found

    def _too_warm(self, degc: float) -> bool:
        oil = self._temperature()
        return oil is not None and oil > degc


def _share(need: Need) -> float:
    if need.met:
        return 1.0
    if need.have is None or need.name == "sampling":
        return 0.0
    return max(0.0, min(0.99, need.have / need.want)) if need.want > 0 else 0.0


def _sentence(text: str) -> str:
    """As it is read out: a capital, and seconds in full."""
    return text[:1].upper() + re.sub(r"(?<=\d) s\b", " seconds", text[1:])
