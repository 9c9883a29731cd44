"""`camlog record`: log a drive over an adapter."""

from __future__ import annotations

from pathlib import Path

import typer


def record(
    port: str | None = None, vehicle: str | None = None, out: Path | None = None,
    minutes: float | None = None, baud: int | None = None, signal: list[str] | None = None,
    vin: bool = False, raw: Path | None = None, standing: bool = False,
    force: bool = False,
) -> None:  # fmt: skip
    """Log a test drive to a recording.

    Before you start: ignition on, adapter in the connector with its lamp lit. For a cold-start rattle, start the
    recording with the ignition on and the engine off, wait for the first line, then start the engine.

    While it runs: m sets a marker (type what you heard, then Enter), q or Ctrl-C ends. The driver drives; someone
    else operates camlog; drive only where traffic, law and the state of the car allow. Whatever happens to the cable,
    the adapter or this computer, the rows so far are on disk.
    """
    import sys
    from datetime import datetime
    from difflib import get_close_matches

    from camlog.capture.raw_log import RawLog
    from camlog.capture.record import connection_lines, open_source
    from camlog.capture.record import record as record_drive
    from camlog.capture.troubles import PROBLEMS
    from camlog.cautions import DRIVE, IDLE, OPERATE, PEDALS, sentences
    from camlog.cli.results import free_path, profile_of, say
    from camlog.signals import SIGNALS
    from camlog.sinks.keys import KeyReader
    from camlog.sinks.terminal import view_for

    only = [name for names in signal or () for name in names.replace(",", " ").split()]
    for name in only:
        if name not in SIGNALS:
            raise say.error("record_no_signal", name=name, near=get_close_matches(name, SIGNALS, n=3, cutoff=0.5))
    trace = out or Path(datetime.now().strftime("drive-%Y%m%d-%H%M%S.csv"))
    if trace.suffix.lower() != ".csv":
        raise say.error("record_name", trace)
    free_path(trace, force)
    profile = profile_of(vehicle)

    def tell(text: str) -> None:
        typer.echo(text, err=True)

    if sys.stderr.isatty():
        for sentence in sentences((OPERATE, DRIVE, PEDALS, IDLE)):
            tell(sentence)
    tell(say("record.connecting"))
    log = RawLog(raw, number=vin, force=force) if raw else None
    source = open_source(port, profile, baud=baud, only=only or None, store_vin=vin, raw=log, say=tell)
    for line in (*connection_lines(source), *source.expected.lines()):
        tell(line)
    from camlog.analysis.do_not_run import LiveCare  # slow to import: not before what can be read
    from camlog.analysis.drive.coverage import CoverageTracker
    from camlog.analysis.drive.standing import StandingTest
    from camlog.limits import limits_for

    test = StandingTest(profile, source.stop) if standing else None
    covered = test.covered if test else CoverageTracker(profile=profile)
    care = test or LiveCare(limits_for(profile))
    with KeyReader(source.now_s, on_marker=source.put, on_end=source.stop) as keys:
        view = view_for(clock=source.now_s, keys=keys, care=care)
        views = [view] if test else [view, covered]  # a test feeds its own
        try:
            done = record_drive(source, trace, views=views, minutes=minutes, force=force)
        except KeyboardInterrupt:
            tell(say("record.at_once", trace=trace))
            raise typer.Exit() from None
    if log:
        log.close()
    if test and test.over:
        tell(test.over)
    tell(say("record.done", rows=done.rows, trace=done.trace, drive=done.drive))
    if done.errors:
        tell(say("record.problems", problems=", ".join(f"{PROBLEMS.get(k, k)} x{n}" for k, n in done.errors.items())))
    if not care.sentences() and (lacks := covered.coverage()).missing:
        tell(say("record.missing", missing=lacks.missing, caution=lacks.caution))
    for failure in done.view_failures:
        tell(say("record.view", reason=failure.error))
