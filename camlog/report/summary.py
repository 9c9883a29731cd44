"""The first screen in words: headline, paragraph for the owner of the car, and what to check next."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from camlog.analysis.causes.checks import Sentence as Check
from camlog.analysis.causes.rank import Cause
from camlog.analysis.findings import CamFindings, Findings
from camlog.cams import title as cam_title
from camlog.messages import capital
from camlog.report.words import condition_word, does_for_owner, key_figure, misfires_since, say, state_of, sureness

WORTH_SAYING = 0.3  # support below which a cause is not put on the first screen
LEAST = 0.1  # least support of a fault's best cause
CLOSE = 0.25  # in support: causes that the data cannot tell apart
NOTHING_WRONG, ENGINE = "nothing wrong", "ignition or fuel"  # causes outside the cams
FIRST_ITEMS = 3
CODES_SAID = 3
ORDER = {"bad": 0, "unknown": 1, "good": 2}


def cams_in_order(findings: Findings) -> list[CamFindings]:
    """The cams: first faulty ones (surest first), then those that could not be judged, then healthy ones."""
    return sorted(findings.cams.values(), key=lambda c: (ORDER[_state(c)], -c.verdict.confidence))


def _state(found: CamFindings) -> str:
    return state_of(found.verdict.condition)


def _of_state(findings: Findings, state: str) -> list[CamFindings]:
    return [c for c in cams_in_order(findings) if _state(c) == state]


def faulty(findings: Findings) -> bool:
    """Whether any cam has a fault."""
    return bool(_of_state(findings, "bad"))


def headline(findings: Findings) -> str:
    """The answer in one line."""
    if not findings.cams:
        return say("headline.no_cams")
    words = {c.cam: condition_word(c.verdict) for c in cams_in_order(findings)}
    if len(words) > 1 and len(set(words.values())) == 1:
        name = "every_cam" if len(_of_state(findings, "unknown")) < len(words) else "no_verdict"
        return say(f"headline.{name}", count=len(words), word=next(iter(words.values())))
    return " ".join(say("headline.cam", title=cam_title(cam), word=word) for cam, word in words.items())


def complaint(findings: Findings) -> dict[str, Any]:
    """The symptoms of the car apart from its cams: `codes`, misfiring `cylinders` with the width of their bar
    (percent), and both in `words`."""
    misfire, codes = findings.misfire, list(dict.fromkeys(c.code for c in findings.codes.codes))
    rates = {c.cylinder: c.rate.value for c in misfire.per_cylinder if c.rate.value is not None}
    worst = {n: rates[n] for n in misfire.pattern.cylinders if n in rates}
    limit = findings.limits["misfire_per_1000_rev"]
    top = max(*rates.values(), limit.value, 1e-9) if rates else 1.0  # the rates and the limit may all be 0
    bars = [
        {"cylinder": n, "rate": r, "width": 100 * r / top, "limit": 100 * limit.value / top, "over": n in worst}
        for n, r in rates.items()
    ]
    code_words = {"codes": codes[:CODES_SAID], "more": len(codes) - CODES_SAID}
    words = say("complaint.words", worst=worst, count=len(rates), **code_words)
    return {"codes": codes, "cylinders": bars if worst else [], "limit": limit, "words": capital(words),
            "since": misfires_since(findings)}  # fmt: skip


def card(found: CamFindings) -> dict[str, Any]:
    """The values of one cam on the first screen."""
    verdict, state = found.verdict, _state(found)
    return {
        "cam": found.cam, "title": cam_title(found.cam), "state": state, "word": condition_word(verdict),
        "means": say(f"condition_means.{verdict.condition}"),
        "sure": "" if state == "unknown" else sureness(verdict.confidence),
        "figure": key_figure(verdict), "reasons": list(verdict.reasons),
    }  # fmt: skip


def likely_causes(findings: Findings) -> list[Cause]:
    """The best supported cause, and the next one if the data cannot tell them apart."""
    best = [c for c in findings.causes if c.support >= WORTH_SAYING][:2]
    if not best and faulty(findings):
        return [c for c in findings.causes[:1] if c.support >= LEAST and c.cause != NOTHING_WRONG]
    return best[:1] if len(best) == 2 and best[0].support - best[1].support > CLOSE else best


def next_steps(findings: Findings) -> dict[str, Any]:
    """The first physical checks, each with its cautions; a healthy or unjudged drive has other items.

    `caution` is below the whole list; `items` are dictionaries with `text` and `cautions`.
    """
    causes, undecided = likely_causes(findings), _of_state(findings, "unknown")
    steps = {"title": say("next.check"), "items": [], "causes": causes, "weak": False, "caution": ""}
    if findings.do_not_run:
        items = checks((*causes, *findings.causes)[0].next_checks)
        return steps | {"title": say("next.check_first"), "items": items}
    if not findings.cams or (undecided and not _of_state(findings, "bad")):
        missing = list(findings.coverage.missing) or [m for c in undecided for m in c.verdict.reasons]
        items = [{"text": text, "cautions": ()} for text in list(dict.fromkeys(missing))[:FIRST_ITEMS]]
        return steps | {"title": say("next.drive"), "items": items, "causes": [], "caution": findings.coverage.caution}
    if not causes:
        return steps | {"items": [{"text": say("next.nothing"), "cautions": ()}]}
    return steps | {
        "items": checks(findings.diagnosis.checks(causes[0])[:FIRST_ITEMS]),
        "weak": causes[0].support < WORTH_SAYING,
    }


def checks(wanted: Iterable[Check]) -> list[dict[str, Any]]:
    """The checks, each with its cautions; a caution of an earlier check is not repeated."""
    used: set[str] = set()
    items = []
    for check in wanted:
        items.append({"text": str(check), "cautions": [c for c in check.cautions if c not in used]})
        used.update(check.cautions)
    return items


def owner_paragraph(findings: Findings) -> str:
    """What happened and what comes next, for the owner of the car."""
    drove = say("owner.drove", seconds=findings.conditions.duration_s)
    return f"{drove} {_for_owner(findings)}"


def _for_owner(findings: Findings) -> str:
    if findings.do_not_run:
        return say("owner.stop")
    if not findings.cams:
        return say("owner.no_cams")
    words = {c.cause: say(f"cause_for_owner.{c.cause}") for c in likely_causes(findings)
             if c.cause != NOTHING_WRONG and c.support >= WORTH_SAYING}  # fmt: skip
    if bad := _of_state(findings, "bad"):
        return say("owner.faulty", cams=[does_for_owner(c) for c in bad], causes=list(words.values()))
    if unknown := _of_state(findings, "unknown"):
        return say("owner.unknown", count=len(unknown))
    return say("owner.engine", cause=words[ENGINE]) if ENGINE in words else say("owner.healthy")


def coverage_words(findings: Findings) -> dict[str, Any]:
    """Whether the drive was enough, and what it did not contain."""
    covered = findings.coverage
    name = "sufficient" if covered.sufficient else "judgeable" if covered.judgeable else "not_enough"
    return {"title": say(f"coverage.{name}"), "state": "good" if covered.sufficient else "unknown",
            "missing": list(covered.missing), "caution": covered.caution}  # fmt: skip
