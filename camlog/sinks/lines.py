"""The plain view, for a pipe or a log: one line every few seconds, and events at once."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Sequence
from typing import Protocol, TextIO

from camlog.numbers import UNKNOWN_ASCII
from camlog.sinks.state import DriveState, Shown
from camlog.sinks.words import FIGURES, clock_text, kind_text, rate_text, value_text
from camlog.stream import CodeSnapshot, Event, StreamItem

LINE_INTERVAL_S = 5.0


class Care(Protocol):
    """Watches a drive. `sentences` say that the engine must be stopped or may not be driven; `instruction` is what the
    driver should do now, "" if nothing."""

    @property
    def instruction(self) -> str: ...

    def accept(self, item: StreamItem) -> None: ...

    def sentences(self) -> Sequence[str]: ...


class LineSink:
    """Writes plain lines to `out` (standard output by default).

    `clock` gives the present time of the stream (s); `wall` paces the lines. Values that are too old are left out of a
    line, not repeated. The sentences of `care` are written at once, each once."""

    essential = False

    def __init__(
        self,
        out: TextIO | None = None,
        *,
        interval_s: float = LINE_INTERVAL_S,
        clock: Callable[[], float] | None = None,
        wall: Callable[[], float] = time.perf_counter,
        care: Care | None = None,
    ):
        self._care = care
        self._said: set[str] = set()
        self._asked = ""
        self._out = sys.stdout if out is None else out
        self._interval_s = interval_s
        self._wall = wall
        self._next_s = wall() + interval_s
        self.state = DriveState(clock)

    def accept(self, item: StreamItem) -> None:
        self.state.accept(item)
        self._stop(item)
        if isinstance(item, Event):
            text = f": {item.text}" if item.text else ""
            self._line(item.time_s, kind_text(item.kind) + text)
        elif isinstance(item, CodeSnapshot):
            self._line(item.time_s, codes_text(item))
        elif self._wall() >= self._next_s:
            self._next_s = self._wall() + self._interval_s
            self._line(self.state.elapsed_s, "  ".join(self._status()))

    def close(self) -> None:
        state = self.state
        parts = [f"end, {state.batches} batches", f"gaps {state.events['gap']} ({state.gap_s:.1f} s)"]
        parts.append(f"markers {state.events['marker']}")
        if state.events["adapter_error"]:
            parts.append(f"adapter errors {state.events['adapter_error']}")
        self._line(state.elapsed_s, ", ".join(parts))

    def _stop(self, item: StreamItem) -> None:
        if self._care is None:
            return
        self._care.accept(item)
        for sentence in self._care.sentences():
            if sentence not in self._said:
                self._said.add(sentence)
                self._line(item.time_s, sentence)
        instruction = self._care.instruction
        if instruction.partition(" (")[0] != self._asked:  # the progress in parentheses changes all the time
            self._asked = instruction.partition(" (")[0]
            self._line(item.time_s, instruction)

    def _line(self, time_s: float, text: str) -> None:
        self._out.write(f"{clock_text(time_s)}  {text}\n")
        self._out.flush()

    def _status(self) -> list[str]:
        parts = []
        for signal, label in FIGURES.items():
            value = self.state.shown(signal)
            if value and not value.stale:
                parts.append(f"{label} {value_text(signal, value.value)}")
        for cam in self.state.cams():
            if cam.actual is None or cam.actual.stale:
                parts.append(f"{cam.cam} not read")
                continue
            difference = "" if cam.difference_deg is None else f" ({cam.difference_deg:+.1f})"
            parts.append(f"{cam.cam} {_angle(cam.commanded)} -> {cam.actual.value:.1f} deg{difference}")
        parts.extend(f"{group} {rate_text(rate)}" for group, rate in self.state.rates().items())
        return parts


def _angle(angle: Shown | None) -> str:
    return UNKNOWN_ASCII if angle is None or angle.stale else f"{angle.value:.1f}"


def codes_text(snapshot: CodeSnapshot) -> str:
    """A code snapshot in a line: `lamp on, stored P0011, pending none, permanent not read`."""

    def listed(codes) -> str:
        return "not read" if codes is None else ", ".join(c.code for c in codes) or "none"

    lamp = {True: "lamp on", False: "lamp off", None: "lamp not read"}[snapshot.mil]
    lists = (f"{name} {listed(getattr(snapshot, name))}" for name in ("stored", "pending", "permanent"))
    return "codes: " + "; ".join([lamp, *lists])
