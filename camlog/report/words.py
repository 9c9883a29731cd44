"""Verdicts, causes and the worst moments in words. The words are in `messages.toml`."""

from __future__ import annotations

import numpy as np

from camlog.analysis.cam.rest import WATCHED_S
from camlog.analysis.cam.strip import Moment, Strip
from camlog.analysis.findings import CamFindings, Findings
from camlog.analysis.verdict.judge import Verdict
from camlog.analysis.verdict.weigh import Weighed
from camlog.cams import bank_of, side_of
from camlog.messages import Messages
from camlog.numbers import duration, with_unit
from camlog.questions import QUESTIONS

say = Messages("camlog.report")
CONDITION_WORDS = say.table("condition")
START_FLUTTER = "cold_start_flutter_deg"
LEAST_DRIVEN_S = 20.0  # in an oil window, so that the share of the fault in it is mentioned
MOSTLY_TIMES = 2.0  # ratio of the shares in one oil window and in any other, from which a fault is "mostly" there
# Least support of a cause for each word on its evidence (common practice, no source).
EVIDENCE_STRENGTHS = ((0.8, "strong"), (0.5, "good"), (0.3, "some"), (0.0, "weak"))


def key_evidence(verdict: Verdict) -> Weighed | None:
    """The figure behind the verdict: the one with the most weight for a fault, the error at a steady command if
    healthy."""
    if verdict.condition == "insufficient_data":
        return None
    if verdict.condition == "healthy":
        return next((w for w in verdict.evidence if w.figure.name == "p95_abs_deg"), None)
    # A figure of this fault's own question is preferred to one that many faults share.
    beyond = [w for w in verdict.evidence if w.times_limit > 1.0]
    own = [w for w in beyond if QUESTIONS[w.figure.question].faults[0] == verdict.condition]
    return max(own or verdict.evidence, key=verdict.says, default=None)


def key_figure(verdict: Verdict) -> dict[str, str] | None:
    """The number beside the verdict: `value` with unit, `words` for its meaning, and `limit`."""
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
    """A verdict in one or two words: `Sticking`; for an unstable cam the kind: hunting, drifting, rattling at start."""
    key = key_evidence(verdict) if verdict.condition == "unstable" else None
    if key is None:
        return CONDITION_WORDS[verdict.condition]
    return say(f"unstable.{key.figure.name if f'unstable.{key.figure.name}' in say else 'any_other'}")


def does_for_owner(found: CamFindings) -> str:
    """The cam and what it does, in words for the car's owner."""
    cam = say("cam.for_owner", side=side_of(found.cam), bank=bank_of(found.cam))
    return f"{cam} {say(f'condition_for_owner.{found.verdict.condition}')}"


def cause_words(cause: str) -> str:
    """A cause in words for its first use, in which the phaser is explained."""
    return say.table("cause").get(cause, cause)


def evidence_words(support: float) -> str:
    """The support of a cause in words: `strong evidence, 91 %`."""
    strength = next(name for least, name in EVIDENCE_STRENGTHS if support >= least)
    return say("evidence.words", strength=say(f"evidence.{strength}"), percent=f"{100 * support:.0f}")


def state_of(condition: str) -> str:
    """`good`, `bad` or `unknown`, for the shape and colour of a verdict."""
    return {"healthy": "good", "insufficient_data": "unknown"}.get(condition, "bad")


def sureness(confidence: float) -> str:
    """A confidence in percent for print; never 100 %."""
    return say("verdict.sure", percent=min(round(100 * confidence), 99))


# ---------------------------------------------------------------- when


def clock(seconds: float) -> str:
    """A moment of the recording: `4:05`, `1:02:07`."""
    minutes, rest = divmod(int(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{rest:02d}" if hours else f"{minutes}:{rest:02d}"


def _shows(condition: str) -> list[str]:
    """The states of a strip that show the verdict, the clearest first; none for a healthy cam."""
    return say.table("strip.shows").get(condition, "").split()


def telling(strip: Strip, condition: str, most: int = 3) -> list[Moment]:
    """The worst moments of a strip that show the verdict; none for a healthy cam."""
    return [m for state in _shows(condition) for m in strip.moments if m.state == state][:most]


def told_moments(found: CamFindings, most: int = 3) -> list[Moment]:
    """The worst moments of a cam that show its verdict; none for a healthy cam."""
    strip = found.examination.strip
    moments = telling(strip, found.verdict.condition, len(strip.moments))
    if (start_s := rattles_at_s(found)) is not None:
        moments.sort(key=lambda m: not start_s - 1.0 <= m.start_s <= start_s + WATCHED_S)
    return moments[:most]


def rattles_at_s(found: CamFindings) -> float | None:
    """The time (s) of the engine start with the rattle that the verdict names; None if it names something else."""
    key = key_evidence(found.verdict)
    return found.examination.rest.cold_start.start_s if key is not None and key.figure.name == START_FLUTTER else None


def moment_words(moment: Moment) -> str:
    """A moment in words: what the command and the cam did."""
    name = "jumped" if moment.jump_deg is not None else moment.state
    return say(f"strip.moment.{name}", m=moment, seconds=(moment.break_s or moment.end_s) - moment.start_s)


def worst_moment(found: CamFindings) -> str:
    """The worst moment of a faulty cam in one line; empty if there is none."""
    moments = told_moments(found, 1)
    return say("strip.worst", at=clock(moments[0].start_s), words=moment_words(moments[0])) if moments else ""


def since_words(findings: Findings, found: CamFindings) -> str:
    """Since when a faulty cam shows its fault, and its share of the time by oil temperature; empty if the strip does
    not show the fault."""
    if (start_s := rattles_at_s(found)) is not None:
        oil = found.examination.rest.cold_start.temp_degc
        return say("strip.since_start", at=clock(max(start_s, 0.0)), oil=oil)
    shows, strip = _shows(found.verdict.condition), found.examination.strip
    segments = [s for s in strip.segments if s.state in {*shows, "jumped"}] if shows else []
    if not segments:
        return ""
    windows, driven = findings.conditions.windows, found.coverage.windows if found.coverage is not None else ()
    place = windows.index_at(np.array([(s.start_s + s.end_s) / 2.0 for s in segments]))
    lasting_s = np.array([s.end_s - s.start_s for s in segments])
    seconds = np.bincount(place[place >= 0], lasting_s[place >= 0], len(windows.windows))
    enough = [(w, s) for w, s in zip(driven, seconds, strict=False) if w.seconds >= LEAST_DRIVEN_S]
    shares = {w.window.label: min(s / w.seconds, 1.0) for w, s in enough}
    most = max(shares, key=shares.__getitem__, default="")
    others = [share for oil, share in shares.items() if oil != most]
    mostly = most if others and shares[most] > MOSTLY_TIMES * max(others) else ""
    return say(
        "strip.since", first=clock(segments[0].start_s), seconds=duration(lasting_s.sum()), shares=shares, mostly=mostly
    )


def driven_words(found: CamFindings) -> str:
    """The oil temperatures at which a cam without a fault was driven; empty if unknown."""
    driven = found.coverage.windows if found.coverage is not None else ()
    oils = [w.window.label for w in driven if w.seconds >= LEAST_DRIVEN_S]
    return say("strip.driven", oils=oils) if oils else ""


def misfires_since(findings: Findings) -> str:
    """Since when the misfiring cylinders misfire, and whether that depends on the oil temperature, from the table of
    associations; empty if none surely misfires."""
    misfire, limits = findings.misfire, findings.limits
    if misfire.first_s is None:
        return ""
    windows = findings.conditions.windows.windows
    rates = {w.label: r for w, r in zip(windows, misfire.by_window, strict=False) if r.interval is not None}
    matters, allowed = limits["misfire_rate_ratio"].value, limits["significance"].value
    tried = [a for a in misfire.association if a.kind == "oil_window"]
    word = "cannot_tell"
    if any(
        a.p_adjusted is not None and a.p_adjusted <= allowed and not _within(a.ratio, a.ratio, matters) for a in tried
    ):
        word = "together"
    elif tried and all(_within(a.ratio_low, a.ratio_high, matters) for a in tried):
        word = "not_together"
    return say(
        "complaint.since", first=clock(misfire.first_s), rates=rates, word=word,
        before=any(c.at_start for c in misfire.per_cylinder if c.cylinder in misfire.pattern.cylinders),
        most=max(rates, key=lambda oil: rates[oil].value or 0.0, default=""),
    )  # fmt: skip


def _within(low: float | None, high: float | None, times: float) -> bool:
    """Whether a ratio's interval lies between one over `times` and `times`."""
    return low is not None and high is not None and low > 1.0 / times and high < times
