"""Options that several commands share, each declared once."""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any, Literal

import typer

Vehicle = Annotated[
    str | None,
    typer.Option(
        "--vehicle", metavar="FILE",
        help="Vehicle profile: engine geometry, oil grade and limits of this vehicle; 'demo' for the simulated car.",
    ),
]  # fmt: skip
Out = Annotated[
    Path | None, typer.Option("--out", metavar="DIR", help="Folder for the results. Default: beside the recording.")
]
Dashboard = Annotated[
    str | None,
    typer.Option(
        "--dashboard", metavar="FILE",
        help="Which charts are shown: test_drive, cold_start, repair_check, or a file of your own.",
    ),
]  # fmt: skip
Force = Annotated[bool, typer.Option("--force", help="Overwrite what is there already.")]
Maps = Annotated[
    list[Path] | None,
    typer.Option(
        "--map", metavar="MAP.toml",
        help="What the columns of a recording from elsewhere are (see camlog convert); may be repeated, one for each "
        "recording in their order.",
    ),
]  # fmt: skip
Json = Annotated[bool, typer.Option("--json", help="Print the result as JSON and write no files.")]
Port = Annotated[
    str | None,
    typer.Option(
        "--port", metavar="PORT",
        help="Where the adapter is: a serial device (/dev/ttyUSB0, COM5), a pseudo-terminal, or socket://HOST:PORT for "
        "Wi-Fi. Without it, the likely ports are tried in turn.",
    ),
]  # fmt: skip
Baud = Annotated[
    int | None, typer.Option("--baud", metavar="N", min=300, help="Serial speed of the adapter. Default: found by trying.")
]
PortLink = Annotated[
    Path | None, typer.Option("--port-link", metavar="PATH", help="As --pty, and make PATH a link to it, so that its name stays.")
]
Pty = Annotated[
    bool, typer.Option("--pty", help="Serve the adapter on a pseudo-terminal, as a serial port; not on Windows.")
]
Tcp = Annotated[
    str | None,
    typer.Option(
        "--tcp", metavar="HOST:PORT",
        help="Network address to serve the adapter at. Default: a free port that only this computer reaches.",
    ),
]  # fmt: skip
Units = Annotated[
    Literal["metric", "us"] | None,
    typer.Option(
        "--units",
        help="Show °C, kPa, km/h and g/s, or °F, psi, mph and lb/min; angles are degrees in both. Recordings and JSON stay "
        "metric.",
    ),
]


def with_units(command: Callable[..., Any]) -> Callable[..., Any]:
    """A command with the option --units, in which it shows numbers."""

    @functools.wraps(command)
    def run(*args: Any, units: str | None = None, **more: Any) -> Any:
        from camlog.units import METRIC, showing

        with showing(METRIC if more.get("json") else units):
            return command(*args, **more)

    given = inspect.signature(command, eval_str=True)
    option = inspect.Parameter("units", inspect.Parameter.KEYWORD_ONLY, default=None, annotation=Units)
    signature = given.replace(parameters=[*given.parameters.values(), option])
    run.__signature__ = signature  # type: ignore[attr-defined]
    run.__annotations__ = {p.name: p.annotation for p in signature.parameters.values()}
    return run
