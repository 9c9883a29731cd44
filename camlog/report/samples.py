"""Reports of the shipped sample recordings, as `camlog demo` shows them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from camlog.analysis import analyze
from camlog.analysis.findings import Findings
from camlog.drive import drive_beside
from camlog.places import sample_logs_folder
from camlog.profile import read_profile
from camlog.report import write_comparison, write_report
from camlog.report.summary import headline
from camlog.report.words import say
from camlog.trace import read_trace

PAIR = ("repair-before", "repair-after")


def analyze_sample(path: Path) -> Findings:
    """The findings of one sample recording, with its drive file and the invented vehicle's profile."""
    return analyze(read_trace(path), drive_beside(path), read_profile("demo"))


def write_sample_reports(folder: str | Path, say_line: Callable[[str], None] = print) -> list[Path]:
    """Write the report of every sample recording, and the comparison of the pair, into `folder`.

    `say_line` gets one line per report. Returns the written pages. Raises InputError if the samples are missing.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    written, pair = [], {}
    for path in sorted(sample_logs_folder().glob("*.csv")):
        findings = analyze_sample(path)
        written.append(folder / f"{path.stem}.report.html")
        write_report(findings, written[-1])
        say_line(" ".join([f"{path.stem}:", headline(findings), *findings.do_not_run[:1]]))
        if path.stem in PAIR:
            pair[path.stem] = findings
    if len(pair) == len(PAIR):
        written.append(folder / f"{PAIR[1]}.comparison.html")
        write_comparison(pair[PAIR[0]], pair[PAIR[1]], written[-1])
        say_line(say("samples.pair", page=written[-1].name))
    return written
