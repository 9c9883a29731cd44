"""Findings for the tests of reports: the sample recordings, each analyzed once."""

from __future__ import annotations

import dataclasses
from functools import cache, lru_cache

import numpy as np

from camlog.analysis import analyze
from camlog.analysis.findings import Findings
from camlog.drive import Drive
from camlog.places import sample_logs_folder
from camlog.profile import read_profile
from camlog.report.samples import analyze_sample
from camlog.stream import CodeSnapshot, Event, MonitorTest, TroubleCode
from camlog.trace import Trace, read_trace


@cache
def findings_of(name: str) -> Findings:
    """Findings of a sample recording by its name."""
    return analyze_sample(sample_logs_folder() / f"{name}.csv")


def without_cams() -> Findings:
    """A drive of which only standard signals were recorded."""
    trace = read_trace(sample_logs_folder() / "healthy.csv")
    columns = {n: v for n, v in trace.columns.items() if not n.startswith("cam_")}
    return analyze(dataclasses.replace(trace, columns=columns))


# What someone might have typed, or a broken adapter sent.
NASTY = (
    "<script>window.owned=1</script>",
    '"><img src=x onerror="window.owned=2">',
    "</script><script>window.owned=3</script>",
    "'; window.owned=4; '",
    "{{ 7*7 }} {% raw %}",
    "\u202egnp.exe\u202c \u2066left\u2069 \u200b zero",
    "nul\x00 bell\x07 escape\x1b[31m",
    '=HYPERLINK("http://example.invalid")',
    "%{y} <b>bold</b> <a href='javascript:window.owned=5'>go</a>",
    "\u2028 line \u2029 separators \ud800 half",
)


@lru_cache(maxsize=1)
def nasty_findings() -> Findings:
    """A real drive in which every text that can be typed is hostile."""
    trace = read_trace(sample_logs_folder() / "too-short.csv")
    columns = dict(trace.columns) | {
        NASTY[1]: trace.columns["engine_speed"],
        "=cmd": trace.columns["engine_speed"],
    }
    units = dict(trace.units) | {NASTY[1]: NASTY[0], "=cmd": "@x"}
    trace = Trace(trace.time_s, columns, units, NASTY[2] + ".csv", trace.sha256, (NASTY[0],))
    profile = dataclasses.replace(read_profile("demo"), name=NASTY[0], file=NASTY[2], oil_grade=NASTY[1])
    snapshot = CodeSnapshot(
        0.0, True, (TroubleCode("P0011", NASTY[1]),), (), (), {"misfire": "complete"},
        {"code": "P0011", "engine_speed": 750.0, NASTY[2]: NASTY[0]}, {NASTY[1]: 3.0},
        (MonitorTest(NASTY[0], NASTY[2], 1.0, None, None, NASTY[1]),),
    )  # fmt: skip
    drive = Drive(
        started_at="2024-05-14T08:00:00+00:00", vehicle={"name": NASTY[0], "vin": NASTY[2]}, adapter={"name": NASTY[1]},
        trace_sha256=NASTY[2], events=tuple(Event(2.0 * i, "marker", text) for i, text in enumerate(NASTY)),
        code_snapshots=(snapshot,),
    )  # fmt: skip
    return analyze(trace, drive, profile)


def long_trace(hours: float) -> Trace:
    """A drive repeated until it is that long: for sizes and times, not for truth."""
    one = read_trace(sample_logs_folder() / "sticking.csv")
    times = max(1, round(hours * 3600.0 / one.duration_s))
    step = one.duration_s + 0.1
    time_s = np.concatenate([one.time_s + i * step for i in range(times)])
    columns = {n: np.tile(v, times) for n, v in one.columns.items()}
    return dataclasses.replace(one, time_s=time_s, columns=columns, sha256="")
