"""Gates on the cams: each healthy, and moved enough to tell, in every oil window not shown healthy before.

A window of the first drive that was bad must be healthy now; one it could not show healthy must be too, so
that a poorer first drive never makes the proof easier. Only the window above 100 °C, which most drives never
reach, is asked for only where the first drive was bad in it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from camlog.analysis.drive.coverage import WindowCoverage
from camlog.analysis.figures import BY_NAME, QUESTIONS
from camlog.analysis.findings import CamFindings, Findings
from camlog.analysis.verdict.judge import view
from camlog.analysis.verdict.weigh import Weighed
from camlog.cams import cam_words
from camlog.limits import Limit
from camlog.oil_windows import OilWindow
from camlog.verify.gate import Gate, GateMaker

# Common practice, no source: what is to prove a repair must be surer than what names a cam healthy.
PROOF_AT = 0.9
# A command that never moved farther than this shows neither a stuck nor a slow cam.
SPAN_DEG = 8.0
# A second drive that asks for less than this part of the first one's travel does not show the same motion.
TRAVEL_SHARE = 0.5
RARE_FROM_DEGC = 100.0
# Figures of the first drive that the second must have measured again where they were bad.
MEASURED_AGAIN = frozenset(
    {"t63_s", "flutter_rms_deg", "drift_deg_per_s", "cold_start_flutter_deg", "p95_abs_deg", "rest_offset_deg"}
)
REASONS_SHOWN = 2
MISSING_SHOWN = 3
TO_MOVE = (
    "from a steady cruise open the throttle briskly and release it, 3 times, with some seconds in between"
)


def cam_gates(after: Findings, before: Findings | None) -> list[Gate]:
    """One gate a cam of either drive or of the profile."""
    names = list(
        dict.fromkeys(
            [*(before.cams if before else ()), *after.cams, *_of_profile(after), *_of_profile(before)]
        )
    )
    if not names:
        make = GateMaker("cams", "Cams healthy")
        return [
            make.not_shown(
                "The drive holds no cam angles, so nothing is known of the phasers.",
                "Record with a vehicle profile that says where this vehicle keeps its cam angles.",
                answerable=False,
            )
        ]
    return [_cam_gate(name, after, before) for name in names]


def _of_profile(findings: Findings | None) -> Iterable[str]:
    profile = findings.profile if findings is not None else None
    return [c.id for c in profile.cams] if profile is not None else ()


def _cam_gate(name: str, after: Findings, before: Findings | None) -> Gate:
    words = cam_words(name)
    make = GateMaker(f"cam_{name}", f"{words[0].upper()}{words[1:]} healthy")
    now, then = after.cams.get(name), before.cams.get(name) if before is not None else None
    if now is None:
        return make.not_shown(
            f"Commanded and actual angle of the {words} were not recorded.",
            "Record the drive with the vehicle profile of the first one.",
        )
    verdict = now.verdict
    if verdict.condition not in ("healthy", "insufficient_data"):
        return make.failed(
            f"Found {verdict.condition}: "
            f"{' '.join(verdict.reasons[:REASONS_SHOWN]) or 'see the report of this drive.'}",
            "The fault is there still: go back to the diagnosis.",
            fault=True,
        )
    if verdict.condition == "insufficient_data":
        return make.not_shown(
            "This drive cannot judge it.",
            " ".join(verdict.reasons[:MISSING_SHOWN]) or "Drive longer, with the cam commanded to move.",
        )
    if (still := _hardly_moved(now, then)) is not None:
        return make.not_shown(still, f"Drive so that it is moved as far as in the first drive: {TO_MOVE}.")
    doubts = [QUESTIONS[name].title for name, a in verdict.questions.items() if a.answer == "no"]
    if verdict.confidence < PROOF_AT or doubts:
        against = min(verdict.evidence, key=verdict.says, default=None)
        why = f" What speaks against it most: {against.figure.sentence(against.measured)}; the limit is {against.limit}." if against else ""
        return make.not_shown(
            f"Healthy with a probability of {100 * verdict.confidence:.0f} %, too little to prove a repair "
            f"({100 * PROOF_AT:.0f} %).{why}",
            "Drive again, longer, for surer figures.",
        )
    needed = required_windows(then, after.limits, after.conditions.windows.windows)
    open_ones = [w for w in needed if not _shown(w, now, then, after.limits)]
    if open_ones:
        oil = " and ".join(w.words for w in open_ones)
        return make.not_shown(
            f"Not enough was driven with oil {oil} to see it move there.", f"With oil {oil}: {TO_MOVE}."
        )
    if again := _not_measured_again(name, after, then):
        return make.not_shown(
            f"What was bad in the first drive was not measured again: {again.figure.sentence(again.measured)}.",
            _how_to_measure(again),
        )
    shown = (
        f"Shown with oil {', '.join(w.words for w in needed)}."
        if needed
        else "Healthy in the first drive too."
    )
    return make.passed(" ".join((*verdict.reasons, shown)))


def required_windows(
    then: CamFindings | None, limits: Mapping[str, Limit], windows: Iterable[OilWindow]
) -> tuple[OilWindow, ...]:
    """The oil windows in which a cam must be shown healthy; `then` is what the first drive said of it."""
    return tuple(w for w in windows if _required(w, then, limits))


def _required(window: OilWindow, then: CamFindings | None, limits: Mapping[str, Limit]) -> bool:
    rare = window.min_degc >= RARE_FROM_DEGC
    covered = then is not None and _covered(_coverage(then, window), limits)
    if then is None:
        return not rare
    bad = _bad(then)
    here = any(w.measured.window == window for w in bad)
    everywhere = any(w.measured.window is None for w in bad)
    if rare:
        return here or (everywhere and covered)
    condition = then.verdict.condition
    unclear = condition == "insufficient_data" or (condition != "healthy" and not bad)
    return here or everywhere or unclear or not covered


def _shown(
    window: OilWindow, now: CamFindings, then: CamFindings | None, limits: Mapping[str, Limit]
) -> bool:
    here = _coverage(now, window)
    if not _covered(here, limits):
        return False
    if here.advance_moves and here.retard_moves:
        return True
    # Some engines leave their cams at rest while cold: then the first drive shows none moved either.
    earlier = None if then is None else _coverage(then, window)
    return _covered(earlier, limits) and not (earlier.advance_moves or earlier.retard_moves)


def _coverage(found: CamFindings, window: OilWindow) -> WindowCoverage | None:
    rows = found.coverage.windows if found.coverage is not None else ()
    return next((w for w in rows if w.window == window), None)


def _covered(row: WindowCoverage | None, limits: Mapping[str, Limit]) -> bool:
    return row is not None and row.seconds >= limits["needed_window_s"].value


def _hardly_moved(now: CamFindings, then: CamFindings | None) -> str | None:
    span = now.examination.travel.command_span_deg
    least, why = SPAN_DEG, "too little to show a fault"
    if then is not None:
        first = then.examination.travel.command_span_deg
        if TRAVEL_SHARE * first > least:
            least, why = TRAVEL_SHARE * first, f"the first drive asked for {first:.0f} deg"
    return f"It was commanded over {span:.0f} deg only; {why}." if span < least else None


def _bad(found: CamFindings) -> list[Weighed]:
    """The figures beyond their limit that speak for a fault; of a cam called healthy none was bad."""
    if found.verdict.condition == "healthy":
        return []
    return [w for w in found.verdict.evidence if w.times_limit > 1.0 and max(w.says.values(), default=0.0) > 0.0]


def _not_measured_again(name: str, after: Findings, then: CamFindings | None) -> Weighed | None:
    """A figure beyond its limit in the first drive that the second did not measure; None where none."""
    if then is None:
        return None
    seen = view({c: f.examination for c, f in after.cams.items()}, name)
    have = {
        (figure, m.window, m.part)
        for figure in MEASURED_AGAIN
        for m in BY_NAME[figure].values(seen)
        if m.estimate.value is not None and m.amount >= BY_NAME[figure].least
    }
    for w in _bad(then):
        if w.figure.name in MEASURED_AGAIN and (w.figure.name, w.measured.window, w.measured.part) not in have:
            return w
    return None


def _how_to_measure(w: Weighed) -> str:
    oil = f"With oil {w.measured.window.words}: " if w.measured.window is not None else ""
    text = {
        "t63_s": f"{TO_MOVE}.",
        "cold_start_flutter_deg": "begin recording before starting the engine that stood over night.",
        "rest_offset_deg": "let the warm engine idle for 30 s without touching the pedal.",
    }.get(w.figure.name, "hold 2,000 rpm steadily for 20 s.")
    text = oil + text
    return text[:1].upper() + text[1:]
