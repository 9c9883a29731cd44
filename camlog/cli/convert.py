"""`camlog convert`: a saved trace of any make into a camlog trace."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import typer

if TYPE_CHECKING:
    from camlog.convert import Conversion, Question


def convert(
    file: Path, map_: Path | None = None, out: Path | None = None, rate: float | None = None,
    angles: Literal["crank", "cam"] | None = None, positive: Literal["advance", "retard"] | None = None, force: bool = False,
) -> None:  # fmt: skip
    """Turn a customer's saved recording, whoever wrote it, into one of camlog's.

    It reads tables of text: any separator, decimal comma, text encoding, lines above the headings, a row a
    moment or a row a reading, one time for all or one for every channel; with camlog[formats] also workbooks,
    Parquet and MDF 4 (which --out NAME.mf4 writes). Columns are known by the words and units of their headings, and checked against
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

    progress = _Progress() if sys.stderr.isatty() else None
    try:
        done = convert_file(
            file, mapping=map_, out=out, ask=_ask_with(progress) if progress and sys.stdin.isatty() else None,
            progress=progress, force=force, rate_hz=rate, angles=angles, positive=positive,
        )  # fmt: skip
    finally:
        if progress:
            progress.bar.stop()
    _say(file, done)


def _say(file: Path, done: Conversion) -> None:
    from camlog.convert import offer_mapping
    from camlog.convert.summary import in_words, made, missing
    from camlog.convert.words import say

    def note(text: str) -> None:
        typer.echo(f"camlog: {text}", err=True)

    for line in made(done):
        typer.echo(line)
    for text in done.notes:
        note(f"{file}: {text}")
    looks = {look.index: in_words(look) for look in done.looks}
    for c in done.doubtful:
        known = {"name": c.name, "signal": c.signal, "why": c.reason + ".", "look": looks.get(c.index, "")}
        note(say("still_in_doubt", file=file, **known))
    target, new = offer_mapping(file, done.mapping_text) if done.doubtful else (None, False)
    if target is not None:
        names = {"map": target, "file": file, "out": done.trace_path}
        quoted = {name: shlex.quote(str(p)) for name, p in names.items()}
        note(say("map_offered" if new else "map_from_before", **quoted))
    for text in missing(done):
        note(text)


def _ask_with(progress: _Progress):
    from camlog.cli.results import wrapped
    from camlog.convert.summary import in_words
    from camlog.convert.words import say

    def ask(question: Question) -> str | None:
        progress.bar.stop()
        counted = say("question_of", place=question.place, of=question.of)
        shown = in_words(question.look) if question.look else ""
        typer.echo(err=True)
        for text in filter(None, (counted, question.text, question.why, shown, question.means)):
            for line in wrapped(text, hang=0):
                typer.echo(line, err=True)
        prompt = "Number" if question.choices else "Answer"
        for number, (value, meaning) in enumerate(question.choices, start=1):
            typer.echo(f"  {number}  {value}" + (f"  {meaning}" if meaning else ""), err=True)
        while True:
            answer = typer.prompt(f"{prompt} (Enter leaves it open)", default="", show_default=False, err=True).strip()
            if not answer:
                return None
            if not question.choices:
                return answer
            if answer.isdigit() and 1 <= int(answer) <= len(question.choices):
                return question.choices[int(answer) - 1][0]
            typer.echo(f"A number from 1 to {len(question.choices)}.", err=True)

    return ask


class _Progress:
    """Shows the share done on a terminal; stopped, it stands aside for questions."""

    def __init__(self):
        from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

        from camlog.console import PlainConsole

        columns = TextColumn("converting"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn()
        self.bar = Progress(*columns, console=PlainConsole(stderr=True), transient=True)
        self._task = self.bar.add_task("", total=1.0)

    def __call__(self, share: float) -> None:
        self.bar.start()
        self.bar.update(self._task, completed=share)
