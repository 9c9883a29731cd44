"""`camlog replay`: a saved drive again, on the screen or behind an adapter."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from camlog.drive import Drive
    from camlog.trace import Trace


def replay(
    trace: Path = typer.Argument(..., metavar="TRACE", help="The saved recording, as in drive.csv."),
    speed: str = typer.Option("1", "--speed", metavar="N|max", help="2 is twice as fast; max does not wait."),
    start: float | None = typer.Option(None, "--start", metavar="S", help="Begin at this second of it."),
    end: float | None = typer.Option(None, "--end", metavar="S", help="Stop at this second of it."),
    out: Path | None = typer.Option(
        None, "--out", metavar="NAME.csv", help="Save the stretch as a recording of its own, from second 0."
    ),
    force: bool = typer.Option(False, "--force", help="Overwrite what --out names."),
    as_adapter: bool = typer.Option(
        False, "--as-adapter", help="Serve it on a simulated adapter, for camlog record or any OBD client."
    ),
    vehicle: str | None = typer.Option(
        None, "--vehicle", metavar="FILE", help="With --as-adapter: the vehicle profile, for the cam angles."
    ),
    lead_in: float = typer.Option(
        5.0, "--lead-in", metavar="S",
        help="With --as-adapter: the drive begins this long after a client first asks for a value.",
    ),
    port_link: Path | None = typer.Option(
        None, "--port-link", metavar="PATH", help="With --as-adapter: as --pty, and make PATH a link to the port."
    ),
    pty: bool = typer.Option(
        False, "--pty", help="With --as-adapter: serve it on a pseudo-terminal; not on Windows."
    ),
    tcp: str | None = typer.Option(
        None, "--tcp", metavar="HOST:PORT", help="With --as-adapter: serve it at this network address."
    ),
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
    from camlog.cli.results import load
    from camlog.errors import InputError

    for option, given in (("--vehicle", vehicle), ("--tcp", tcp), ("--pty", pty), ("--port-link", port_link)):
        if given and not as_adapter:
            raise InputError(
                f"{option} only counts with --as-adapter", remedy=f"Add --as-adapter, or leave {option}."
            )
    for option, second in (("--start", start), ("--end", end)):
        if second is not None and not second >= 0.0:
            raise InputError(f"{option} {second:g} is before the beginning", remedy="Give 0 or more seconds.")
    saved, drive = load(trace)
    if as_adapter:
        if out is not None:
            raise InputError(
                "--out does not go with --as-adapter", remedy="Use camlog record on the port to save it."
            )
        _serve(
            saved,
            drive,
            vehicle,
            speed=speed,
            start_s=start,
            end_s=end,
            lead_in_s=lead_in,
            link=port_link,
            tcp=tcp,
            pty=pty,
        )
        return
    _play(saved, drive, trace, speed, start, end, out, force)


def _serve(trace: Trace, drive: Drive | None, vehicle: str | None, **stretch) -> None:
    from camlog.profile import read_profile
    from camlog.replay import can_be_asked, serve_trace

    profile = read_profile(vehicle) if vehicle else None
    unserved = [name for name in trace.signals if not can_be_asked(name, profile)]
    if unserved:
        why = "the profile does not define them" if profile else "only a vehicle profile says how (--vehicle)"
        typer.echo(f"camlog: cannot be asked for, {why}: {', '.join(unserved)}", err=True)
    serve_trace(trace, drive, profile, announce=typer.echo, **stretch)


def _play(
    trace: Trace, drive: Drive | None, path: Path, speed: str, start: float | None, end: float | None,
    out: Path | None, force: bool,
) -> None:  # fmt: skip
    from camlog.errors import InputError
    from camlog.replay import cut_drive, rebased, replay
    from camlog.sinks import KeyReader, TraceFileSink, view_for
    from camlog.stream import Event, run

    if out is not None and out.resolve() == path.resolve():
        raise InputError("is the recording being replayed", file=out, remedy="Give --out another name.")
    position = [start or 0.0]
    with KeyReader(lambda: position[0]) as keys:
        items = replay(
            trace,
            drive,
            speed=speed,
            start_s=start,
            end_s=end,
            sleep=keys.wait,
            stop=lambda: keys.end_requested,
        )
        sinks = []
        if out is not None:
            base_s = float(trace.time_s[0]) if start is None else start
            begun = cut_drive(drive, base_s, trace)
            sinks.append(TraceFileSink(out, trace.signals, drive=begun, force=force, units=trace.units))
            items = rebased(items, base_s)
        view = view_for(title=f"Replaying {path.name}", keys=keys)
        view.essential = out is None  # with nobody looking and nothing saved there is no point in going on
        sinks.append(view)

        def with_markers():
            for item in items:
                position[0] = item.time_s
                yield item
                for marker in keys.take_markers():
                    yield Event(marker.time_s, marker.kind, marker.text)

        failures = run(with_markers(), sinks)
    for failure in failures:
        typer.echo(f"camlog: the view was dropped: {failure.error}", err=True)
    if out is not None:
        typer.echo(f"{out}: {sinks[0].rows} rows", err=True)
