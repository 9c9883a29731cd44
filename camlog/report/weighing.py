"""Why a verdict was given: the questions with their answers, and each figure drawn as a bar for or against."""

from __future__ import annotations

from typing import Any

from camlog.analysis.figures import QUESTIONS
from camlog.analysis.findings import CamFindings
from camlog.analysis.verdict.judge import WORTH_SAYING, Verdict
from camlog.report.words import CONDITION_WORDS, sureness

FULL_BAR = 4.0  # log odds that fill a bar: about fifty to one
MOST_BARS = 12
ANSWERS = {"yes": ("good", "yes"), "no": ("bad", "no"), "cannot_tell": ("unknown", "cannot tell")}
LEAST_PROBABILITY = 0.01


def weighing(found: CamFindings) -> dict[str, Any]:
    """What the page shows of how one cam was judged."""
    verdict = found.verdict
    named = verdict.condition if verdict.condition in verdict.probabilities else verdict.likeliest
    return {
        "questions": [_question(verdict, name) for name in verdict.questions],
        "bars": _bars(verdict),
        "for": CONDITION_WORDS[named].lower(),
        "probabilities": [
            (CONDITION_WORDS[c].lower(), f"{100 * p:.0f} %")
            for c, p in sorted(verdict.probabilities.items(), key=lambda item: -item[1])
            if p >= LEAST_PROBABILITY
        ],
        "unlike": verdict.unlike,
    }


def _question(verdict: Verdict, name: str) -> dict[str, str]:
    answer = verdict.questions[name]
    state, word = ANSWERS[answer.answer]
    sure = sureness(answer.probability) if answer.answer != "cannot_tell" else ""
    return {"title": QUESTIONS[name].title, "state": state, "word": word, "sure": sure, "needs": " ".join(answer.needs)}


def _bars(verdict: Verdict) -> list[dict[str, Any]]:
    """The weightiest figures, those that speak for the condition first."""
    weighed = [(verdict.says(w), w) for w in verdict.evidence]
    told = sorted((pair for pair in weighed if abs(pair[0]) >= WORTH_SAYING), key=lambda pair: -abs(pair[0]))[:MOST_BARS]
    return [
        {
            "title": w.figure.title + (f", {w.measured.part}" if w.measured.part else ""),
            "oil": w.measured.window.words if w.measured.window is not None else "",
            "value": w.figure.shown(w.measured),
            "limit": str(w.limit),
            "side": "for" if says > 0 else "against",
            "width": round(100.0 * min(abs(says) / FULL_BAR, 1.0)),
        }
        for says, w in sorted(told, key=lambda pair: -pair[0])
    ]
