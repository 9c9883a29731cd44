"""`camlog codes`: what the vehicle's modules hold now."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from rich.table import Table

    from camlog.stream import CodeSnapshot, MonitorTest

COUNTER_WORDS = {
    "warm_ups": ("warm-ups since the codes were cleared", ""),
    "distance_km": ("distance since the codes were cleared", "km"),
    "time_min": ("engine running since the codes were cleared", "min"),
    "distance_with_mil_km": ("distance with the lamp on", "km"),
    "time_with_mil_min": ("engine running with the lamp on", "min"),
}
NOT_ANSWERED = "not answered by this vehicle"
NO_VERDICT = "A code is evidence, not a verdict: log a drive before parts are ordered."


def codes(
    port: Annotated[
        str | None,
        typer.Option(
            help="Where the adapter is, as for record; without it the likely ports are tried.", metavar="PORT"
        ),
    ] = None,
    baud: Annotated[int | None, typer.Option(help="Serial speed of the adapter.", metavar="N")] = None,
    json: Annotated[bool, typer.Option("--json", help="Print one JSON object, as in a drive file.")] = False,
) -> None:
    """Read stored, pending and permanent codes, lamp, readiness, freeze frame, counters and test results.

    Of every module that answers. Nothing is changed or cleared. A code is evidence, not a verdict: log a
    drive before parts are ordered.
    """
    from camlog.capture.connect import open_link
    from camlog.capture.ports import LinkLost
    from camlog.capture.probe import probe
    from camlog.capture.snapshot import read_snapshot
    from camlog.drive import snapshot_to_dict
    from camlog.errors import InputError
    from camlog.visible import visible_json

    link = open_link(port, baud=baud, say=lambda text: typer.echo(text, err=True))
    try:
        snapshot = read_snapshot(link, probe(link))
    except LinkLost as lost:
        raise InputError(
            f"the connection broke while reading ({lost})",
            file=link.port,
            remedy="Check the cable and try again.",
        ) from lost
    finally:
        link.close()
    if json:
        typer.echo(visible_json(snapshot_to_dict(snapshot)))
        return
    from camlog.console import PlainConsole

    console = PlainConsole()
    console.print(*snapshot_tables(snapshot), sep="\n")
    console.print(NO_VERDICT)


def snapshot_tables(snapshot: CodeSnapshot) -> list[Table]:
    """A code snapshot as rich tables: codes, readiness, freeze frame, counters, test results."""
    from camlog.drive import READINESS_MONITORS

    readiness = _table("Monitors since the last clear", "monitor", "state")
    for monitor in READINESS_MONITORS:
        readiness.add_row(monitor.replace("_", " "), snapshot.readiness.get(monitor, "not read"))
    made = [code_table(snapshot), readiness]
    if snapshot.freeze_frame:
        frame = _table("Freeze frame: when the code was set", "signal", "value")
        for name, value in snapshot.freeze_frame.items():
            frame.add_row(name.replace("_", " "), _with_unit(name, value))
        made.append(frame)
    if snapshot.since_clear:
        since = _table("Counters", "what", "value")
        for name, value in snapshot.since_clear.items():
            words, unit = COUNTER_WORDS.get(name, (name, ""))
            since.add_row(words, "not answered" if value is None else f"{value:g} {unit}".strip())
        made.append(since)
    if snapshot.monitor_tests:
        tests = _table(
            "The modules' own tests", "what", "MID", "TID", "value", "lowest", "highest", "unit", ""
        )
        for test in snapshot.monitor_tests:
            limits = ["" if limit is None else f"{limit:g}" for limit in (test.min, test.max)]
            tests.add_row(
                _test_words(test),
                test.mid,
                test.tid,
                f"{test.value:g}",
                *limits,
                test.unit,
                _test_state(test),
            )
        made.append(tests)
    return made


def code_table(snapshot: CodeSnapshot) -> Table:
    """Codes of every module, each in one plain sentence, and the lamp."""
    from rich.text import Text

    from camlog.codes.families import explain
    from camlog.codes.trouble import is_code
    from camlog.unknown import UNKNOWN_ASCII

    lamp = {True: "on", False: "off", None: "not read"}[snapshot.mil]
    table = _table(f"Codes; MIL (warning lamp) {lamp}", "kind", "code", "module", "what it says")
    for kind in ("stored", "pending", "permanent"):
        found = getattr(snapshot, kind)
        if found is None:
            table.add_row(kind, UNKNOWN_ASCII, "", NOT_ANSWERED)
        elif not found:
            table.add_row(kind, "none", "", "")
        for code in found or ():
            words = explain(code.code) if is_code(code.code) else "Not a code camlog can read."
            table.add_row(kind, Text(code.code), Text(code.ecu), Text(words))
    return table


def _table(title: str, *headings: str) -> Table:
    from rich import box
    from rich.table import Table
    from rich.text import Text

    made = Table(title=Text(title), box=box.SIMPLE_HEAD, title_justify="left", pad_edge=False)
    for heading in headings:
        made.add_column(heading)
    return made


def _test_words(test: MonitorTest) -> str:
    """What a service 06 result is about, as far as the standard fixes it."""
    from camlog.codes.service06 import TID_MISFIRE_AVERAGE, TID_MISFIRE_CURRENT, misfire_cylinder

    try:
        mid, tid = int(test.mid, 16), int(test.tid, 16)
    except ValueError:
        return ""
    if 0x35 <= mid <= 0x38:  # SAE J1979 (from memory)
        return f"cam timing, bank {mid - 0x34}"
    kind = {
        TID_MISFIRE_AVERAGE: ", average of ten driving cycles",
        TID_MISFIRE_CURRENT: ", this driving cycle",
    }.get(tid, "")
    cylinder = misfire_cylinder(mid)
    if cylinder is not None:
        return f"misfires, cylinder {cylinder}{kind}"
    return f"misfires, all cylinders{kind}" if mid == 0xA1 else ""


def _test_state(test: MonitorTest) -> str:
    if test.value == 0.0 and test.min == 0.0 and test.max == 0.0:
        return "not run since the last clear"  # SAE J1979 (from memory)
    inside = (test.min is None or test.value >= test.min) and (test.max is None or test.value <= test.max)
    return "" if inside else "outside its limits"


def _with_unit(name: str, value) -> str:
    from camlog.signals import unit_of

    return f"{value:g} {unit_of(name)}".strip() if isinstance(value, float | int) else str(value)
