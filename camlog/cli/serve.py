"""`camlog serve`: the page on this computer."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from camlog.cli.options import Units


def serve(
    folder: Annotated[
        Path,
        typer.Argument(
            metavar="[FOLDER]", show_default=False,
            help="Working folder: recordings, profiles and reports are there. Default: the present one.",
        ),
    ] = Path("."),
    host: Annotated[
        str,
        typer.Option(
            metavar="ADDRESS",
            help="Let a phone or another computer look too: this computer's address in that network, or "
            "0.0.0.0 for every network it is in. Without it only this computer can open the page.",
        ),
    ] = "127.0.0.1",
    port: Annotated[
        str | None, typer.Option(metavar="N", help="Network port of the page. Default: 8462, or the next free one.")
    ] = None,
    adapter: Annotated[
        str | None,
        typer.Option(metavar="PORT", help="Where the adapter is, as for `camlog record --port`; the page offers it first."),
    ] = None,
    vehicle: Annotated[
        str | None,
        typer.Option(metavar="FILE", help="Vehicle profile that the page offers first; 'demo' for the simulated car."),
    ] = None,
    units: Units = None,
    open_: Annotated[bool, typer.Option("--open", help="Open the page in this computer's browser.")] = False,
) -> None:  # fmt: skip
    """Record, replay and look at results in a browser, on this computer.

    It prints the address to open. Recording goes on when the browser is closed, and ends cleanly with
    Ctrl-C here. With --host, another device is let in by the pairing code that is printed:

        camlog serve --host 0.0.0.0
    """
    number = port_number(port)

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
