"""`camlog serve`: the page on this computer."""

from __future__ import annotations

from pathlib import Path

import typer


def serve(
    folder: Path = typer.Argument(
        Path("."), metavar="[FOLDER]", show_default=False,
        help="Working folder: recordings, profiles and reports are there. Default: the present one.",
    ),
    host: str = typer.Option(
        "127.0.0.1", "--host", metavar="ADDRESS",
        help="Let a phone or another computer look too: this computer's address in that network, or "
        "0.0.0.0 for every network it is in. Without it only this computer can open the page.",
    ),
    port: str | None = typer.Option(
        None, "--port", metavar="N", help="Network port of the page. Default: 8462, or the next free one."
    ),
    adapter: str | None = typer.Option(
        None, "--adapter", metavar="PORT",
        help="Where the adapter is, as for `camlog record --port`; the page offers it first.",
    ),
    vehicle: str | None = typer.Option(
        None, "--vehicle", metavar="FILE",
        help="Vehicle profile that the page offers first; 'demo' for the simulated car.",
    ),
    open_: bool = typer.Option(False, "--open", help="Open the page in this computer's browser."),
) -> None:  # fmt: skip
    """Record, replay and look at results in a browser, on this computer.

    It prints the address to open. Recording goes on when the browser is closed, and ends cleanly with
    Ctrl-C here. With --host, another device is let in by the pairing code that is printed:

        camlog serve --host 0.0.0.0
    """
    number = port_number(port)

    from camlog.profile import read_profile
    from camlog.serve.server import serve as serve_page

    if vehicle:
        read_profile(vehicle)

    def ready(running) -> None:
        if open_:
            import webbrowser

            if not webbrowser.open(running.url):
                typer.echo("No browser could be opened; open the address yourself.", err=True)

    serve_page(folder, host=host, port=number, adapter=adapter, vehicle=vehicle, say=typer.echo, ready=ready)


def port_number(text: str | None) -> int | None:
    """The network port of --port. Raises InputError, with a hint where an adapter's port was meant."""
    if text is None:
        return None
    from camlog.errors import InputError

    if text.isascii() and text.isdigit() and 1 <= int(text) <= 65535:
        return int(text)
    if "/" in text or text.upper().startswith("COM"):
        raise InputError(
            f"--port {text!r} is no network port",
            remedy=f"Name the adapter with --adapter {text}; --port is the page's.",
        )
    raise InputError(
        f"--port {text!r} is no network port", remedy="Give a number from 1024 to 65535, or leave it out."
    )
