"""`camlog convert`: a saved trace of any make into a camlog trace."""

from __future__ import annotations

import sys
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Self

import typer

if TYPE_CHECKING:
    from camlog.convert import Conversion, Question


class Shaft(StrEnum):
    """Whose degrees an angle is in."""

    crank = "crank"
    cam = "cam"


class Direction(StrEnum):
    """Which way an angle counts positive."""

    advance = "advance"
    retard = "retard"


def convert(
    file: Path = typer.Argument(
        ..., metavar="FILE", help="The saved recording: CSV or the like, or one in .gz or .zip."
    ),
    map_: Path | None = typer.Option(
        None, "--map", metavar="MAP.toml", help="What its columns are, where camlog cannot tell."
    ),
    out: Path | None = typer.Option(
        None, "--out", metavar="NAME.csv", help="The recording to write; NAME.camlog.csv beside FILE by default."
    ),
    rate: float | None = typer.Option(
        None, "--rate", metavar="HZ", help="Rows a second, where no column tells the time."
    ),
    angles: Shaft | None = typer.Option(
        None, "--angles", help="Its cam angles are in degrees of this shaft, where the file does not say."
    ),
    positive: Direction | None = typer.Option(
        None, "--positive", help="What its cam angles count positive, where the file does not say."
    ),
    force: bool = typer.Option(False, "--force", help="Overwrite the recording and its drive file."),
) -> None:
    """Turn a customer's saved recording, whoever wrote it, into one of camlog's.

    It reads tables of text: any separator, decimal comma, text encoding, lines above the headings, a row a
    moment or a row a reading. Columns are known by the words and units of their headings, and checked against
    their values:

        camlog convert customer.csv

    What is certain is taken. What is not is asked, on a terminal; otherwise it is listed, and a mapping file
    is made ready beside FILE, to correct and pass back:

        camlog convert customer.csv --map customer.map.toml --force

    Cam angles are crankshaft degrees, advance positive. Where a file does not say what its angles are, ask
    whoever recorded it, or look at the service information, then:

        camlog convert customer.csv --angles cam --positive retard

    Nothing is guessed: columns in doubt stay in the recording under their own name, and are not judged. The drive
    file beside the recording says where each signal came from.
    """
    from camlog.convert import convert as convert_file

    asking = sys.stdin.isatty() and sys.stderr.isatty()
    with _progress() as told:
        found = convert_file(
            file, mapping=map_, out=out, ask=_ask_with(told) if asking else None, progress=told, force=force,
            rate_hz=rate, angles=angles and angles.value, positive=positive and positive.value,
        )  # fmt: skip
    _say(file, found)


def _say(file: Path, found: Conversion) -> None:
    from camlog.convert import offer_mapping
    from camlog.convert.cams import is_cam_angle
    from camlog.signals import SIGNALS

    taken = [c for c in found.columns if c.certain and c.signal and c.signal != "time"]
    for column in taken:
        heading = column.name or f"column {column.index + 1}"
        what = SIGNALS[column.signal].title if column.signal in SIGNALS else column.signal
        typer.echo(f"{column.signal:26} {what}: {heading!r} [{column.unit}]")
    own = [c.written_as for c in found.columns if c.signal is None and c.written_as]
    if own:
        typer.echo(
            f"under their own name: {', '.join(own[:20])}"
            + (f" and {len(own) - 20} more" if len(own) > 20 else "")
        )
    for note in found.notes:
        typer.echo(f"camlog: {file}: {note}", err=True)
    if found.doubtful:
        for column in found.doubtful:
            typer.echo(
                f"camlog: {file}, {column.name}: in doubt as {column.signal}: {column.reason}", err=True
            )
        target, new = offer_mapping(file, found.mapping_text)
        if target is not None:
            state = "is ready to correct" if new else "is there from before"
            typer.echo(
                f"camlog: {target} {state}; then: camlog convert {file} --map {target} --out "
                f"{found.trace_path} --force",
                err=True,
            )
    if not any(is_cam_angle(c.signal) for c in taken):
        typer.echo(
            "camlog: no cam angles: the phaser cannot be judged from this recording, only conditions, "
            "codes and misfires. "
            "Log commanded and actual angle of each cam next time.",
            err=True,
        )
    typer.echo(f"{found.trace_path}: {found.rows} rows, {len(taken)} signals")


def _ask_with(told):
    def ask(question: Question) -> str | None:
        told.pause()
        typer.echo("", err=True)
        typer.echo(question.text, err=True)
        if question.why:
            typer.echo(question.why, err=True)
        if not question.choices:
            return typer.prompt("Answer (Enter leaves it open)", default="", show_default=False, err=True)
        for number, (value, meaning) in enumerate(question.choices, start=1):
            typer.echo(f"  {number}  {value}" + (f"  {meaning}" if meaning else ""), err=True)
        while True:
            answer = typer.prompt(
                "Number (Enter leaves it open)", default="", show_default=False, err=True
            ).strip()
            if not answer:
                return None
            if answer.isdigit() and 1 <= int(answer) <= len(question.choices):
                return question.choices[int(answer) - 1][0]
            typer.echo(f"A number from 1 to {len(question.choices)}.", err=True)

    return ask


class _progress:
    """Shows the share done on a terminal, nothing in a pipe; stands aside for questions."""

    def __init__(self):
        self._bar = None
        self._task = None

    def __enter__(self) -> Self:
        if sys.stderr.isatty():
            from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

            from camlog.console import PlainConsole

            self._bar = Progress(
                TextColumn("converting"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn(),
                console=PlainConsole(stderr=True), transient=True,
            )  # fmt: skip
            self._task = self._bar.add_task("", total=1.0)
        return self

    def __call__(self, share: float) -> None:
        if self._bar is not None:
            self._bar.start()
            self._bar.update(self._task, completed=share)

    def pause(self) -> None:
        if self._bar is not None:
            self._bar.stop()

    def __exit__(self, *_) -> None:
        self.pause()
