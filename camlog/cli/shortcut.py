"""`camlog shortcut`: something to click on that opens the page."""

from __future__ import annotations

from pathlib import Path

import typer


def shortcut(folder: Path | None = None, menu: bool = False, to: Path | None = None, force: bool = False) -> None:
    """Write a shortcut that starts camlog and opens its page in the browser.

    It does what `camlog serve --open` does in that folder. Closing its window, or Ctrl-C in it, ends a recording cleanly.
    """
    from camlog.shortcut import default_folder, shortcut_place, write_shortcut

    written = write_shortcut(folder or default_folder(), to or shortcut_place(menu), force=force)
    typer.echo(f"{written}: open it to start camlog. Recordings go to {folder or default_folder()}.")
