"""`camlog replay`: a saved drive again, on the screen or behind an adapter."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from camlog.drive import Drive
    from camlog.trace import Trace


def replay(
    trace: Path | None = None, speed: str = "1", start: float | None = None, end: float | None = None,
    out: Path | None = None, force: bool = False, maps: list[Path] | None = None, as_adapter: bool = False,
    raw: Path | None = None, vehicle: str | None = None, lead_in: float = 5.0,
    port_link: Path | None = None, pty: bool = False, tcp: str | None = None,
) -> None:  # fmt: skip
    """Play a saved drive through the same view as a live one.

    Watch it again at any speed, or cut a stretch out of it:

        camlog replay drive.csv --speed 4

        camlog replay drive.csv --speed max --start 120 --end 300 --out cruise.csv

    With --as-adapter it prints a port and waits. Record from it in another
    window, with the same --vehicle, as if from the car (codes stay as they are):

        camlog record --port PORT --vehicle FILE

    Events and codes come from the drive file beside the recording, where there is one.
    """
    from camlog.cli.results import load, profile_of, say

    for option, value in (("--vehicle", vehicle), ("--tcp", tcp), ("--pty", pty), ("--port-link", port_link)):
        if value and not as_adapter and not (raw and option == "--vehicle"):
            raise say.error("replay_only_adapter", option=option)
    for option, second in (("--start", start), ("--end", end)):
        if second is not None and not second >= 0.0:
            raise say.error("replay_before_start", option=option, seconds=second)
    if raw is not None:
        if trace is not None or as_adapter:
            raise say.error("replay_one_of")
        from camlog.capture.raw_log import read_raw

        _play(*read_raw(raw, profile_of(vehicle)), raw, speed, start, end, out, force)
        return
    if trace is None:
        raise say.error("replay_one_of" if as_adapter else "replay_nothing")
    saved, drive = load(trace, maps)
    if not as_adapter:
        _play(saved, drive, trace, speed, start, end, out, force)
    elif out is not None:
        raise say.error("replay_no_out")
    else:
        port = {"link": port_link, "tcp": tcp, "pty": pty}
        _serve(saved, drive, vehicle, speed=speed, start_s=start, end_s=end, lead_in_s=lead_in, **port)


def _serve(trace: Trace, drive: Drive | None, vehicle: str | None, **stretch) -> None:
    from camlog.cli.results import profile_of, remark, say
    from camlog.simulate.trace_car import can_be_asked, serve_trace

    profile = profile_of(vehicle)
    unserved = [name for name in trace.signals if not can_be_asked(name, profile)]
    if unserved:
        remark(say("replay.unserved", profile=profile is not None, names=unserved))
    serve_trace(trace, drive, profile, announce=typer.echo, **stretch)


def _play(
    trace: Trace, drive: Drive | None, path: Path, speed: str, start: float | None, end: float | None,
    out: Path | None, force: bool,
) -> None:  # fmt: skip
    from camlog.cli.results import remark, say
    from camlog.replay import cut_drive, rebased, replay
    from camlog.sinks.keys import KeyReader
    from camlog.sinks.terminal import view_for
    from camlog.sinks.trace_file import TraceFileSink
    from camlog.stream import Event, run

    if out is not None and out.resolve() == path.resolve():
        raise say.error("replay_itself", out)
    position = [start or 0.0]
    sinks = []
    with KeyReader(lambda: position[0]) as keys:
        items = replay(
            trace, drive, speed=speed, start_s=start, end_s=end, sleep=keys.wait, stop=lambda: keys.end_requested
        )
        if out is not None:
            base_s = float(trace.time_s[0]) if start is None else start
            begun = cut_drive(drive, base_s, trace)
            sinks.append(TraceFileSink(out, trace.signals, drive=begun, force=force, units=trace.units))
            items = rebased(items, base_s)
        view = view_for(title=say("replay.title", name=path.name), keys=keys)
        view.essential = out is None  # with nobody looking and nothing saved there is no point in going on

        def with_markers():
            for item in items:
                position[0] = item.time_s
                yield item
                for marker in keys.take_markers():
                    yield Event(marker.time_s, marker.kind, marker.text)

        failures = run(with_markers(), [*sinks, view])
    for failure in failures:
        remark(say("replay.view", reason=failure.error))
    for sink in sinks:
        typer.echo(say("replay.saved", path=out, rows=sink.rows), err=True)
