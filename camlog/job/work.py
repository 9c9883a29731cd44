"""The steps of a job: begin it, add a recording, note outcomes of checks, quote, fill the work sheet, close it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from camlog.analysis.causes.causes import BY_KEY, CAUSES
from camlog.analysis.causes.checks import BY_KEY as CHECK
from camlog.analysis.causes.checks import IN_ORDER, NOT
from camlog.analysis.causes.rank import telling
from camlog.analysis.causes.troubleshoot import after, cost_of_opening_first, expected_cost, plan
from camlog.job.found import Outcome
from camlog.job.picture import picture
from camlog.job.quote import choices, parts_list, whole_set_from_km
from camlog.job.record import SUFFIX, Job
from camlog.job.sheet import measured_outcomes, messages, row_words, work_sheet
from camlog.job.shop import ShopFile
from camlog.numbers import number
from camlog.profile.model import Layout
from camlog.report.words import condition_word, does_for_owner, state_of
from camlog.stream import now

if TYPE_CHECKING:
    from camlog.analysis.findings import CamFindings, Findings
    from camlog.profile import VehicleProfile
    from camlog.verify.verification import Verification

SURE_CHECKS = 3
WORTH_SHOWING = 0.01  # least chance to cure of a choice that is shown
# Uncertainty of a measured chain elongation, and of a cam's rest position on a new engine. Common practice, no source.
MEASURED_TO_PERCENT, REST_KNOWN_TO_DEG = 0.1, 2.0


def job_path(name: str | Path) -> Path:
    """The path of a job: `NAME.job.json`. Raises InputError if the name is no file name."""
    path = Path(name)
    if path.name in ("", ".."):
        raise messages.error("no_name", str(name) or "''")
    return path if path.name.endswith(SUFFIX) else path.with_name(path.name + SUFFIX)


def set_fields(job: Job, part: str, values: Mapping[str, object]) -> None:
    """Set keys of the vehicle or the people; None or an empty text keeps the old value."""
    new = {k: v for k, v in values.items() if v not in (None, "")}
    if new:
        names = sorted(k.removesuffix("_km").replace("_", " ") for k in new)
        job.put(part, {**job.get(part), **new}, f"{part}: " + ", ".join(names))


def begin(
    job: Job,
    complaint: str,
    vehicle: Mapping[str, object],
    people: Mapping[str, object],
    profile: VehicleProfile | None,
) -> None:
    """Begin a job with what is known of it; everything can be added later."""
    job.note("begun")
    if complaint:
        job.put("complaint", complaint, "complaint")
    set_fields(job, "vehicle", {**vehicle, **profile_fields(profile)})
    set_fields(job, "people", people)


def profile_fields(profile: VehicleProfile | None) -> dict[str, str]:
    """The fields of a job's vehicle that come from its profile, and the profile's path."""
    if profile is None:
        return {}
    return {"name": profile.name, "oil_grade": profile.oil_grade or "", "profile": str(profile.file or "")}


def add_recording(job: Job, findings: Findings, role: str = "before") -> None:
    """Add a recording to the job; one from before the repair also sets the job's findings and causes."""
    trace = findings.trace
    entry = {"file": trace.name, "sha256": trace.sha256, "role": role}
    job.add("recordings", entry, f"recording {trace.name} ({role} the repair)")
    then = job.get("findings").get("picture") if role != "before" else None
    seen = {
        "trace": trace.name,
        "cams": {cam: _cam(f) for cam, f in findings.cams.items()},
        "codes": [c.code for c in findings.codes.codes],
        "for_owner": _for_owner(findings),
        "picture": picture(findings, then),
        "probabilities": {key: round(p, 4) for key, p in findings.diagnosis.probabilities.items()},
        "do_not_run": list(findings.do_not_run),
    }
    job.put("findings" if role == "before" else "findings_after", seen, f"findings of {trace.name}")
    if role == "before" and job.get("checks"):
        job.content["checks"][-1]["probabilities"] = _with_checks(job, _outcomes(job))


def _cam(found: CamFindings) -> dict[str, Any]:
    """One cam as the JSON object of the job. `chain` is the elongation that would explain its offset at rest (percent:
    low, value, high), below 0 if the offset is towards advance, which no worn chain causes."""
    chain, offset = found.examination.rest.chain_elongation_percent, found.examination.rest.offset_deg.value
    chain_percent: list[float] | None = None
    if chain.value is not None and chain.interval and offset:
        sign, doubt = -math.copysign(1.0, offset), REST_KNOWN_TO_DEG * abs(chain.value / offset)
        low, high = sorted(sign * end for end in chain.interval)
        chain_percent = [low - doubt, sign * chain.value, high + doubt]
    return {
        "condition": found.verdict.condition, "word": condition_word(found.verdict), "confidence": round(found.verdict.confidence, 3),
        "reasons": list(found.verdict.reasons[:3]), "chain": chain_percent,
    }  # fmt: skip


def _for_owner(findings: Findings) -> str:
    """What is wrong with the cams, in words for the car's owner; empty if none was judged."""
    does = [does_for_owner(f) for f in findings.cams.values() if state_of(f.verdict.condition) == "bad"]
    judged = any(state_of(f.verdict.condition) == "good" for f in findings.cams.values())
    return messages("for_owner", cams="; ".join(does)) if does else messages("sound") if judged else ""


def drive_before(job: Job) -> Path | None:
    """The recording from before the repair whose findings are in the job, if it is beside the job file; else
    another."""
    before = [r.get("file") for r in job.get("recordings") if r.get("role") == "before"]
    names = [job.get("findings").get("trace"), *before]
    paths = [job.path.parent / Path(name).name for name in names if isinstance(name, str)]
    return next((path for path in paths if path.is_file()), None)


def add_found(job: Job, outcome: Outcome, note: str, who: str = "") -> None:
    """Note the outcome of a check and update the probabilities of the causes. If a check was repeated, its last outcome
    counts."""
    key, result = outcome.check.key, outcome.outcome
    entry: dict[str, Any] = {"key": key, "check": outcome.check.text, "outcome": result, "note": note, "who": who}
    entry["probabilities"] = _with_checks(job, {**_outcomes(job), key: result})
    job.add("checks", entry, f"found: {note or result}")


def _with_checks(job: Job, outcomes: Mapping[str, str]) -> dict[str, float]:
    """The probabilities of the causes from the findings and the outcomes of checks."""
    probabilities = _all_causes(job.get("findings").get("probabilities") or {})
    for key, shown in outcomes.items():
        probabilities = after(probabilities, CHECK[key], shown)
    return {key: round(p, 4) for key, p in probabilities.items()}


def _outcomes(job: Job) -> dict[str, str]:
    """The last outcome of each check, by its key."""
    known = (c for c in job.get("checks") if c.get("key") in CHECK)
    return {c["key"]: c["outcome"] for c in known if CHECK[c["key"]].can_show(c.get("outcome"))}


def _done(job: Job) -> list[str]:
    """The keys of the checks that are complete."""
    return [k for k, shown in _outcomes(job).items() if not shown.startswith(NOT) or len(CHECK[k].shows) == 1]


def probabilities_of(job: Job, shop: ShopFile) -> dict[str, float]:
    """The current probabilities of all causes by key, summing to 1; the shop's priors replace those of the table.

    The job file has them with the table's priors, so that a change of the shop's priors changes every job.
    """
    return _all_causes(job.probabilities, {key: own / BY_KEY[key].prior for key, own in shop.priors.items()})


def _all_causes(chances: Mapping[str, float], weighted: Mapping[str, float] | None = None) -> dict[str, float]:
    """`chances` for all causes, summing to 1; the priors if it is empty, as in a job without a recording."""
    known = {k: v for k, v in chances.items() if k in BY_KEY} or {c.key: c.prior for c in CAUSES}
    weights = {c.key: known.get(c.key, 0.0) * (weighted or {}).get(c.key, 1.0) for c in CAUSES}
    total = sum(weights.values()) or 1.0
    return {key: w / total for key, w in weights.items()}


def oil_is_low(job: Job) -> bool:
    """True if the oil was found low, old or of another grade, and not in order since: the engine must not run on it."""
    return _outcomes(job).get("oil_level", IN_ORDER) != IN_ORDER


def next_steps(job: Job, shop: ShopFile, layout: Layout) -> dict[str, Any]:
    """The current causes, the next checks in order with their costs, and the expected cost of both ways.

    `first` comes before all checks, `note` is a remark on the checks.
    """
    probabilities, rates = probabilities_of(job, shop), shop.rates(layout)
    ranked = sorted(probabilities.items(), key=lambda p: -p[1])
    done, stand = _done(job), bool(job.get("findings").get("do_not_run")) or oil_is_low(job)
    checks, note = [s.check for s in plan(probabilities, rates, done, standing=stand)], ""
    if not checks:
        likely = {k: p for k, p in ranked if BY_KEY[k].group == BY_KEY[ranked[0][0]].group}
        checks = [c for c in telling(likely) if c.key not in done and not (stand and c.runs)][:SURE_CHECKS]
        note = messages("to_be_sure") if checks else ""
    return {
        "causes": [{"key": k, "cause": BY_KEY[k].name, "group": BY_KEY[k].group, "probability": p} for k, p in ranked],
        "checks": [
            {"key": c.key, "check": c.text, "cost": rates.cost(c), "minutes": rates.minutes(c), "opens": c.opens,
             "outcomes": list(c.outcomes), "cautions": list(c.sentence.cautions)}
            for c in checks
        ],
        "expected_cost": expected_cost(probabilities, rates, done, standing=stand),
        "opening_first": cost_of_opening_first(probabilities, rates),
        "first": messages("oil_first") if oil_is_low(job) else "",
        "note": note,
        "currency": shop.shop.currency,
        "labour_per_hour": rates.labour_per_hour,
    }  # fmt: skip


def make_quote(job: Job, shop: ShopFile, layout: Layout, repair: str | None = None) -> dict[str, Any]:
    """Quote: every choice, the chosen one (the least expected cost, or `repair`), why, and the parts to order."""
    probabilities = probabilities_of(job, shop)
    mileage, elongation = job.get("vehicle").get("mileage_km"), _measured_chain(job)
    mileage = float(mileage) if isinstance(mileage, int | float) else None
    offers = choices(probabilities, shop, layout, mileage, elongation)
    choice = next((c for c in offers if repair in (None, c.repair.key)), None)
    if choice is None:
        raise messages.error("no_repair", key=str(repair)[:40], keys=", ".join(sorted(c.repair.key for c in offers)))
    quote = {
        "repair": choice.repair.key,
        "choices": [c.to_dict() for c in offers],
        "whole_set_from_km": whole_set_from_km(probabilities, shop, layout, elongation),
        "mileage_km": mileage,
        "currency": shop.shop.currency,
        "probabilities": {key: round(p, 4) for key, p in probabilities.items()},
        "parts": parts_list(choice, shop),
    }
    job.put("quote", quote, f"quoted: {choice.repair.name}")
    return quote


def make_sheet(job: Job, layout: Layout) -> dict[str, Any]:
    """The work sheet for the quoted repair; an existing sheet is kept. Raises InputError without a quote."""
    repair = job.get("quote").get("repair")
    if not repair:
        raise messages.error("no_quote", job.path)
    if job.get("sheet").get("repair") != repair:
        job.put("sheet", work_sheet(repair, layout), f"work sheet for {repair}")
    return job.get("sheet")


def tick_row(job: Job, row: dict[str, Any], who: str) -> None:
    """Tick a row of the sheet as done, with who and when."""
    row.update(done=now(), who=who)
    job.note(f"ticked: {row_words(row)}", who=who)


def use_measurements(job: Job) -> list[str]:
    """Note the measurements of the sheet that have a value and a limit as outcomes of checks. Returns a line for each
    new one, and one on the chain if the recording says something about it too."""
    lines, outcomes = [], _outcomes(job)
    for key, outcome, words in measured_outcomes(job.get("sheet")):
        beyond = outcome.removeprefix(NOT)
        # A clear screen says nothing new about a valve that was found in order, or found to stick.
        if outcomes.get(key) != outcome and (beyond == outcome or outcomes.get(key, beyond) == beyond):
            add_found(job, Outcome(CHECK[key], outcome), words)
            lines.append(words)
    return [*lines, *_chain_against_recording(job)]


def _chain_against_recording(job: Job) -> list[str]:
    measured = _measured_chain(job)
    chains = [c["chain"] for c in job.get("findings").get("cams", {}).values() if c.get("chain")]
    if measured is None or not chains:
        return []
    low, value, high = max(chains, key=lambda s: abs(s[1]))
    agrees = low - MEASURED_TO_PERCENT <= measured <= high + MEASURED_TO_PERCENT
    words = messages("about", value=number(value), low=number(low), high=number(high))
    return [messages("chain_agrees" if agrees else "chain_differs", measured=measured, said=words)]


def _measured_chain(job: Job) -> float | None:
    measured = {r.get("what"): r.get("value") for r in reversed(job.get("sheet").get("measurements", []))}
    return measured.get("chain elongation")


def close(
    job: Job, done: str = "", second: Findings | None = None, first: Findings | None = None
) -> Verification | None:
    """Close the job with what was `done`, in words. With the `second` drive, after the repair, returns the proof.

    The findings of the `first` drive, before the repair, become those of the job.
    """
    from camlog.job.pages import order_words
    from camlog.verify import verify

    proof = None
    if second is not None:
        if first is not None and first.trace.name != job.get("findings").get("trace"):
            add_recording(job, first)
        proof = verify(second, first, job=order_words(job))
        add_recording(job, second, "after")
    if done:
        job.content["done"] = done
        job.note(f"done: {done}")
    if proof is not None:
        job.put("verification", proof.to_dict(), f"verification: {proof.outcome_words.lower()}")
    job.note("closed")
    return proof
