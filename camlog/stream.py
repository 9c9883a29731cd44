"""The stream of readings: the items that flow from any source, live or saved, to every sink."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal, Protocol, get_args


def now(timespec: str = "seconds") -> str:
    """This moment, ISO 8601 with zone, as `datetime.isoformat` writes it."""
    return datetime.now().astimezone().isoformat(timespec=timespec)


EventKind = Literal["marker", "gap", "reconnect", "adapter_error"]
EVENT_KINDS = get_args(EventKind)
ReadinessState = Literal["complete", "incomplete", "unsupported"]


@dataclass(frozen=True, slots=True)
class Batch:
    """All readings that arrived in one adapter response and so share one time.

    `values` maps signal name to a value in its canonical unit. A value that could not be read is absent, never zero."""

    time_s: float
    values: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened during a drive: `kind` is one of EVENT_KINDS."""

    time_s: float
    kind: EventKind
    text: str = ""


@dataclass(frozen=True, slots=True)
class TakenBack:
    """A marker that the operator took back at `time_s`, before the recording ended; it counts as never set."""

    time_s: float
    marker: Event


@dataclass(frozen=True, slots=True)
class TroubleCode:
    """A trouble code as text (`P0011`) and the responding module's address (`7E8`)."""

    code: str
    ecu: str = ""


@dataclass(frozen=True, slots=True)
class MonitorTest:
    """One service 06 result; `mid` and `tid` in hexadecimal without prefix, limits None where unknown."""

    mid: str
    tid: str
    value: float
    min: float | None = None
    max: float | None = None
    unit: str = ""


@dataclass(frozen=True, slots=True)
class CodeSnapshot:
    """The codes and other data in the vehicle's modules at one time.

    A list that could not be read is None (unknown), an empty tuple means the vehicle answered "none". `readiness` maps
    a monitor to `complete`, `incomplete` or `unsupported`."""

    time_s: float
    mil: bool | None = None
    stored: tuple[TroubleCode, ...] | None = None
    pending: tuple[TroubleCode, ...] | None = None
    permanent: tuple[TroubleCode, ...] | None = None
    readiness: Mapping[str, ReadinessState] = field(default_factory=dict)
    freeze_frame: Mapping[str, Any] | None = None
    since_clear: Mapping[str, float | None] | None = None
    monitor_tests: tuple[MonitorTest, ...] = ()

    @property
    def unread(self) -> bool:
        """True if nothing at all could be read."""
        counted = any(v is not None for v in (self.since_clear or {}).values())
        return not counted and self == CodeSnapshot(self.time_s, since_clear=self.since_clear)


StreamItem = Batch | Event | CodeSnapshot | TakenBack


class Sink(Protocol):
    """Receives the stream. `essential` sinks (the trace file) stop the run when they fail; others are dropped."""

    essential: bool

    def accept(self, item: StreamItem) -> None: ...

    def close(self) -> None: ...


@dataclass(frozen=True, slots=True)
class SinkFailure:
    """A sink that was dropped while the stream went on."""

    sink: str
    error: str


def run(source: Iterable[StreamItem], sinks: Iterable[Sink]) -> list[SinkFailure]:
    """Hand every item of `source` to every sink, in order; close the sinks at the end.

    A failing sink is dropped and reported in the returned list, unless it is `essential`: then its error ends the run.
    Sinks are closed in every case."""
    active = list(sinks)
    failures: list[SinkFailure] = []
    try:
        for item in source:
            for sink in tuple(active):
                try:
                    sink.accept(item)
                except Exception as error:
                    if sink.essential:
                        raise
                    active.remove(sink)
                    failures.append(SinkFailure(type(sink).__name__, str(error)))
                    _close_quietly(sink)
    finally:
        # Essential sinks are closed last, so that they still record what happens when a view closes.
        for sink in sorted(active, key=lambda s: s.essential):
            if sink.essential:
                sink.close()
            else:
                _close_quietly(sink)
    return failures


def _close_quietly(sink: Sink) -> None:
    try:
        sink.close()
    except Exception:  # noqa: BLE001 - a view that fails to close must not harm the trace
        pass
