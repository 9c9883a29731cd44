"""`camlog codes`: what the vehicle's modules hold now."""

from __future__ import annotations

from typing import TYPE_CHECKING

import typer

from camlog.cli.results import say

if TYPE_CHECKING:
    from rich.table import Table

    from camlog.stream import CodeSnapshot, MonitorTest


def codes(port: str | None = None, baud: int | None = None, json: bool = False) -> None:
    """Read stored, pending and permanent codes, lamp, readiness, freeze frame, counters and test results.

    Of every module that answers. Nothing is changed or cleared. A code is evidence, not a verdict: log a
    drive before parts are ordered.
    """
    from camlog.capture.connect import open_link
    from camlog.capture.ports import LinkLost
    from camlog.capture.probe import probe
    from camlog.capture.snapshot import read_snapshot
    from camlog.console import PlainConsole
    from camlog.drive import snapshot_to_dict
    from camlog.visible import visible_json

    link = open_link(port, baud=baud, say=lambda text: typer.echo(text, err=True))
    try:
        snapshot = read_snapshot(link, probe(link))
    except LinkLost as lost:
        raise say.error("codes_broken", link.port, reason=lost) from lost
    finally:
        link.close()
    if json:
        typer.echo(visible_json(snapshot_to_dict(snapshot)))
    else:
        PlainConsole().print(*snapshot_tables(snapshot), say("codes.no_verdict"), sep="\n")


def snapshot_tables(snapshot: CodeSnapshot) -> list[Table]:
    """A code snapshot as rich tables: codes, readiness, freeze frame, counters, test results."""
    from camlog.drive import READINESS_MONITORS
    from camlog.numbers import with_unit
    from camlog.signals import unit_of

    def value(name: str, of) -> str:
        return with_unit(of, unit_of(name)) if isinstance(of, float | int) else str(of)

    def counter(name: str, of) -> tuple[str, str]:
        words = say(f"codes.counter.{name}") if f"codes.counter.{name}" in say else name
        unit = {"km": "km", "min": "min"}.get(name.rpartition("_")[2], "")
        return words, say("codes.no_counter") if of is None else with_unit(of, unit)

    def test(of: MonitorTest) -> tuple[str, ...]:
        limits = ["" if limit is None else f"{limit:g}" for limit in (of.min, of.max)]
        return _test_words(of), of.mid, of.tid, f"{of.value:g}", *limits, of.unit, _test_state(of)

    monitors = [(m.replace("_", " "), snapshot.readiness.get(m, say("codes.not_read"))) for m in READINESS_MONITORS]
    frame = [(name.replace("_", " "), value(name, of)) for name, of in (snapshot.freeze_frame or {}).items()]
    counters = [counter(*item) for item in (snapshot.since_clear or {}).items()]
    tests = [test(of) for of in snapshot.monitor_tests or ()]
    tables: list[tuple[str, tuple[str, ...], list]] = [
        (say("codes.monitors"), ("monitor", "state"), monitors),
        (say("codes.freeze_frame"), ("signal", "value"), frame),
        (say("codes.counters"), ("what", "value"), counters),
        (say("codes.tests"), ("what", "MID", "TID", "value", "lowest", "highest", "unit", ""), tests),
    ]
    return [code_table(snapshot), *(_table(*table) for table in tables if table[2])]


def code_table(snapshot: CodeSnapshot) -> Table:
    """Codes of every module, each in one plain sentence, and the lamp."""
    from camlog.codes.families import explain
    from camlog.codes.trouble import is_code
    from camlog.numbers import UNKNOWN_ASCII

    rows: list[tuple[str, ...]] = []
    for kind in ("stored", "pending", "permanent"):
        held = getattr(snapshot, kind)
        if held is None:
            rows.append((kind, UNKNOWN_ASCII, "", say("codes.not_answered")))
        elif not held:
            rows.append((kind, say("codes.none"), "", ""))
        for c in held or ():
            rows.append((kind, c.code, c.ecu, explain(c.code) if is_code(c.code) else say("codes.unreadable")))
    lamp = say({True: "codes.lamp_on", False: "codes.lamp_off", None: "codes.lamp_unread"}[snapshot.mil])
    return _table(say("codes.title", lamp=lamp), ("kind", "code", "module", "what it says"), rows)


def _table(title: str, headings: tuple[str, ...], rows: list[tuple[str, ...]]) -> Table:
    from rich import box
    from rich.table import Table
    from rich.text import Text

    made = Table(*headings, title=Text(title), box=box.SIMPLE_HEAD, title_justify="left", pad_edge=False)
    for row in rows:
        made.add_row(*map(Text, row))
    return made


def _test_words(test: MonitorTest) -> str:
    """What a service 06 result is about, as far as the standard fixes it."""
    from camlog.codes.service06 import TID_MISFIRE_AVERAGE, TID_MISFIRE_CURRENT, misfire_cylinder

    try:
        mid, tid = int(test.mid, 16), int(test.tid, 16)
    except ValueError:
        return ""
    if 0x35 <= mid <= 0x38:  # SAE J1979 (from memory)
        return say("codes.cam_timing", bank=mid - 0x34)
    cylinder = misfire_cylinder(mid)
    if cylinder is None and mid != 0xA1:
        return ""
    kind = {TID_MISFIRE_AVERAGE: "codes.average", TID_MISFIRE_CURRENT: "codes.current"}.get(tid)
    return say("codes.misfires", cylinder=cylinder, kind=say(kind) if kind else "")


def _test_state(test: MonitorTest) -> str:
    if test.value == 0.0 and test.min == 0.0 and test.max == 0.0:
        return say("codes.not_run")  # SAE J1979 (from memory)
    inside = (test.min is None or test.value >= test.min) and (test.max is None or test.value <= test.max)
    return "" if inside else say("codes.outside")
