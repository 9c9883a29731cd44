"""`camlog screen`: many recordings at once."""

from __future__ import annotations

import sys
from pathlib import Path

import typer


def screen(
    paths: list[str], out: Path = Path("screening"), vehicle: str | None = None, jobs: int = 2,
    scheduler: str | None = None, json: bool = False, force: bool = False,
) -> None:  # fmt: skip
    """Examine every recording below folders, the worst first.

    Foreign recordings count where what their columns mean is certain. Writes recordings.parquet, cams.parquet and
    overview.html; goes on where it stopped, and passes over what has not changed. In that folder it replaces only what a
    screening wrote. A file that cannot be read is a row with its reason.
    """
    import json as json_text
    from dataclasses import asdict

    from camlog.analysis.figures import FAULTS
    from camlog.cli.results import say
    from camlog.errors import extra
    from camlog.library.addresses import files_of
    from camlog.library.overview import write_results
    from camlog.library.screen import screen as screen_files

    extra("pyarrow", "screen")  # before hours of work, not after
    shown = sys.stderr.isatty()

    def progress(done: int, of: int, seconds: float) -> None:
        left = seconds / done * (of - done)
        print("\r" + say("screen.progress", done=done, of=of, left=left), end=" ", file=sys.stderr, flush=True)

    rows = screen_files(
        files_of(paths),
        out,
        vehicle=vehicle,
        jobs=jobs,
        scheduler=scheduler,
        progress=progress if shown else None,
        force=force,
    )
    if shown:
        print(file=sys.stderr)
    if json:
        for row in rows:
            typer.echo(json_text.dumps(asdict(row), ensure_ascii=True))
    written = write_results(rows, out, force=force)
    if not json:
        bad = sum(bool(row.reason) for row in rows)
        faults = sum(row.worst in FAULTS for row in rows)
        typer.echo(say("screen.done", count=len(rows), faults=faults, bad=bad))
        for path in written:
            typer.echo(say("screen.written", path=path))
