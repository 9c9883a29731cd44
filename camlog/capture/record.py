"""Record a drive: the live stream into a trace file and its drive file, with any views beside it."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from camlog.cams import cam_of
from camlog.capture import messages
from camlog.capture.connect import Say, on_port
from camlog.capture.live import LiveSource
from camlog.drive import Drive
from camlog.profile import VehicleProfile
from camlog.sinks.trace_file import TraceFileSink
from camlog.stream import CodeSnapshot, Sink, SinkFailure, StreamItem, run
from camlog.trust import SIMULATED_REMARK


@dataclass(frozen=True, slots=True)
class Recording:
    """A finished recording: its files, number of rows, gaps, errors by kind, and the views that failed."""

    trace: Path
    drive: Path
    rows: int
    gap_seconds: float
    errors: dict[str, int]
    view_failures: tuple[SinkFailure, ...]


def open_source(
    port: str | None, profile: VehicleProfile | None = None, *, say: Say = lambda text: None, **options: Any
) -> LiveSource:
    """A live source on `port`; without one, on the first likely port where an adapter and a vehicle answer. `say`
    receives

    one line about each port tried. Raises InputError as `LiveSource` does, or with the checklist if no port works."""
    return on_port(port, lambda device: LiveSource(device, profile, **options), say)


def connection_lines(source: LiveSource) -> list[str]:
    """The result of the connection probe, in lines for a person; see also `source.expected`."""
    adapter = source.adapter()
    used = {None: "count_unused", "single": "count_single"}.get(adapter["response_count"], "count_used")
    count = messages(f"connected.{used}")
    notes = [SIMULATED_REMARK] * adapter["simulated"] + adapter["notes"]
    heading = {"adapter": adapter["name"] or "adapter", "protocol": adapter["protocol"], "module": adapter["module"]}
    lines = [
        messages("connected.heading", **heading),
        messages("connected.packing", count=adapter["pids_per_request"], response_count=count),
        *(
            messages("connected.group", rate=name, signals=", ".join(signals))
            for name, signals in source.plan.groups().items()
            if signals
        ),
        *(messages("connected.note", text=note) for note in notes),
    ]
    if not any(map(cam_of, source.signals)):
        lines.append(messages("connected.no_angles"))
    return lines


def record(
    source: LiveSource,
    out: str | Path,
    *,
    views: Sequence[Sink] = (),
    minutes: float | None = None,
    force: bool = False,
) -> Recording:
    """Record `source` to the trace `out` until `minutes` are over or `source.stop()` is called.

    Raises InputError if a file exists already or the disk fails; all rows until then are on disk and readable."""
    trace = Path(out)
    drive = Drive(started_at=source.started_at, vehicle=source.vehicle(), adapter=source.adapter())
    try:
        sink = TraceFileSink(trace, source.signals, drive=drive, force=force, adapter_at_end=source.adapter)
    except BaseException:
        source.link.close()
        raise
    # Closed explicitly, so that the adapter is free at once and not only when the last traceback is gone.
    with closing(source.stream(minutes)) as stream:
        failures = run(stream, [sink, _ClosingCodes(source, sink, views), *views])
    return Recording(trace, sink.drive_path, sink.rows, source.gap_seconds, dict(source.errors), tuple(failures))


class _ClosingCodes:
    """A sink that checks whether the codes were read at the end; if not, drive file and views get an event. It must be

    closed before the trace file and the views."""

    essential = False

    def __init__(self, source: LiveSource, sink: TraceFileSink, views: Sequence[Sink]):
        self._source, self._sink, self._views = source, sink, views
        self._read = not source.codes

    def accept(self, item: StreamItem) -> None:
        self._read |= isinstance(item, CodeSnapshot) and item is not self._source.first_snapshot

    def close(self) -> None:
        if self._read:
            return
        unread = CodeSnapshot(self._source.now_s())
        if self._source.module_silent:
            self._sink.accept(unread)
        else:
            self._sink.add_event("adapter_error", messages("event.no_closing_codes"), unread.time_s)
        for view in (v for v in self._views if not v.essential):
            view.accept(unread)
