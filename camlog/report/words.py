"""What the report says in words: cams, verdicts, causes. The words themselves are in `messages.toml`."""

from __future__ import annotations

from camlog.analysis.estimate import Estimate
from camlog.analysis.figures import QUESTIONS
from camlog.analysis.verdict.judge import Verdict
from camlog.analysis.verdict.weigh import Weighed
from camlog.messages import Messages
from camlog.numbers import number, with_unit

say = Messages("camlog.report")
CONDITION_WORDS = say.table("condition")
# Support of a cause from which its evidence is called so (common practice, no source).
EVIDENCE_STRENGTHS = ((0.8, "strong"), (0.5, "good"), (0.3, "some"), (0.0, "weak"))


def interval_words(figure: Estimate) -> str:
    """`1.2 to 3.4`; empty where there is none."""
    return say("row.interval", low=number(figure.low), high=number(figure.high)) if figure.interval else ""


def key_evidence(verdict: Verdict) -> Weighed | None:
    """What carries the verdict: of a fault the weightiest figure, of a healthy cam its error at a steady command."""
    if verdict.condition == "insufficient_data":
        return None
    if verdict.condition == "healthy":
        return next((w for w in verdict.evidence if w.figure.name == "p95_abs_deg"), None)
    # A figure of the question that names this fault tells more than one that many faults share.
    own = [w for w in verdict.evidence if QUESTIONS[w.figure.question].faults[0] == verdict.condition and w.times_limit > 1.0]
    return max(own or verdict.evidence, key=verdict.says, default=None)


def key_figure(verdict: Verdict) -> dict[str, str] | None:
    """The number beside the verdict: `value` with its unit, `words` for what it is, `limit`."""
    w = key_evidence(verdict)
    if w is None:
        return None
    oil = w.measured.window.words if w.measured.window is not None else ""
    return {
        "value": w.figure.shown(w.measured),
        "words": say("verdict.figure", title=w.figure.title, part=w.measured.part, oil=oil),
        "limit": with_unit(w.limit.value, w.figure.unit),
    }


def condition_word(verdict: Verdict) -> str:
    """A verdict in a word or two: `Sticking`; for an unstable cam, which kind: hunting, drifting, rattling at start."""
    key = key_evidence(verdict) if verdict.condition == "unstable" else None
    if key is None:
        return CONDITION_WORDS[verdict.condition]
    return say(f"unstable.{key.figure.name if f'unstable.{key.figure.name}' in say else 'any_other'}")


def cause_words(cause: str) -> str:
    """A cause at its first use: the phaser is explained once."""
    return say.table("cause").get(cause, cause)


def evidence_words(support: float) -> str:
    """How well a cause is supported: `strong evidence, 91 %`."""
    strength = next(name for least, name in EVIDENCE_STRENGTHS if support >= least)
    return say("evidence.words", strength=say(f"evidence.{strength}"), percent=f"{100 * support:.0f}")


def state_of(condition: str) -> str:
    """`good`, `bad` or `unknown`: which shape and colour a verdict gets."""
    return {"healthy": "good", "insufficient_data": "unknown"}.get(condition, "bad")


def sureness(confidence: float) -> str:
    """A confidence as it is printed; never 100 %."""
    return say("verdict.sure", percent=min(round(100 * confidence), 99))
