"""`camlog demo`: everything once, without a car."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer


def demo(
    out: Annotated[
        Optional[Path],
        typer.Option(help="Folder for what the demonstration writes. Default: camlog-demo here.", metavar="DIR"),
    ] = None,
) -> None:
    """Show camlog at work on a simulated car: record, replay, and what they lead to. No hardware, about a minute."""
    from camlog.demo import demo as run_demo

    run_demo(fresh_folder(out), say=typer.echo)


def fresh_folder(out: Path | None) -> Path:
    """A new folder: `out`, which may not hold anything yet, or `camlog-demo`, numbered where it is taken."""
    from camlog.errors import InputError

    if out is not None:
        if out.exists() and (not out.is_dir() or any(out.iterdir())):
            raise InputError("is there already and not empty", file=out, remedy="Choose another folder with --out.")
        folder = out
    else:
        folder, number = Path("camlog-demo"), 2
        while folder.exists():
            folder, number = Path(f"camlog-demo-{number}"), number + 1
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            f"cannot be made ({error.strerror})", file=folder, remedy="Choose another folder with --out."
        ) from error
    return folder
