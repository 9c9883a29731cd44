"""Trouble codes over driving cycles: pending, stored with the lamp, permanent, erased again.

By 13 CCR 1968.2(d)(2): a fault detected in two successive driving cycles is stored, lights the lamp and becomes
permanent. The lamp goes out after three successive driving cycles whose monitor ran and passed. A stored code is erased
after 40 warm-up cycles without the fault. A permanent code survives service 04 and erases itself after its monitor has
passed and a driving cycle of 600 s, with 300 s at 40 km/h or more and 30 s of continuous idle, has been driven."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

GOOD_CYCLES_TO_LAMP_OFF = 3
WARM_UPS_TO_ERASE = 40
WARM_UP_RISE_K, WARM_UP_REACH_DEGC = 22.0, 71.0
PERMANENT_RUN_S, PERMANENT_SPEED_S, PERMANENT_IDLE_S = 600.0, 300.0, 30.0
PERMANENT_SPEED_KMH, IDLE_SPEED_KMH = 40.0, 1.6
# Misfire and fuel faults replace the freeze frame of other faults (13 CCR 1968.2, from memory).
FRAME_PRIORITY = ("P030", "P031", "P017")
COUNTERS = ("warm_ups", "distance_km", "time_min", "distance_with_mil_km", "time_with_mil_min")


@dataclass(slots=True)
class CodeRecord:
    """The module's record of one code."""

    pending: bool = False
    pending_cycle: int = -1
    stored: bool = False
    permanent: bool = False
    lamp: bool = False
    good_cycles: int = 0
    warm_ups: int = 0
    cleared: bool = False
    passed_since_clear: bool = False
    failed_now: bool = False
    passed_now: bool = False

    def end_cycle(self, permanent_drive_met: bool) -> None:
        if self.passed_now:
            self.pending = False
            if self.lamp:
                self.good_cycles += 1
                if self.good_cycles >= GOOD_CYCLES_TO_LAMP_OFF:
                    self.lamp = self.permanent = False
                    self.warm_ups = 0
            if self.cleared and self.passed_since_clear and permanent_drive_met:
                self.permanent = self.cleared = False
        if self.warm_ups >= WARM_UPS_TO_ERASE:
            self.stored = False
        self.failed_now = self.passed_now = False


@dataclass(slots=True)
class CycleClock:
    """The contents of one driving cycle so far."""

    run_s: float = 0.0
    speed_s: float = 0.0
    idle_s: float = 0.0
    longest_idle_s: float = 0.0
    start_coolant_degc: float | None = None
    warmed_up: bool = False

    @property
    def erases_permanent(self) -> bool:
        driven = self.run_s >= PERMANENT_RUN_S and self.speed_s >= PERMANENT_SPEED_S
        return driven and self.longest_idle_s >= PERMANENT_IDLE_S


@dataclass(slots=True)
class CodeMemory:
    codes: dict[str, CodeRecord] = field(default_factory=dict)
    freeze_frame: dict[str, Any] | None = None
    since_clear: dict[str, float] = field(default_factory=lambda: dict.fromkeys(COUNTERS, 0.0))
    cycle: int = 0
    permanent_drive_met: bool = False
    clock: CycleClock = field(default_factory=CycleClock)

    @property
    def lamp(self) -> bool:
        return any(r.lamp for r in self.codes.values())

    def listed(self, kind: str) -> tuple[str, ...]:
        """Codes that are `pending`, `stored` or `permanent`, in order of their text."""
        return tuple(sorted(code for code, record in self.codes.items() if getattr(record, kind)))

    def fail(self, code: str, frame: Callable[[], dict[str, Any]]) -> None:
        """A monitor has detected this fault; `frame` returns the freeze frame if it is needed."""
        record = self.codes.setdefault(code, CodeRecord())
        if record.failed_now:
            return
        record.failed_now, record.passed_now = True, False
        record.good_cycles = record.warm_ups = 0
        record.passed_since_clear = False
        if record.pending and record.pending_cycle < self.cycle:
            record.stored = record.lamp = record.permanent = True
            record.cleared = False
        record.pending, record.pending_cycle = True, self.cycle
        frame_held = self.freeze_frame
        if frame_held is None or code.startswith(FRAME_PRIORITY) and not frame_held["code"].startswith(FRAME_PRIORITY):
            self.freeze_frame = {"code": code, **frame()}

    def passed(self, code: str) -> None:
        """A monitor has completed without detecting the fault."""
        record = self.codes.get(code)
        if record is not None and not record.failed_now:
            record.passed_now = record.passed_since_clear = True

    def second(self, running: bool, speed_kmh: float, coolant_degc: float, distance_km: float) -> None:
        clock, since = self.clock, self.since_clear
        if not running:
            clock.idle_s = 0.0
            return
        if clock.start_coolant_degc is None:
            clock.start_coolant_degc = coolant_degc
        clock.run_s += 1.0
        clock.speed_s += 1.0 if speed_kmh >= PERMANENT_SPEED_KMH else 0.0
        clock.idle_s = clock.idle_s + 1.0 if speed_kmh <= IDLE_SPEED_KMH else 0.0
        clock.longest_idle_s = max(clock.longest_idle_s, clock.idle_s)
        for suffix in ("", "_with_mil") if self.lamp else ("",):
            since[f"time{suffix}_min"] += 1.0 / 60.0
            since[f"distance{suffix}_km"] += distance_km
        rise = coolant_degc - clock.start_coolant_degc
        if not clock.warmed_up and rise >= WARM_UP_RISE_K and coolant_degc >= WARM_UP_REACH_DEGC:
            clock.warmed_up = True
            since["warm_ups"] += 1.0
            for record in self.codes.values():
                if record.stored and not record.lamp and not record.failed_now:
                    record.warm_ups += 1

    def end_cycle(self) -> None:
        """The engine was switched off after a driving cycle: evaluate it and begin the next."""
        if self.clock.run_s == 0.0:
            return
        self.permanent_drive_met = self.permanent_drive_met or self.clock.erases_permanent
        for record in self.codes.values():
            record.end_cycle(self.permanent_drive_met)
        self.codes = {c: r for c, r in self.codes.items() if r.pending or r.stored or r.permanent}
        of_frame = self.codes.get(self.freeze_frame["code"]) if self.freeze_frame else None
        if of_frame is None or not (of_frame.pending or of_frame.stored):
            self.freeze_frame = None
        self.cycle += 1
        self.clock = CycleClock()

    def clear(self) -> None:
        """Service 04: erase all codes except permanent ones, and the counters since the last clear."""
        permanent = self.listed("permanent")
        self.codes = {code: CodeRecord(permanent=True, cleared=True) for code in permanent}
        self.freeze_frame = None
        self.permanent_drive_met = False
        self.since_clear = dict.fromkeys(COUNTERS, 0.0)
