"""`camlog record`: log a drive over an adapter."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer


def record(
    port: Annotated[
        Optional[str],
        typer.Option(
            help="Where the adapter is: a serial device (/dev/ttyUSB0, COM5), a pseudo-terminal, or "
            "socket://HOST:PORT for Wi-Fi. Without it, the likely ports are tried in turn.",
            metavar="PORT",
        ),
    ] = None,
    vehicle: Annotated[
        Optional[str],
        typer.Option(
            help="Vehicle profile (TOML) that says where this vehicle keeps its cam angles; 'demo' for the simulated "
            "car. Without it only standard signals are logged, and the phaser cannot be judged.",
            metavar="FILE",
        ),
    ] = None,
    out: Annotated[
        Optional[Path],
        typer.Option(help="Recording to write. Default: drive-DATE-TIME.csv in this folder.", metavar="NAME.csv"),
    ] = None,
    minutes: Annotated[
        Optional[float], typer.Option(help="End by itself after this many minutes.", min=0.01, metavar="M")
    ] = None,
    baud: Annotated[
        Optional[int],
        typer.Option(help="Serial speed of the adapter. Default: found by trying.", min=300, metavar="N"),
    ] = None,
    signal: Annotated[
        Optional[list[str]],
        typer.Option(help="Log only this signal (may be repeated): fewer signals, faster.", metavar="NAME"),
    ] = None,
    vin: Annotated[bool, typer.Option(
            "--vin",
            help="Store the vehicle identification number in the drive file; without it, four digits of its hash, to "
            "tell whether a later drive is of the same car.",
        ),] = False,
    force: Annotated[bool, typer.Option("--force", help="Overwrite an existing recording.")] = False,
) -> None:
    """Log a test drive to a recording.

    Before you start: ignition on, adapter in the connector with its lamp lit. For a cold-start rattle, start the
    recording with the ignition on and the engine off, wait for the first line, then start the engine.

    While it runs: m sets a marker (type what you heard, then Enter), q or Ctrl-C ends. The driver drives; someone
    else operates camlog; drive only where traffic, law and the state of the car allow. Whatever happens to the cable, the adapter or this computer, the rows so far are on disk.
    """
    import os
    import sys
    from datetime import datetime
    from difflib import get_close_matches

    from camlog.capture.record import connection_lines, open_source
    from camlog.capture.record import record as record_drive
    from camlog.cautions import DRIVE, IDLE, OPERATE, PEDALS, sentences
    from camlog.errors import InputError
    from camlog.profile import read_profile
    from camlog.signals import SIGNALS
    from camlog.sinks import KeyReader, view_for

    for name in signal or ():
        if name not in SIGNALS:
            near = get_close_matches(name, SIGNALS, n=3, cutoff=0.5)
            raise InputError(
                f"there is no signal {name!r}",
                remedy=f"Use one of the README's signals{': perhaps ' + ', '.join(near) if near else ''}.",
            )
    trace = out or Path(datetime.now().strftime("drive-%Y%m%d-%H%M%S.csv"))
    if trace.suffix.lower() != ".csv":
        raise InputError("the recording's name must end in .csv", file=trace, remedy="For example: --out drive.csv")
    if os.path.lexists(trace) and not force:
        raise InputError("is there already", file=trace, remedy="Choose another name, or add --force to overwrite it.")
    if not trace.parent.is_dir():
        raise InputError("there is no such folder", file=trace.parent, remedy="Create it, or choose another.")
    profile = read_profile(vehicle) if vehicle else None

    say = lambda text: typer.echo(text, err=True)  # noqa: E731
    if sys.stderr.isatty():
        for sentence in sentences((OPERATE, DRIVE, PEDALS, IDLE)):
            say(sentence)
    say("Connecting (a few seconds) ...")
    from camlog.analysis.do_not_run import LiveCare  # takes a second or two: not before the first word
    from camlog.limits import limits_for

    care = LiveCare(limits_for(profile))
    source = open_source(port, profile, baud=baud, only=signal or None, store_vin=vin, say=say)
    for line in connection_lines(source):
        say(line)
    keys = KeyReader(source.now_s, on_marker=source.put, on_end=source.stop)
    with keys:
        view = view_for(clock=source.now_s, keys=keys, care=care)
        done = record_drive(source, trace, views=[view], minutes=minutes, force=force)
    say(f"{done.rows} rows in {done.trace}, codes and events in {done.drive}")
    if done.errors:
        from camlog.capture.troubles import PROBLEMS

        say("On the way: " + ", ".join(f"{PROBLEMS.get(k, k)} x{n}" for k, n in done.errors.items()))
    for failure in done.view_failures:
        say(f"The view failed ({failure.error}); the recording is whole.")
