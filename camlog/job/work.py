"""What one does with a job: begin it, note what was found, quote, make the work sheet, close it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from camlog.analysis.causes.causes import BY_KEY, CAUSES
from camlog.analysis.causes.checks import BY_KEY as CHECK
from camlog.analysis.causes.checks import IN_ORDER
from camlog.analysis.causes.troubleshoot import after, cost_of_opening_first, expected_cost, plan
from camlog.cams import bank_of, side_of
from camlog.errors import InputError
from camlog.job.found import Outcome
from camlog.job.quote import choices, parts_list, whole_set_from_km
from camlog.job.record import Job
from camlog.job.sheet import measured_outcomes, work_sheet
from camlog.job.shop import ShopFile
from camlog.messages import Messages
from camlog.profile.model import Layout

if TYPE_CHECKING:
    from camlog.analysis.findings import Findings
    from camlog.verify.verification import Verification


messages, report = Messages("camlog.job"), Messages("camlog.report")


def add_recording(job: Job, findings: Findings, role: str = "before") -> None:
    """Take a recording into the job; one from before the repair gives the job its findings and causes."""

    trace = findings.trace
    job.add("recordings", {"file": trace.name, "sha256": trace.sha256, "role": role}, f"recording {trace.name} ({role} the repair)")
    if role != "before":
        return
    seen = {
        "trace": trace.name,
        "cams": {cam: {"condition": f.verdict.condition, "confidence": round(f.verdict.confidence, 3),
                       "reasons": list(f.verdict.reasons[:3])} for cam, f in findings.cams.items()},
        "codes": [c.code for c in findings.codes.codes],
        "for_owner": _for_owner(findings),
        "probabilities": {key: round(p, 4) for key, p in findings.diagnosis.probabilities.items()},
        "do_not_run": list(findings.do_not_run),
    }  # fmt: skip
    job.put("findings", seen, f"findings of {trace.name}")


def _for_owner(findings: Findings) -> str:
    """What the cams do that they should not, in the words for a car's owner; empty where none does."""
    faults = [cam for cam, f in findings.cams.items() if f.verdict.condition not in ("healthy", "insufficient_data")]
    does = [
        f"{report('cam.for_owner', side=side_of(cam), bank=bank_of(cam))} "
        f"{report(f'condition_for_owner.{findings.cams[cam].verdict.condition}')}"
        for cam in faults
    ]
    return messages("for_owner", cams="; ".join(does)) if does else ""


def add_found(job: Job, outcome: Outcome, note: str, who: str = "") -> None:
    """Note the outcome of a check; the probabilities of the causes move at once. Of a check made again the last counts."""
    outcomes = {**_outcomes(job), outcome.check.key: outcome.outcome}
    probabilities = _probabilities(job.get("findings").get("probabilities", {}))
    for key, shown in outcomes.items():
        probabilities = after(probabilities, CHECK[key], shown)
    job.add(
        "checks",
        {"key": outcome.check.key, "check": outcome.check.text, "outcome": outcome.outcome, "note": note, "who": who,
         "probabilities": {key: round(p, 4) for key, p in probabilities.items()}},
        f"found: {note or outcome.outcome}",
    )  # fmt: skip


def _outcomes(job: Job) -> dict[str, str]:
    """The last outcome of each check that was made, by its key."""
    return {c["key"]: c["outcome"] for c in job.get("checks") if c.get("key") in CHECK and c.get("outcome") in CHECK[c["key"]].outcomes}


def _probabilities(chances: Mapping[str, float]) -> dict[str, float]:
    """`chances` of all causes, summing to 1; the priors where there are none, so that a job without a recording can begin."""
    known = {k: v for k, v in chances.items() if k in BY_KEY}
    weights = {c.key: known.get(c.key, 0.0) for c in CAUSES} if known else {c.key: c.prior for c in CAUSES}
    total = sum(weights.values()) or 1.0
    return {key: w / total for key, w in weights.items()}


def standing(job: Job) -> bool:
    """True where the engine of this job must not be run or driven."""
    return bool(job.get("findings").get("do_not_run")) or oil_is_low(job)


def oil_is_low(job: Job) -> bool:
    """True where the oil was found low, old or of another grade, and not in order since: the engine must not run on it."""
    return _outcomes(job).get("oil_level", IN_ORDER) != IN_ORDER


def next_steps(job: Job, shop: ShopFile, layout: Layout) -> dict[str, Any]:
    """The causes as they stand, the checks to do next in order with what they cost, and the expected cost of both ways."""
    probabilities, rates = _probabilities(job.probabilities), shop.rates(layout)
    ranked = sorted(probabilities.items(), key=lambda p: -p[1])
    stand = standing(job)
    return {
        "causes": [{"key": k, "cause": BY_KEY[k].name, "group": BY_KEY[k].group, "probability": p} for k, p in ranked],
        "checks": [
            {"key": s.check.key, "check": s.check.text, "cost": s.cost, "minutes": s.check.minutes, "opens": s.check.opens,
             "outcomes": list(s.check.outcomes), "cautions": list(s.check.sentence.cautions)}
            for s in plan(probabilities, rates, job.done, standing=stand)
        ],
        "expected_cost": expected_cost(probabilities, rates, tuple(job.done), standing=stand),
        "opening_first": cost_of_opening_first(probabilities, rates),
        "first": messages("oil_first") if oil_is_low(job) else "",
        "currency": shop.shop.currency,
        "labour_per_hour": rates.labour_per_hour,
    }  # fmt: skip


def make_quote(job: Job, shop: ShopFile, layout: Layout, repair: str | None = None) -> dict[str, Any]:
    """Quote: every choice, the one taken (the least expected cost, or `repair`), why, and the parts to order."""
    probabilities = _probabilities(job.probabilities)
    mileage = _number(job.get("vehicle").get("mileage_km"))
    found = choices(probabilities, shop, layout, mileage, _elongation(job))
    keys = [c.repair.key for c in found]
    if repair is not None and repair not in keys:
        raise InputError(f"there is no repair {repair[:40]!r}", remedy="One of: " + ", ".join(sorted(keys)) + ".")
    taken = found[0] if repair is None else next(c for c in found if c.repair.key == repair)
    quote = {
        "repair": taken.repair.key,
        "choices": [c.to_dict() for c in found],
        "whole_set_from_km": whole_set_from_km(probabilities, shop, layout, _elongation(job)),
        "mileage_km": mileage,
        "currency": shop.shop.currency,
        "probabilities": {key: round(p, 4) for key, p in probabilities.items()},
        "parts": parts_list(taken, shop),
    }
    job.put("quote", quote, f"quoted: {taken.repair.name}")
    return quote


def make_sheet(job: Job, layout: Layout) -> dict[str, Any]:
    """The work sheet of what was quoted. Raises InputError where nothing was; a sheet that is there is kept."""
    quote = job.get("quote")
    if not quote.get("repair"):
        raise InputError("nothing was quoted yet", file=job.path, remedy="Run `camlog job quote` first.")
    if job.get("sheet").get("repair") != quote["repair"]:
        job.put("sheet", work_sheet(quote["repair"], layout), f"work sheet for {quote['repair']}")
    return job.get("sheet")


def use_measurements(job: Job) -> list[str]:
    """Take the measurements of the sheet that have a value and a limit as outcomes of checks; a line for each."""
    lines = []
    for key, outcome in measured_outcomes(job.get("sheet")):
        if not any(c.get("key") == key and c.get("outcome") == outcome for c in job.get("checks")):
            add_found(job, Outcome(CHECK[key], outcome), f"measured: {outcome}")
            lines.append(f"{key}: {outcome}")
    return lines


def close(job: Job, verification: Verification | None, done: str = "") -> None:
    """Close the job: what was `done`, in words, and the proof where there is one."""
    if done:
        job.content["done"] = done
        job.note(f"done: {done}")
    if verification is not None:
        job.put("verification", verification.to_dict(), f"verification: {verification.outcome}")
    job.note("closed")


def set_fields(job: Job, part: str, values: Mapping[str, object], known: Iterable[str]) -> None:
    """Set what was said of the vehicle or the people; None leaves a key as it is."""
    new = {k: v for k, v in values.items() if v not in (None, "") and k in known}
    if new:
        job.put(part, {**job.get(part), **new}, f"{part}: " + ", ".join(sorted(new)))


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def _elongation(job: Job) -> float | None:
    rows = job.get("sheet").get("measurements", [])
    return next((_number(r.get("value")) for r in rows if r.get("what") == "chain elongation"), None)


def job_path(name: str | Path) -> Path:
    """Where a job of that name lies: `NAME.job.json`."""
    path = Path(name)
    return path if path.name.endswith(".job.json") else path.with_name(path.name + ".job.json")
