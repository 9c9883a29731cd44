"""`camlog simulate`: a simulated car behind a simulated adapter, for camlog or any OBD client."""

from __future__ import annotations

import sys
from pathlib import Path

import typer


def simulate(
    port_link: Path | None = None, pty: bool = False, tcp: str | None = None, vehicle: str = "demo",
    condition: str = "healthy", severity: float = 0.7, seed: int = 1, drive: str = "mixed",
    baud: int = 115200, latency_ms: float = 8.0, wait_ms: float = 40.0, adapter: str = "standard",
    protocol: str | None = None, second_module: bool = False, fault: list[str] | None = None,
    fault_log: Path | None = None, time_scale: float = 1.0, state: Path | None = None,
) -> None:  # fmt: skip
    """Run a simulated car behind a simulated adapter.

    It prints the port to connect to and runs until Ctrl-C. In another window:

        camlog record --port PORT --vehicle demo

    The port is on the network, as an adapter's on Wi-Fi; with --pty it is a serial one. A car with a fault:

        camlog simulate --condition stick_slip --severity 0.8 --drive hot

    Codes mature over drives as on a real car: give --state FILE and run it twice.
    """
    from camlog.simulate.live import simulated_adapter

    kept = simulated_adapter(
        vehicle=vehicle, condition=condition, severity=severity, seed=seed, drive=drive, baud=baud,
        latency_s=latency_ms / 1e3, wait_s=wait_ms / 1e3, adapter=adapter, protocol=protocol,
        second_module=second_module, faults=fault or [], time_scale=time_scale, state=state,
    )  # fmt: skip
    from camlog.cli.results import say
    from camlog.simulate.adapter import serve

    def announce(port: str) -> None:
        typer.echo(port)  # alone on its line, for whoever starts this in a program
        if sys.stdout.isatty():
            typer.echo(say("simulate.next", port=port, vehicle=vehicle), err=True)

    serve(kept.adapter, link=port_link, tcp=tcp, pty=pty, announce=announce, fault_log=fault_log)
    kept.save()
