"""What one does with a job: begin it, take in a recording, note what was found, quote, fill the work sheet, close it."""

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
WORTH_SHOWING = 0.01  # chance to cure from which a choice is worth a line
# A chain is measured to about this, and the rest position of a cam of a new engine known to about that. Common practice, no source.
MEASURED_TO_PERCENT, REST_KNOWN_TO_DEG = 0.1, 2.0


def job_path(name: str | Path) -> Path:
    """Where a job of that name lies: `NAME.job.json`. Raises InputError where it is no name of a file."""
    path = Path(name)
    if path.name in ("", ".."):
        raise messages.error("no_name", str(name) or "''")
    return path if path.name.endswith(SUFFIX) else path.with_name(path.name + SUFFIX)


def set_fields(job: Job, part: str, values: Mapping[str, object]) -> None:
    """Set what was said of the vehicle or the people; None or an empty text leaves a key as it is."""
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
    """Begin a job with what is known of it; all of it may come later."""
    job.note("begun")
    if complaint:
        job.put("complaint", complaint, "complaint")
    set_fields(job, "vehicle", {**vehicle, **profile_fields(profile)})
    set_fields(job, "people", people)


def profile_fields(profile: VehicleProfile | None) -> dict[str, str]:
    """What a vehicle profile says of a job's vehicle, and where it lies."""
    if profile is None:
        return {}
    return {"name": profile.name, "oil_grade": profile.oil_grade or "", "profile": str(profile.file or "")}


def add_recording(job: Job, findings: Findings, role: str = "before") -> None:
    """Take a recording into the job; one from before the repair gives the job its findings and causes."""
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
    """One cam as the job keeps it; `chain` is the elongation that its offset at rest would mean (percent: low, value, high),
    below 0 where it stands off advanced, as no worn chain makes it."""
    chain, offset = found.examination.rest.chain_elongation_percent, found.examination.rest.offset_deg.value
    said: list[float] | None = None
    if chain.value is not None and chain.interval and offset:
        way, doubt = -math.copysign(1.0, offset), REST_KNOWN_TO_DEG * abs(chain.value / offset)
        low, high = sorted(way * end for end in chain.interval)
        said = [low - doubt, way * chain.value, high + doubt]
    return {
        "condition": found.verdict.condition, "word": condition_word(found.verdict), "confidence": round(found.verdict.confidence, 3),
        "reasons": list(found.verdict.reasons[:3]), "chain": said,
    }  # fmt: skip


def _for_owner(findings: Findings) -> str:
    """What the cams do that they should not, in the words for a car's owner; empty where none was judged."""
    does = [does_for_owner(f) for f in findings.cams.values() if state_of(f.verdict.condition) == "bad"]
    judged = any(state_of(f.verdict.condition) == "good" for f in findings.cams.values())
    return messages("for_owner", cams="; ".join(does)) if does else messages("sound") if judged else ""


def drive_before(job: Job) -> Path | None:
    """The recording of before the repair whose findings the job holds, where it lies beside the job file; else another."""
    before = [r.get("file") for r in job.get("recordings") if r.get("role") == "before"]
    names = [job.get("findings").get("trace"), *before]
    found = [job.path.parent / Path(name).name for name in names if isinstance(name, str)]
    return next((path for path in found if path.is_file()), None)


def add_found(job: Job, outcome: Outcome, note: str, who: str = "") -> None:
    """Note the outcome of a check; the probabilities of the causes move at once. Of a check made again the last counts."""
    key, shown = outcome.check.key, outcome.outcome
    entry: dict[str, Any] = {"key": key, "check": outcome.check.text, "outcome": shown, "note": note, "who": who}
    entry["probabilities"] = _with_checks(job, {**_outcomes(job), key: shown})
    job.add("checks", entry, f"found: {note or shown}")


def _with_checks(job: Job, outcomes: Mapping[str, str]) -> dict[str, float]:
    """The probabilities of the causes by the findings and the outcomes of checks."""
    probabilities = _all_causes(job.get("findings").get("probabilities") or {})
    for key, shown in outcomes.items():
        probabilities = after(probabilities, CHECK[key], shown)
    return {key: round(p, 4) for key, p in probabilities.items()}


def _outcomes(job: Job) -> dict[str, str]:
    """The last outcome of each check that was made, by its key."""
    known = (c for c in job.get("checks") if c.get("key") in CHECK)
    return {c["key"]: c["outcome"] for c in known if CHECK[c["key"]].can_show(c.get("outcome"))}


def _done(job: Job) -> list[str]:
    """The keys of the checks that were made, whole."""
    return [k for k, shown in _outcomes(job).items() if not shown.startswith(NOT) or len(CHECK[k].shows) == 1]


def probabilities_of(job: Job, shop: ShopFile) -> dict[str, float]:
    """The probabilities of all causes as they stand, by key, summing to 1; the shop's own priors stand for the table's.

    The job file keeps them by the table's priors, so that a shop that changes its own changes every job.
    """
    return _all_causes(job.probabilities, {key: own / BY_KEY[key].prior for key, own in shop.priors.items()})


def _all_causes(chances: Mapping[str, float], weighted: Mapping[str, float] | None = None) -> dict[str, float]:
    """`chances` of all causes, summing to 1; the priors where there are none, so that a job without a recording can begin."""
    known = {k: v for k, v in chances.items() if k in BY_KEY} or {c.key: c.prior for c in CAUSES}
    weights = {c.key: known.get(c.key, 0.0) * (weighted or {}).get(c.key, 1.0) for c in CAUSES}
    total = sum(weights.values()) or 1.0
    return {key: w / total for key, w in weights.items()}


def oil_is_low(job: Job) -> bool:
    """True where the oil was found low, old or of another grade, and not in order since: the engine must not run on it."""
    return _outcomes(job).get("oil_level", IN_ORDER) != IN_ORDER


def next_steps(job: Job, shop: ShopFile, layout: Layout) -> dict[str, Any]:
    """The causes as they stand, the checks to do next in order with what they cost, and the expected cost of both ways.

    `first` is what comes before them all, `note` what is said of the checks.
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
    """Quote: every choice, the one taken (the least expected cost, or `repair`), why, and the parts to order."""
    probabilities = probabilities_of(job, shop)
    mileage, elongation = job.get("vehicle").get("mileage_km"), _measured_chain(job)
    mileage = float(mileage) if isinstance(mileage, int | float) else None
    found = choices(probabilities, shop, layout, mileage, elongation)
    taken = next((c for c in found if repair in (None, c.repair.key)), None)
    if taken is None:
        raise messages.error("no_repair", key=str(repair)[:40], keys=", ".join(sorted(c.repair.key for c in found)))
    quote = {
        "repair": taken.repair.key,
        "choices": [c.to_dict() for c in found],
        "whole_set_from_km": whole_set_from_km(probabilities, shop, layout, elongation),
        "mileage_km": mileage,
        "currency": shop.shop.currency,
        "probabilities": {key: round(p, 4) for key, p in probabilities.items()},
        "parts": parts_list(taken, shop),
    }
    job.put("quote", quote, f"quoted: {taken.repair.name}")
    return quote


def make_sheet(job: Job, layout: Layout) -> dict[str, Any]:
    """The work sheet of what was quoted. Raises InputError where nothing was; a sheet that is there is kept."""
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
    """Take the measurements of the sheet that have a value and a limit as outcomes of checks; a line for each that is
    new, and one on the chain where the recording says something of it too."""
    lines, known = [], _outcomes(job)
    for key, outcome, words in measured_outcomes(job.get("sheet")):
        beyond = outcome.removeprefix(NOT)
        # That a screen is clear says nothing new of a valve found in order, or found to stick.
        if known.get(key) != outcome and (beyond == outcome or known.get(key, beyond) == beyond):
            add_found(job, Outcome(CHECK[key], outcome), words)
            lines.append(words)
    return [*lines, *_chain_against_recording(job)]


def _chain_against_recording(job: Job) -> list[str]:
    measured = _measured_chain(job)
    said = [c["chain"] for c in job.get("findings").get("cams", {}).values() if c.get("chain")]
    if measured is None or not said:
        return []
    low, value, high = max(said, key=lambda s: abs(s[1]))
    agrees = low - MEASURED_TO_PERCENT <= measured <= high + MEASURED_TO_PERCENT
    words = messages("about", value=number(value), low=number(low), high=number(high))
    return [messages("chain_agrees" if agrees else "chain_differs", measured=measured, said=words)]


def _measured_chain(job: Job) -> float | None:
    measured = {r.get("what"): r.get("value") for r in reversed(job.get("sheet").get("measurements", []))}
    return measured.get("chain elongation")


def close(
    job: Job, done: str = "", second: Findings | None = None, first: Findings | None = None
) -> Verification | None:
    """Close the job: what was `done`, in words, and with the `second` drive, of after the repair, the proof, which it gives.

    The `first`, of before it, becomes the one whose findings the job holds.
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
