"""Why a verdict was given: the questions with their answers, and each figure drawn as a bar for or against."""

from __future__ import annotations

from typing import Any

from camlog.analysis.figures import QUESTIONS
from camlog.analysis.verdict.judge import WORTH_SAYING, Answer, Verdict
from camlog.messages import capital
from camlog.report.words import CONDITION_WORDS, say, sureness

FULL_BAR = 4.0  # log odds that fill a bar: about fifty to one
MOST_BARS = 12
LEAST_PROBABILITY = 0.01
_STATES = {"yes": "good", "no": "bad", "cannot_tell": "unknown"}


def weighing(verdict: Verdict) -> dict[str, Any]:
    """What the page shows of how one cam was judged."""
    named = verdict.condition if verdict.condition in verdict.probabilities else verdict.likeliest
    ranked = sorted(verdict.probabilities.items(), key=lambda item: -item[1])
    return {
        "questions": [question(name, answer) for name, answer in verdict.questions.items()],
        "bars": _bars(verdict),
        "for": CONDITION_WORDS[named].lower(),
        "probabilities": [(CONDITION_WORDS[c].lower(), f"{100 * p:.0f} %") for c, p in ranked if p >= LEAST_PROBABILITY],
        "unlike": verdict.unlike,
    }


def question(name: str, answer: Answer) -> dict[str, str]:
    """One question with its answer, as a page shows it."""
    sure = sureness(answer.probability) if answer.answer != "cannot_tell" else ""
    return {"title": QUESTIONS[name].title, "state": _STATES[answer.answer], "word": say(f"answer.{answer.answer}"), "sure": sure,
            "needs": " ".join(answer.needs)}  # fmt: skip


def _bars(verdict: Verdict) -> list[dict[str, Any]]:
    """The weightiest figures, those that speak for the condition first."""
    weighed = [(verdict.says(w), w) for w in verdict.evidence]
    shown = sorted((pair for pair in weighed if abs(pair[0]) >= WORTH_SAYING), key=lambda pair: -abs(pair[0]))[:MOST_BARS]
    return [
        {
            "title": capital(w.figure.title) + (f", {w.measured.part}" if w.measured.part else ""),
            "oil": w.measured.window.words if w.measured.window is not None else "",
            "value": w.figure.shown(w.measured), "limit": str(w.limit), "side": "for" if says > 0 else "against",
            "width": round(100.0 * min(abs(says) / FULL_BAR, 1.0)),
        }
        for says, w in sorted(shown, key=lambda pair: -pair[0])
    ]  # fmt: skip
