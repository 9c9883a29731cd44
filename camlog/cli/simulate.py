"""`camlog simulate`: a simulated car behind a simulated adapter, for camlog or any OBD client."""

from __future__ import annotations

import sys
from pathlib import Path

import typer

from camlog.cli.options import PortLink, Pty, Tcp


def simulate(
    port_link: PortLink = None,
    pty: Pty = False,
    tcp: Tcp = None,
    vehicle: str = typer.Option(
        "demo", "--vehicle", metavar="FILE", help="Vehicle profile: the identifiers the car answers to."
    ),
    condition: str = typer.Option(
        "healthy", "--condition", metavar="NAME", help="What is wrong with the car; a wrong name lists them."
    ),
    severity: float = typer.Option(0.7, "--severity", metavar="X", help="How bad it is, from 0 (not) to 1 (gross)."),
    seed: int = typer.Option(1, "--seed", metavar="N", help="Another number is another car."),
    drive: str = typer.Option(
        "mixed", "--drive", metavar="NAME", help="What it does; an unknown name lists the drives."
    ),
    baud: int = typer.Option(115200, "--baud", metavar="N", help="Serial rate of the adapter, bits a second."),
    latency_ms: float = typer.Option(8.0, "--latency-ms", metavar="X", help="How long a module takes to answer."),
    wait_ms: float = typer.Option(
        40.0, "--wait-ms", metavar="X", help="How long the adapter waits for further answers after one."
    ),
    adapter: str = typer.Option(
        "standard", "--adapter", metavar="KIND", help="standard, clone (a poor copy) or non-can (older car)."
    ),
    protocol: str | None = typer.Option(
        None, "--protocol", metavar="N", help="The vehicle's bus: 1 to 5 older ones, 6 to 9 CAN."
    ),
    second_module: bool = typer.Option(False, "--second-module", help="Let a transmission module answer too."),
    fault: list[str] = typer.Option(
        [], "--fault", metavar="KIND@START+DURATION",
        help="Disturb the link, in seconds from now, as in unplugged@20+3. Several may be given; "
        "an unknown kind lists them.",
    ),
    fault_log: Path | None = typer.Option(
        None, "--fault-log", metavar="FILE", help="Add a line to FILE for each disturbance really met."
    ),
    time_scale: float = typer.Option(1.0, "--time-scale", metavar="X", help="2 lets the car live twice as fast."),
    state: Path | None = typer.Option(
        None, "--state", metavar="FILE",
        help="Keep the car's codes, readiness and counters in FILE from one drive to the next.",
    ),
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
        second_module=second_module, faults=fault, time_scale=time_scale, state=state,
    )  # fmt: skip
    from camlog.cli.results import say
    from camlog.simulate.adapter import serve

    def announce(port: str) -> None:
        typer.echo(port)  # alone on its line, for whoever starts this in a program
        if sys.stdout.isatty():
            typer.echo(say("simulate.next", port=port, vehicle=vehicle), err=True)

    serve(kept.adapter, link=port_link, tcp=tcp, pty=pty, announce=announce, fault_log=fault_log)
    kept.save()
