"""The cams: each must be healthy, with enough motion to judge, in every oil window not shown healthy before.

A window that was bad in the first drive must be healthy now, and so must one that could not be judged then, so that a
poor first drive never makes the proof easier. Most drives never reach the window above 100 °C, so it is required only
if the first drive was bad in it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from camlog.analysis.drive.coverage import WindowCoverage
from camlog.analysis.figures import BY_NAME, FIGURES, view
from camlog.analysis.findings import CamFindings, Findings
from camlog.analysis.verdict.weigh import Weighed
from camlog.cams import cam_words
from camlog.limits import Limit
from camlog.messages import capital
from camlog.oil_windows import OilWindow
from camlog.report.words import condition_word
from camlog.verify.gate import Case, Outcome, failed, gate, messages, not_shown, passed

# Least confidence of "healthy" that proves a repair; higher than for a verdict. Common practice, no source.
PROOF_AT = 0.9
# Least range of the command (deg) that can show a stuck or slow cam.
SPAN_DEG = 8.0
# Least share of the first drive's travel that the second drive must command.
TRAVEL_SHARE = 0.5
RARE_FROM_DEGC = 100.0
REASONS_SHOWN = 2
MISSING_SHOWN = 3


def _names(case: Case) -> list[str]:
    """The cams of either drive or of the profile."""
    drives = [f for f in (case.before, case.after) if f is not None]
    recorded = [cam for f in drives for cam in f.cams]
    profiled = [cam.id for f in reversed(drives) if f.profile is not None for cam in f.profile.cams]
    return list(dict.fromkeys([*recorded, *profiled]))


@gate(120, "cams")
def cams(case: Case) -> Outcome | None:
    """There are cams to judge."""
    return None if _names(case) else not_shown("none", answerable=False)


@gate(130, "cam_{}", "cam", each=_names, label=cam_words)
def cam_healthy(case: Case, name: str) -> Outcome:
    """One cam is surely healthy, and moved in every required oil window."""
    now, then = case.after.cams.get(name), case.before.cams.get(name) if case.before is not None else None
    if now is None:
        return not_shown("not_recorded")
    verdict, limits = now.verdict, case.after.limits
    if verdict.condition == "insufficient_data":
        reasons = " ".join(verdict.reasons[:MISSING_SHOWN])
        return not_shown("cannot_judge" if reasons else "cannot_judge_longer", reasons=reasons)
    if verdict.condition != "healthy":
        reasons = " ".join(verdict.reasons[:REASONS_SHOWN])
        name_of = "faulty" if reasons else "faulty_see_report"
        return failed(name_of, fault=True, condition=condition_word(verdict).lower(), reasons=reasons)
    to_move = messages("measure_again.move")
    span = now.examination.motion.command_span_deg
    first_span = then.examination.motion.command_span_deg if then is not None else 0.0
    if span < max(SPAN_DEG, TRAVEL_SHARE * first_span):
        less = TRAVEL_SHARE * first_span > SPAN_DEG
        return not_shown("moved_less" if less else "hardly_moved", span=span, first=first_span, how=to_move)
    if verdict.confidence < PROOF_AT or any(a.answer == "no" for a in verdict.questions.values()):
        values: dict[str, Any] = {"percent": 100 * verdict.confidence, "needed": 100 * PROOF_AT}
        against = min(verdict.evidence, key=verdict.says, default=None)
        if against is None:
            return not_shown("unsure", **values)
        figure = against.figure.sentence(against.measured)
        return not_shown("unsure_because", figure=figure, limit=against.limit, **values)
    needed = required_windows(then, limits, case.after.conditions.windows.windows)
    if lacking := [w for w in needed if not _shown(w, now, then, limits)]:
        return not_shown("window_missing", oil=" and ".join(w.words for w in lacking), how=to_move)
    if (again := _not_measured_again(name, case.after, then)) is not None:
        figure = again.figure.sentence(again.measured)
        return not_shown("not_again", figure=figure, how=_how_to_measure(again))
    reasons = " ".join(verdict.reasons[:REASONS_SHOWN])
    if not needed:
        return passed("healthy_before", reasons=reasons)
    return passed("healthy", reasons=reasons, oil=", ".join(w.words for w in needed))


def required_windows(
    then: CamFindings | None, limits: Mapping[str, Limit], windows: Iterable[OilWindow]
) -> tuple[OilWindow, ...]:
    """The oil windows in which a cam must be shown healthy; `then` are its findings in the first
    drive."""
    return tuple(w for w in windows if _required(w, then, limits))


def _required(window: OilWindow, then: CamFindings | None, limits: Mapping[str, Limit]) -> bool:
    rare = window.min_degc >= RARE_FROM_DEGC
    if then is None:
        return not rare
    covered, bad = _covered(_coverage(then, window), limits), _bad(then)
    bad_here = any(w.measured.window == window for w in bad)
    everywhere = any(w.measured.window is None for w in bad)
    if rare:
        return bad_here or (everywhere and covered)
    condition = then.verdict.condition
    unclear = condition == "insufficient_data" or (condition != "healthy" and not bad)
    return bad_here or everywhere or unclear or not covered


def _shown(window: OilWindow, now: CamFindings, then: CamFindings | None, limits: Mapping[str, Limit]) -> bool:
    coverage = _coverage(now, window)
    if coverage is None or not _covered(coverage, limits):
        return False
    if coverage.advance_moves and coverage.retard_moves:
        return True
    # Some engines leave their cams at rest while cold; in that case they did not move in the first drive either.
    earlier = None if then is None else _coverage(then, window)
    return earlier is not None and _covered(earlier, limits) and not (earlier.advance_moves or earlier.retard_moves)


def _coverage(cam: CamFindings, window: OilWindow) -> WindowCoverage | None:
    rows = cam.coverage.windows if cam.coverage is not None else ()
    return next((w for w in rows if w.window == window), None)


def _covered(row: WindowCoverage | None, limits: Mapping[str, Limit]) -> bool:
    return row is not None and row.seconds >= limits["needed_window_s"].value


def _bad(cam: CamFindings) -> list[Weighed]:
    """The figures beyond their limit that indicate a fault; empty for a healthy cam."""
    if cam.verdict.condition == "healthy":
        return []
    beyond = (w for w in cam.verdict.evidence if w.times_limit > 1.0)
    return [w for w in beyond if max(w.says.values(), default=0.0) > 0.0]


def _not_measured_again(name: str, after: Findings, then: CamFindings | None) -> Weighed | None:
    """A figure that was bad in the first drive, is required for a proof and was not measured in the second; None if
    there is none."""
    if then is None:
        return None
    cam_view = view({c: f.examination for c, f in after.cams.items()}, name)
    measured = [(figure, m) for figure in FIGURES if figure.again for m in figure.values(cam_view)]
    enough = [(f, m) for f, m in measured if m.estimate.value is not None and m.amount >= f.least]
    have = {(f.name, m.window, m.part) for f, m in enough}
    lacking = (w for w in _bad(then) if BY_NAME[w.figure.name].again)
    return next((w for w in lacking if (w.figure.name, w.measured.window, w.measured.part) not in have), None)


def _how_to_measure(w: Weighed) -> str:
    how, window = messages(f"measure_again.{w.figure.again}"), w.measured.window
    if window is not None:
        return messages("measure_again.how_with_oil", oil=window.words, how=how)
    return capital(messages("measure_again.how", how=how))
