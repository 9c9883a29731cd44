"""`camlog vehicle`: check a vehicle profile, try it on the car, begin a new one, see the example."""

from __future__ import annotations

from pathlib import Path

import typer

from camlog.cli.options import group


def check(file: str) -> None:
    """Read a profile and show what camlog makes of it.

    Hold the table against the service information before the first drive: identifier,
    bits, and the lowest and highest value each signal can take. A mistake ends with one
    line that names the file, the line, the key and what to do, and status 2.
    """
    from camlog.console import PlainConsole
    from camlog.profile import read_profile
    from camlog.profile.summary import summary

    console = PlainConsole(highlight=True)
    for part in summary(read_profile(file)):
        console.print(part)


def new(file: Path, force: bool = False) -> None:
    """Write a commented profile to fill in: every key explains itself.

    The identifiers in it are invented. Take the vehicle's own from its service
    information, then run `camlog vehicle check` on it.
    """
    from camlog.cli.results import say
    from camlog.profile import write_template

    path = write_template(file, force=force)
    typer.echo(say("vehicle.new", path=path))


def show(file: str) -> None:
    """Print a profile as it is written, once it has been read without a mistake.

    `camlog vehicle show demo > my_car.toml` begins a new profile from the invented one.
    """
    from camlog.profile import read_profile

    typer.echo(Path(read_profile(file).file).read_text(encoding="utf-8-sig"), nl=False)


def try_(file: str, port: str | None = None, baud: int | None = None, seconds: float = 180.0) -> None:
    """Try a profile on the car before the first drive. Only reads.

    Begin with the ignition on and the engine off, and do what it says: start the engine, let it idle, then raise its
    speed briskly a few times (out of gear, brake on). It shows what each identifier answers, and where an angle does
    not move as its partner does: which key of the profile is likely wrong, with the line to paste. Ctrl-C ends early.
    """
    from camlog.capture.ports import LinkLost
    from camlog.cli.results import say
    from camlog.console import PlainConsole
    from camlog.profile import read_profile
    from camlog.trial.collect import collect
    from camlog.trial.judge import judge
    from camlog.trial.shown import shown

    profile = read_profile(file)
    try:
        found = collect(port, profile, baud=baud, most_s=seconds, say=lambda text: typer.echo(text, err=True))
    except LinkLost as lost:
        raise say.error("try_broke", port, why=lost) from lost
    console = PlainConsole(highlight=True)
    for part in shown(judge(profile, found.readings), found.adapter, found.module, profile.name):
        console.print(part)


app = group("vehicle", check, new, show, try_)
