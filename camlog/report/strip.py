"""The verdict over the drive, for the page and the terminal: one strip per cam, with the events of the drive below."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import groupby
from typing import Any

import numpy as np

from camlog.analysis.cam.strip import FAULTY, STATES, Strip
from camlog.analysis.findings import Findings
from camlog.cams import title as cam_title
from camlog.numbers import duration
from camlog.oil_windows import window_word
from camlog.report.charts.drive import MISFIRES, signal_values
from camlog.report.charts.times import end_s, events, window_runs
from camlog.report.words import CONDITION_WORDS, clock, condition_word, say, state_of

CELLS = 240  # on the page
TERMINAL_CELLS = 72
LETTER_SHARE = 1.8  # percent of the drive; a shorter run has no room for its letter
LABEL_SHARE = 8.0  # the same for the text of an oil window
SPEED_TOP_RPM = 2_000.0  # least top of the scale of the engine speed
MARKS_TOLD = 8
TOLD_S = 1.0  # shortest fault in a healthy cam's strip that is mentioned


def strip_view(findings: Findings) -> dict[str, Any] | None:
    """The values for the template, with places in percent of the drive; None without cams or length."""
    end = end_s(findings)
    of_cams = ((f, f.verdict) for f in findings.cams.values())
    view = _view([(f.cam, f.examination.strip, v.condition, condition_word(v)) for f, v in of_cams], end)
    return view and view | {
        "windows": [
            {"at": 100 * a / end, "width": 100 * (b - a) / end, "word": window_word(w), "label": w.label,
             "roomy": 100 * (b - a) / end >= LABEL_SHARE}
            for a, b, i in window_runs(findings) for w in [findings.conditions.windows.windows[i]]
        ],
        "speed": _speed(findings, end),
        "misfires": _misfires(findings, end),
        "marks": [{"at": 100 * t / end, "kind": kind, "sign": say(f"strip.sign.{kind}")} for t, kind, _ in events(findings)],
        "told": [*_healthy_though(findings), *_marks_in_words(findings)],
    }  # fmt: skip


def saved_view(strips: Mapping[str, tuple[Strip, str]], end: float) -> dict[str, Any] | None:
    """As `strip_view`, from each cam's saved strip and condition, without the events; None without cams."""
    return _view(
        [(cam, strip, condition, CONDITION_WORDS[condition]) for cam, (strip, condition) in strips.items()], end
    )


def _view(strips: Sequence[tuple[str, Strip, str, str]], end: float) -> dict[str, Any] | None:
    """Only the strips, each with its cam, condition and the word for it."""
    if not strips or end <= 0.0:
        return None
    rows = [_row(*of_cam, end) for of_cam in strips]
    states = {run["state"] for row in rows for run in row["runs"]}
    return {
        "end_s": end, "rows": rows, "windows": (), "speed": "", "misfires": (), "marks": (), "told": (),
        "legend": [(s, say(f"strip.letter.{s}"), say(f"strip.state.{s}")) for s in STATES if s in states],
        "ticks": [(100 * share / 4, duration(end * share / 4)) for share in range(5)],
    }  # fmt: skip


def _row(cam: str, strip: Strip, condition: str, word: str, end: float) -> dict[str, Any]:
    runs, at = [], 0
    for state, cells in groupby(strip.cells(end, CELLS)):
        count = len(list(cells))
        left, width = 100 * at / CELLS, 100 * count / CELLS
        at += count
        if state:
            letter = say(f"strip.letter.{state}") if width >= LETTER_SHARE and state in FAULTY else ""
            runs.append({"state": state, "at": left, "width": width, "letter": letter})
    return {"cam": cam, "title": cam_title(cam), "word": word, "verdict": state_of(condition), "runs": runs,
            "summary": strip_words(strip)}  # fmt: skip


def strip_words(strip: Strip) -> str:
    """A sentence on how long the cam did what, beginning with what judges it."""
    return _seconds(strip, [s for s in reversed(STATES) if strip.seconds(s) >= 0.5])


def _seconds(strip: Strip, states: Sequence[str]) -> str:
    return ", ".join(say("strip.seconds", state=say(f"strip.state.{s}"), seconds=strip.seconds(s)) for s in states)


def _healthy_though(findings: Findings) -> list[str]:
    """Why a cam is healthy although its strip shows moments of a fault."""
    good = [f for f in findings.cams.values() if state_of(f.verdict.condition) == "good"]
    with_faults = [(f, [s for s in FAULTY if f.examination.strip.seconds(s) >= TOLD_S]) for f in good]
    return [
        say("strip.healthy", cam=cam_title(f.cam), what=_seconds(f.examination.strip, of))
        for f, of in with_faults
        if of
    ]


def _speed(findings: Findings, end: float) -> str:
    """Engine speed as the points of a line, 0 to 1000 across and 0 (top) to 100 down; empty if it was not read."""
    t, rpm = findings.trace.samples("engine_speed")
    if not len(t):
        return ""
    at = np.linspace(0.0, end, CELLS)
    height = 100.0 - 95.0 * np.interp(at, t, rpm) / max(float(np.max(rpm)), SPEED_TOP_RPM)
    return " ".join(f"{1000 * a / end:.0f},{h:.0f}" for a, h in zip(at, height, strict=True))


def _misfires(findings: Findings, end: float) -> list[tuple[float, float]]:
    """Place and height (percent) of the misfires in each cell; empty if there were none or they were not read."""
    _, t, total = signal_values(findings, MISFIRES)
    if len(t) < 2:
        return []
    counted = np.maximum(np.diff(np.interp(np.linspace(0.0, end, CELLS // 2 + 1), t, total)), 0.0)
    return [(200 * i / CELLS, max(100 * c / float(counted.max()), 15.0)) for i, c in enumerate(counted) if c > 0.25]


def _marks_in_words(findings: Findings) -> list[str]:
    """Marks, gaps and codes in words; those of the same kind and time are combined."""
    groups = groupby(events(findings), key=lambda e: (round(e[0]), e[1]))
    marks = [(t, kind, [text for *_, text in of]) for (t, kind), of in groups]
    words = [say("strip.mark", sign=say(f"strip.sign.{kind}"), at=clock(t), kind=say(f"events.{kind}"), text=", ".join(filter(None, texts)))
             for t, kind, texts in marks]  # fmt: skip
    return words[:MARKS_TOLD]


def strip_lines(findings: Findings, cells: int = TERMINAL_CELLS, *, blocks: bool = True) -> list[str]:
    """The strips for a terminal, one line per cam; with `blocks` False in plain letters."""
    end = end_s(findings)
    signs = say.table("strip.block" if blocks else "strip.letter")
    lines, states = [], []
    for found in findings.cams.values() if end > 0.0 else ():
        of_cam = found.examination.strip.cells(end, cells)
        states += [s for s in of_cam if s]
        lines.append(f"{cam_title(found.cam):<22} {''.join(signs[s] if s else ' ' for s in of_cam)}".rstrip())
    legend: Sequence[str] = [f"{signs[s]} {say(f'strip.state.{s}')}" for s in STATES if s in states]
    return [*lines, "  ".join(legend)] if lines else []
