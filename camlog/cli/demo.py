"""`camlog demo`: everything once, without a car."""

from __future__ import annotations

from pathlib import Path

import typer


def demo(out: Path | None = None) -> None:
    """Show camlog at work on a simulated car: record, replay, and what they lead to. No hardware, about a minute."""
    from camlog.demo import demo as run_demo

    run_demo(fresh_folder(out), say=typer.echo)


def fresh_folder(out: Path | None) -> Path:
    """A new folder: `out`, which may not hold anything yet, or `camlog-demo`, numbered where it is taken."""
    from itertools import count

    from camlog.cli.results import made_folder, say

    if out is None:
        names = (Path("camlog-demo" if n == 1 else f"camlog-demo-{n}") for n in count(1))
        out = next(name for name in names if not name.exists())
    elif out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise say.error("demo_not_empty", out)
    return made_folder(out)
