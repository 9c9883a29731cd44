"""The verdict on each cam: an answer to each question, and the condition that follows from all figures together.

`weigh` turns figures into probabilities. Here they become answers ("yes", "no", "cannot tell"), a condition with its
confidence, and reasons: the figures with most weight, in the words of the registry. The only limits compared with a
figure here are those of the vehicle's own service information."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from camlog.analysis.cam.examine import Examination
from camlog.analysis.code_evidence import CodeEvidence
from camlog.analysis.drive.coverage import CamCoverage
from camlog.analysis.figures import CONDITIONS, FAULTS, View, view
from camlog.analysis.verdict import messages
from camlog.analysis.verdict.weigh import Table, Weighed, beyond_makers_limit, distance, probabilities, table, weigh
from camlog.limits import Limit
from camlog.questions import QUESTIONS

if TYPE_CHECKING:
    from camlog.library.known_good import KnownGood, Place

PLAUSIBLE_SPAN_DEG = 120.0  # of crankshaft; no production phaser travels farther
FOLLOWS_R2 = 0.9
FEW_MOVES = 3
# A real cam lags and is rounded. An actual angle that equals its command at this share of at least this many changed
# readings is no reading.
REPEATS_SHARE, REPEATS_COUNT = 0.9, 20


def refusal(x: Examination, limits: Mapping[str, Limit]) -> str:
    """A sentence saying why the two angles cannot be command and actual of one cam; "" where they can."""
    m = x.motion
    if m.repeats_share is not None and m.repeats_share >= REPEATS_SHARE and m.repeats_count >= REPEATS_COUNT:
        return messages("refusal.repeats", percent=100 * m.repeats_share, count=m.repeats_count)
    span = max(x.motion.command_span_deg, 0.0)
    if span > PLAUSIBLE_SPAN_DEG:
        return messages("refusal.too_far", span=span)
    fit, gain, ends = x.response.fit, x.response.fit.gain, x.response.fit.gain.interval
    if gain.value is None or ends is None or (fit.r2 or 0.0) < FOLLOWS_R2 or fit.blocks < FEW_MOVES:
        return ""
    if gain.value <= 0.0:
        return messages("refusal.against", gain=gain.value)
    if abs(x.rest.offset_deg.value or 0.0) > limits["rest_offset_deg"].value:
        return ""  # a timing offset that the control trims out while the cam moves also changes the relation
    # Only a factor of two (cam and crankshaft degrees exchanged) is refused; any other scale is a fault of the reading.
    within = math.log(1.0 + limits["scale_error"].value)
    mistaken = any(abs(math.log(gain.value / exchanged)) < within for exchanged in (0.5, 2.0))
    return messages("refusal.scale", gain=gain.value) if mistaken and not ends[0] <= 1.0 <= ends[1] else ""


# A question is answered where "no", or "yes", is this probable. "Yes" also requires that the measured figures, had they
# been bad, would have made it "no".
ANSWERED_AT = 0.8
ANSWERED_LOG_ODDS = math.log(ANSWERED_AT / (1.0 - ANSWERED_AT))
# A condition is named from this probability on; below, only if a question was answered with a fault.
NAMED_AT = 0.5
# "Healthy" needs "yes" to all of HEALTHY_NEEDS and to one of HEALTHY_NEEDS_ONE.
HEALTHY_NEEDS = ("moves", "follows")
HEALTHY_NEEDS_ONE = ("in_time", "smooth", "holds")
# A figure surely beyond a limit of the vehicle's service information is a fault by definition, of at least this
# probability.
SERVICE_AT = 0.8
# A figure that changes the log odds by less than this is not given as a reason.
WORTH_SAYING = 0.1
PLACES_SAID = 2  # sentences on how a cam stands among known-good ones
RATTLE = "rattle"  # the word in the text of a marker
# Shares of the needed running time. Below SHORTEST_SHARE there is no verdict at all. "Healthy" takes COLD_SHARE if the
# moves it needs were not all recorded with warm oil.
SHORTEST_SHARE, COLD_SHARE = 0.5, 2.5


@dataclass(frozen=True, slots=True)
class Answer:
    """The answer to one question: "yes", "no" or "cannot_tell", with the `probability` of the likelier of yes and no.
    `needs` are sentences that say what to drive if there is no answer."""

    answer: str
    probability: float
    needs: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        return {"answer": self.answer, "probability": round(self.probability, 3), "needs": list(self.needs)}


@dataclass(frozen=True)
class Verdict:
    """The verdict on one cam.

    `condition` is one of CONDITIONS or "insufficient_data"; `confidence` is its probability, 0 for insufficient data.
    `probabilities` of all CONDITIONS sum to 1. `reasons` are sentences, the most important first. `evidence` holds
    every weighed figure. `unlike` is a sentence if the cam is unlike all cars the table was fitted on. `places` are the
    figures' ranks among known-good cars of its kind, the worst first."""

    condition: str
    confidence: float
    reasons: tuple[str, ...]
    probabilities: Mapping[str, float]
    questions: Mapping[str, Answer] = field(default_factory=dict)
    evidence: tuple[Weighed, ...] = ()
    unlike: str = ""
    places: tuple[Place, ...] = ()

    def says(self, weighed: Weighed) -> float:
        """Log odds that one figure adds to `condition`: a fault against healthy, or healthy against all faults."""
        says = weighed.says
        return says.get(self.condition, 0.0) if self.condition in FAULTS else -sum(says.values())

    @property
    def likeliest(self) -> str:
        return max(FAULTS, key=lambda c: self.probabilities[c])


def judge_all(
    examined: Mapping[str, Examination],
    covered: Mapping[str, CamCoverage],
    limits: Mapping[str, Limit],
    *,
    codes: CodeEvidence | None = None,
    complaint: str = "",
    numbers: Table | None = None,
    known_good: KnownGood | None = None,
) -> dict[str, Verdict]:
    """The verdict on every cam of an engine. `covered` is the coverage of the drive, `codes` the evidence of the
    vehicle's own monitors, `complaint` the text of markers ("rattle heard"), `numbers` the evidence table (default: the
    fitted one), `known_good` the known-good cars of its kind, which add evidence."""
    numbers = numbers or table()
    verdicts = {}
    for c in examined:
        arguments = view(examined, c, codes), covered.get(c), limits, numbers
        verdicts[c] = alone = _judge(*arguments)
        if known_good is not None:
            evidence, places = known_good.joined(c, alone.evidence)
            joined = _within_bounds(alone, _judge(*arguments, evidence))
            # First the needs of the question that the condition answers.
            ranked = sorted(places, key=lambda p: joined.condition not in QUESTIONS[p.figure.question].faults[:1])
            worse = [place.sentence for place in ranked if place.worth_saying][:PLACES_SAID]
            verdicts[c] = replace(joined, places=places, reasons=(*joined.reasons[:1], *worse, *joined.reasons[1:]))
    rattling = any(v.questions["starts_quietly"].answer == "no" for v in verdicts.values())
    if RATTLE in complaint.lower() and not rattling:
        return {cam: _unheard(v) for cam, v in verdicts.items()}
    return verdicts


def _unheard(verdict: Verdict) -> Verdict:
    """A healthy verdict withheld: a rattle was reported, no cam rattles, and this cam's start was not recorded."""
    quiet = verdict.questions["starts_quietly"]
    if verdict.condition != "healthy" or quiet.answer != "cannot_tell":
        return verdict
    reasons = (messages("verdict.rattle_not_seen"), *quiet.needs)
    return replace(verdict, condition="insufficient_data", confidence=0.0, reasons=reasons)


def _within_bounds(alone: Verdict, joined: Verdict) -> Verdict:
    """`joined` within the bound set by `alone`, the verdict without known-good cars. They may not give a sure answer where the
    drive alone cannot tell."""
    if "insufficient_data" == alone.condition and joined.condition in FAULTS and joined.confidence > ANSWERED_AT:
        left = (1.0 - ANSWERED_AT) / (1.0 - joined.confidence)
        chances = {**{c: p * left for c, p in joined.probabilities.items()}, joined.condition: ANSWERED_AT}
        return replace(joined, probabilities=chances, confidence=ANSWERED_AT)
    return joined


def _judge(
    cam: View, covered: CamCoverage | None, limits: Mapping[str, Limit], numbers: Table,
    evidence: tuple[Weighed, ...] | None = None,
) -> Verdict:  # fmt: skip
    evidence = tuple(weigh(cam, limits, numbers)) if evidence is None else evidence
    problem = refusal(cam.x, limits)
    if problem:
        flat = probabilities((), numbers.prior, 1.0)
        unknown = {name: Answer("cannot_tell", 0.5, (problem,)) for name in QUESTIONS}
        return Verdict("insufficient_data", 0.0, (problem,), flat, unknown, evidence)
    family_distance, _ = distance(evidence, numbers.families)
    excess = max(family_distance - numbers.far_from, 0.0)
    heat = numbers.temperature * (1.0 + numbers.far_slope * excess)
    beyond = tuple(beyond_makers_limit(cam, limits, numbers))
    chances = _with_service(probabilities(evidence, numbers.prior, heat), beyond)
    answers = _answers(evidence, covered, numbers, heat, beyond)
    condition = _condition(chances, answers, covered)
    unlike = messages("verdict.unlike", apart=family_distance) if excess > 0.0 else ""
    verdict = Verdict(condition, chances.get(condition, 0.0), (), chances, answers, evidence, unlike)
    return replace(verdict, reasons=tuple(_reasons(verdict, covered, beyond)))


def _with_service(chances: Mapping[str, float], beyond: Sequence[Weighed]) -> dict[str, float]:
    """The probabilities with at least SERVICE_AT for the fault of the worst figure beyond the maker's limit."""
    if not beyond:
        return dict(chances)
    figure = max(beyond, key=lambda w: w.rank).figure
    fault = figure.speaks_for[0] if figure.speaks_for else QUESTIONS[figure.question].faults[0]
    share = max(chances[fault], SERVICE_AT)
    left = (1.0 - share) / max(1.0 - chances[fault], 1e-12)
    return {c: share if c == fault else p * left for c, p in chances.items()}


def _condition(chances: Mapping[str, float], answers: Mapping[str, Answer], covered: CamCoverage | None) -> str:
    best = max(CONDITIONS, key=lambda c: chances[c])
    needs = {n.name: n for n in covered.needs} if covered is not None else {}
    met = {name: n.met for name, n in needs.items()}
    running = needs.get("running")
    ran = math.inf if running is None or running.have is None else running.have / running.want
    if ran < SHORTEST_SHARE:
        named = False
    elif best != "healthy" and not met.get("sampling", True) and best != "sensor":
        # Sampled too slowly for the finer questions, so only a clear fault is named. Failing readings are a finding.
        named = chances[best] >= ANSWERED_AT
    elif best != "healthy":
        named = chances[best] >= NAMED_AT or any(a.answer == "no" for a in answers.values())
    else:
        # Long enough, and sampled often enough, to show a fault. If a question was answered with a fault, the cam is
        # not healthy, and there is too little evidence to name the fault.
        warm = all(met.get(n, True) for n in ("steps_advance", "steps_retard", "hold"))
        named = (
            chances[best] >= NAMED_AT
            and (covered is None or covered.judgeable)
            and met.get("sampling", True)
            and ran >= (1.0 if warm else COLD_SHARE)
            and all(answers[q].answer == "yes" for q in HEALTHY_NEEDS)
            and any(answers[q].answer == "yes" for q in HEALTHY_NEEDS_ONE)
            and answers["reading"].answer != "no"
        )
    return best if named else "insufficient_data"


def _answers(
    evidence: Sequence[Weighed], covered: CamCoverage | None, numbers: Table, heat: float,
    beyond: Sequence[Weighed],
) -> dict[str, Answer]:  # fmt: skip
    answers = {}
    for name, question in QUESTIONS.items():
        own = [w for w in evidence if w.figure.question == name]
        prior = numbers.no_prior[name]
        no = 1.0 / (1.0 + math.exp(-prior - sum(w.says_no for w in own) / heat))
        if any(w.figure.question == name for w in beyond):
            no = max(no, SERVICE_AT)
        at_worst = prior + sum(w.could_say_no for w in own) / heat
        if no >= ANSWERED_AT:
            answers[name] = Answer("no", no)
        elif 1.0 - no >= ANSWERED_AT and at_worst >= ANSWERED_LOG_ODDS:
            answers[name] = Answer("yes", 1.0 - no)
        else:
            answers[name] = Answer("cannot_tell", max(no, 1.0 - no), _needs(question.needs, covered))
    return answers


def _needs(names: Sequence[str], covered: CamCoverage | None) -> tuple[str, ...]:
    lacking = [n for n in covered.needs if not n.met and n.name in names] if covered is not None else []
    return tuple(dict.fromkeys(messages("verdict.need", lack=n.lack, remedy=n.remedy) for n in lacking))


def _reasons(verdict: Verdict, covered: CamCoverage | None, beyond: Sequence[Weighed]) -> Iterator[str]:
    """Figures beyond the maker's limit, then those with most weight; for insufficient data, what the drive lacks."""
    if verdict.condition == "insufficient_data":
        open_needs = [n for a in verdict.questions.values() if a.answer == "cannot_tell" for n in a.needs]
        missing = covered.missing if covered is not None else ()
        yield from dict.fromkeys((*open_needs, *missing)) or (messages("verdict.neither"),)
        return
    for w in beyond:
        yield messages("verdict.beyond_maker", figure=w.figure.sentence(w.measured), limit=w.limit)
    # The reasons for a fault are figures beyond their limit, those for "healthy" figures within it.
    good = verdict.condition == "healthy"
    candidates = [w for w in verdict.evidence if w.figure.says_good or not good]
    right_side = [w for w in candidates if (w.times_limit <= 1.0) == good]
    already = {w.figure.name for w in beyond}
    for w in sorted(right_side or verdict.evidence, key=lambda w: -verdict.says(w)):
        if verdict.says(w) >= WORTH_SAYING and w.figure.name not in already:
            sentence = w.figure.good_sentence(w.measured) if good else w.figure.sentence(w.measured)
            yield messages("verdict.reason", figure=sentence, limit=w.limit)
