"""`camlog codes`: what the vehicle's modules hold now."""

from __future__ import annotations

from typing import Annotated, Optional

import typer


def codes(
    port: Annotated[
        Optional[str],
        typer.Option(help="Where the adapter is, as for record; without it the likely ports are tried.", metavar="PORT"),
    ] = None,
    baud: Annotated[Optional[int], typer.Option(help="Serial speed of the adapter.", metavar="N")] = None,
    json: Annotated[bool, typer.Option("--json", help="Print one JSON object, as in a drive file.")] = False,
) -> None:
    """Read stored, pending and permanent codes, lamp, readiness, freeze frame, counters and test results.

    Nothing is changed or cleared. A code is evidence, not a verdict: log a drive before parts are ordered.
    """
    import json as json_
    import sys

    from camlog.capture.connect import open_link
    from camlog.capture.link import LinkLost
    from camlog.capture.probe import probe
    from camlog.capture.snapshot import read_snapshot
    from camlog.drive import snapshot_to_dict
    from camlog.errors import InputError

    link = open_link(port, baud=baud, say=lambda text: typer.echo(text, err=True))
    try:
        snapshot = read_snapshot(link, probe(link))
    except LinkLost as lost:
        raise InputError(
            f"the connection broke while reading ({lost})", file=link.port, remedy="Check the cable and try again."
        ) from lost
    finally:
        link.close()
    if json:
        json_.dump(snapshot_to_dict(snapshot), sys.stdout, indent=1, ensure_ascii=False)
        sys.stdout.write("\n")
        return
    from rich.console import Console

    Console(highlight=False).print(*snapshot_tables(snapshot), sep="\n")


def snapshot_tables(snapshot) -> list:
    """A code snapshot as rich tables: codes, readiness, freeze frame, counters, test results."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    from camlog.codes.explain import explain
    from camlog.drive import READINESS_MONITORS

    def table(title: str, *headings: str) -> Table:
        made = Table(title=Text(title), box=box.SIMPLE_HEAD, title_justify="left", pad_edge=False)
        for heading in headings:
            made.add_column(heading)
        return made

    lamp = {True: "on", False: "off", None: "not read"}[snapshot.mil]
    codes_table = table(f"Codes (warning lamp {lamp})", "kind", "code", "module", "what it says")
    for kind in ("stored", "pending", "permanent"):
        found = getattr(snapshot, kind)
        if found is None:
            codes_table.add_row(kind, "-", "", "not answered by this vehicle")
        elif not found:
            codes_table.add_row(kind, "none", "", "")
        for code in found or ():
            codes_table.add_row(kind, code.code, code.ecu, Text(explain(code.code)))
    made = [codes_table]

    readiness = table("Monitors since the last clear", "monitor", "state")
    for monitor in READINESS_MONITORS:
        readiness.add_row(monitor.replace("_", " "), snapshot.readiness.get(monitor, "not read"))
    made.append(readiness)

    if snapshot.freeze_frame:
        frame = table("Freeze frame", "signal", "value")
        for name, value in snapshot.freeze_frame.items():
            frame.add_row(name, _with_unit(name, value))
        made.append(frame)
    if snapshot.since_clear:
        since = table("Counters", "what", "value")
        for name, value in snapshot.since_clear.items():
            since.add_row(name, "not answered" if value is None else f"{value:g}")
        made.append(since)
    if snapshot.monitor_tests:
        tests = table("Test results", "MID", "TID", "value", "lowest", "highest", "unit", "")
        for test in snapshot.monitor_tests:
            inside = (test.min is None or test.value >= test.min) and (test.max is None or test.value <= test.max)
            limits = ["" if limit is None else f"{limit:g}" for limit in (test.min, test.max)]
            tests.add_row(test.mid, test.tid, f"{test.value:g}", *limits, test.unit, "" if inside else "outside")
        made.append(tests)
    return made


def _with_unit(name: str, value) -> str:
    from camlog.signals import unit_of

    return f"{value:g} {unit_of(name)}".strip() if isinstance(value, float | int) else str(value)
