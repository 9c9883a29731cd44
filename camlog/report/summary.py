"""The first screen in words: headline, the paragraph for the owner of the car, what to check next."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from camlog.analysis.findings import CamFindings, Findings
from camlog.analysis.verdict.checks import Check
from camlog.report.words import (
    CAUSE_FOR_OWNER,
    CONDITION_FOR_OWNER,
    CONDITION_MEANS,
    cam_title,
    condition_word,
    duration,
    key_figure,
    state_of,
    sureness,
)

WORTH_SAYING = 0.3  # support below which a cause is not put on the first screen
LEAST = 0.1  # of a fault's best cause, however weakly supported
CLOSE = 0.25
ORDER = {"bad": 0, "unknown": 1, "good": 2}


def cams_in_order(findings: Findings) -> list[CamFindings]:
    """Faulty cams first, surest first; then those that could not be judged; then healthy ones."""
    return sorted(findings.cams.values(), key=lambda c: (ORDER[state_of(c.verdict)], -c.verdict.confidence))


def headline(findings: Findings) -> str:
    """The answer in one line."""
    if not findings.cams:
        return "The cams cannot be judged: no cam angles were recorded."
    words = {c.cam: condition_word(c.verdict).lower() for c in cams_in_order(findings)}
    if len(words) > 1 and len(set(words.values())) == 1:
        every = "Both cams" if len(words) == 2 else f"All {len(words)} cams"
        if all(c.verdict.condition == "insufficient_data" for c in findings.cams.values()):
            return f"{every}: not enough data for a verdict."
        return f"{every}: {next(iter(words.values()))}."
    return " ".join(f"{cam_title(cam)}: {word}." for cam, word in words.items())


def card(found: CamFindings) -> dict[str, Any]:
    """What the first screen says of one cam."""
    verdict = found.verdict
    judged = verdict.condition != "insufficient_data"
    missing = list(found.coverage.missing) if found.coverage is not None else []
    return {
        "cam": found.cam,
        "title": cam_title(found.cam),
        "state": state_of(verdict),
        "word": condition_word(verdict),
        "means": CONDITION_MEANS[verdict.condition],
        "sure": sureness(verdict.confidence) if judged else "",
        "figure": key_figure(verdict),
        "reason": next(iter(verdict.reasons), ""),
        "reasons": list(verdict.reasons),
        "missing": missing,
    }


def likely_causes(findings: Findings) -> list[Any]:
    """The best supported cause and, where the data cannot tell it from the next, that one too."""
    best = [c for c in findings.causes if c.support >= WORTH_SAYING][:2]
    faulty = any(state_of(c.verdict) == "bad" for c in findings.cams.values())
    if not best and faulty:
        return [c for c in findings.causes[:1] if c.support >= LEAST and c.cause != "nothing wrong"]
    if len(best) == 2 and best[0].support - best[1].support > CLOSE:
        best = best[:1]
    return best


def next_steps(findings: Findings) -> dict[str, Any]:
    """The first physical checks, each with its cautions; a healthy or unjudged drive has its own.

    `caution` stands under the whole list; `items` are dictionaries of `text` and `cautions`.
    """
    causes = likely_causes(findings)
    undecided = [c for c in findings.cams.values() if c.verdict.condition == "insufficient_data"]
    faulty = any(state_of(c.verdict) == "bad" for c in findings.cams.values())
    steps = {"title": "Check next", "items": [], "causes": causes, "weak": False, "caution": ""}
    if findings.do_not_run:
        return steps | {"title": "Check first", "items": checks((*causes, *findings.causes)[0].next_checks)}
    if not findings.cams or (undecided and not faulty):
        missing = list(findings.coverage.missing) or [m for c in undecided for m in c.verdict.reasons]
        items = [{"text": text, "cautions": ()} for text in list(dict.fromkeys(missing))[:3]]
        return steps | {"title": "Drive this next", "items": items, "caution": findings.coverage.caution}
    if not causes:
        items = [{"text": "No cause stands out: see the figures below.", "cautions": ()}]
        return steps | {"items": items}
    weak = causes[0].support < WORTH_SAYING
    return steps | {"items": checks(causes[0].next_checks[:3]), "weak": weak}


def checks(found: Iterable[Check]) -> list[dict[str, Any]]:
    """Checks with the cautions that stand beside each; one that stands beside an earlier check is not repeated."""
    said: set[str] = set()
    made = []
    for check in found:
        made.append({"text": str(check), "cautions": [c for c in check.cautions if c not in said]})
        said.update(check.cautions)
    return made


def owner_paragraph(findings: Findings) -> str:
    """What happened and what comes next, for the owner of the car."""
    c = findings.conditions
    drove = f"A drive of {duration(c.duration_s)} was recorded from the engine's own sensors."
    faulty = [x for x in cams_in_order(findings) if state_of(x.verdict) == "bad"]
    unknown = [x for x in cams_in_order(findings) if state_of(x.verdict) == "unknown"]
    if findings.do_not_run:
        return (
            f"{drove} It shows that this engine may be damaged if it runs on: please do not start or drive the car. The "
            "workshop will have it towed and look at what is listed here first."
        )
    if not findings.cams:
        return f"{drove} This recording holds no camshaft angles, so nothing can be said about the cam adjusters."
    causes = [x for x in likely_causes(findings) if x.cause != "nothing wrong" and x.support >= WORTH_SAYING]
    if faulty:
        names = ", and the ".join(
            f"{cam_title(x.cam).lower().replace('cam,', 'camshaft of')} {CONDITION_FOR_OWNER[x.verdict.condition]}"
            for x in faulty
        )
        words = " or ".join(CAUSE_FOR_OWNER[x.cause] for x in causes)
        because = f" The likeliest cause is {words}." if words else ""
        return (
            f"{drove} The {names}.{because} The workshop should check the cheaper possibilities listed here before any "
            "part is ordered."
        )
    if unknown:
        return (
            f"{drove} It was not enough to judge {'the camshaft adjusters' if len(unknown) > 1 else 'every camshaft adjuster'} "
            "fairly, so nothing is claimed; another drive is needed."
        )
    engine = next((x for x in causes if x.cause == "ignition or fuel"), None)
    if engine is not None:
        return f"{drove} The camshafts move as they should; the fault is more likely {CAUSE_FOR_OWNER[engine.cause]}."
    return f"{drove} The camshafts moved as the engine computer asked, so this drive gives no reason to open the engine for them."


def coverage_words(findings: Findings) -> dict[str, Any]:
    """Whether the drive was enough, and what it did not contain."""
    covered = findings.coverage
    if covered.sufficient:
        title, state = "The drive was enough for a verdict.", "good"
    elif covered.judgeable:
        title, state = "Enough to name a fault, not enough to clear every cam.", "unknown"
    else:
        title, state = "The drive was not enough for a verdict.", "unknown"
    return {"title": title, "state": state, "missing": list(covered.missing), "caution": covered.caution}
