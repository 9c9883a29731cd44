"""`camlog serve`: the page on this computer."""

from __future__ import annotations

import os
from pathlib import Path

import typer

from camlog.cli.options import Units


def serve(
    folder: Path = Path("."), host: str = "127.0.0.1", port: str | None = None, adapter: str | None = None,
    vehicle: str | None = None, library: Path | None = None, units: Units = None, open_: bool = False,
) -> None:  # fmt: skip
    """Record, replay and look at results in a browser, on this computer.

    It prints the address to open. Recording goes on when the browser is closed, and ends cleanly with
    Ctrl-C here. With --host, another device is let in by the pairing code that is printed:

        camlog serve --host 0.0.0.0
    """
    number = port_number(port)
    if library is not None:
        os.environ["CAMLOG_LIBRARY"] = str(library)  # the processes started from here read the same

    from camlog.cli.results import profile_of, say
    from camlog.serve.server import serve as serve_page
    from camlog.units import remember_units, remembered_units, show_units

    profile_of(vehicle)  # a slip in it is said at once
    remember_units(units) if units else show_units(remembered_units())

    def ready(running) -> None:
        import webbrowser

        if open_ and not webbrowser.open(running.url):
            typer.echo(say("serve.no_browser"), err=True)

    serve_page(folder, host=host, port=number, adapter=adapter, vehicle=vehicle, say=typer.echo, ready=ready)


def port_number(text: str | None) -> int | None:
    """The network port of --port. Raises InputError, with a hint where an adapter's port was meant."""
    from camlog.cli.results import say

    if text is None or (text.isascii() and text.isdigit() and 1 <= int(text) <= 65535):
        return None if text is None else int(text)
    is_adapter = "/" in text or text.upper().startswith("COM")
    raise say.error("adapter_as_port" if is_adapter else "serve_port", text=text)
