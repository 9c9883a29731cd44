"""What people get: the customer's page and the workshop file, each one HTML text that prints."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from camlog import cautions
from camlog.analysis.causes.causes import BY_KEY
from camlog.job.record import SUFFIX, Job
from camlog.job.sheet import torque_words
from camlog.messages import Messages
from camlog.new_files import OTHER_FOLDER, refusals
from camlog.page import render_page, write_page

messages = Messages("camlog.job")


def write_pages(job: Job, steps: Mapping[str, Any], folder: Path, *, replace: bool = False) -> list[Path]:
    """Write `NAME.customer.html` and `NAME.workshop.html`. Raises InputError where one is there and `replace` is not set."""
    name = job.path.name.removesuffix(SUFFIX)
    paths = [folder / f"{name}.{kind}.html" for kind in ("customer", "workshop")]
    for path, text in zip(paths, (customer_page(job), workshop_page(job, steps)), strict=True):
        with refusals(path, OTHER_FOLDER):
            write_page(text, path, replace=replace)
    return paths


def customer_page(job: Job) -> str:
    """What was wrong, what was done, and the proof, in the customer's words."""
    vehicle, proof = job.get("vehicle"), job.get("verification")
    chosen = job.get("quote").get("repair")
    repair = next((c["repair"] for c in job.get("quote").get("choices", []) if c.get("key") == chosen), "")
    proven = proof.get("outcome", "")
    changes = [c.get("sentence", "") for c in proof.get("changes", []) if c.get("beyond_chance") and not c.get("small")]
    return render_page(
        "job_customer.html",
        do_not_run=[] if proven == "verified" else job.get("findings").get("do_not_run", []),
        headline=messages(f"headline.{proven}" if f"headline.{proven}" in messages else "headline.open"),
        complaint=job.get("complaint"),
        wrong=_wrong(job),
        done=job.get("done") or messages("nothing_done" if repair else "nothing_quoted", repair=repair),
        proof=proof.get("headline") or messages("no_proof"),
        changes=changes[:6],
        shop=job.get("people").get("shop", ""),
        vehicle=vehicle.get("name", ""),
        plate=vehicle.get("plate", ""),
        mileage=f"{vehicle['mileage_km']:,.0f} km" if isinstance(vehicle.get("mileage_km"), int | float) else "",
        advice=" ".join(cautions.sentences([cautions.ADVICE])),
    )


def _wrong(job: Job) -> str:
    """What the drive showed, and what is most likely behind it."""
    chances = {k: p for k, p in job.probabilities.items() if k in BY_KEY}
    likely = max(chances, key=chances.__getitem__, default=None)
    first = job.get("findings").get("for_owner") or messages("no_drive")
    return first if likely is None else f"{first} " + messages("likely", cause=BY_KEY[likely].name, chance=chances[likely])


def workshop_page(job: Job, steps: Mapping[str, Any]) -> str:
    """Everything of the job."""
    seen, sheet = job.get("findings"), job.get("sheet")
    facts = [("Complaint", job.get("complaint")), *((k.replace("_", " "), v) for k, v in job.get("vehicle").items()),
             *job.get("people").items(), *((f"Recording ({r.get('role', '')})", r.get("file", "")) for r in job.get("recordings")),
             ("Codes", ", ".join(seen.get("codes", []))),
             *((cam, f"{c.get('condition')} ({c.get('confidence', 0):.0%})") for cam, c in seen.get("cams", {}).items())]  # fmt: skip
    return render_page(
        "job_workshop.html",
        name=job.path.name.removesuffix(SUFFIX),
        do_not_run=seen.get("do_not_run", []),
        facts=[(k[:1].upper() + k[1:], v) for k, v in facts if v not in ("", None)],
        steps=steps,
        found=job.get("checks"),
        quote=job.get("quote") or None,
        sheet=sheet or None,
        boxes=[(_box(row), bool(row.get("done"))) for part in ("before", "measurements", "fasteners", "after", "afterwards")
               for row in sheet.get(part, [])],
        verification=job.get("verification") or None,
        log=job.get("log"),
        advice=" ".join(cautions.sentences([cautions.ADVICE])),
    )  # fmt: skip


def _box(row: Mapping[str, Any]) -> str:
    if "torque" in row:
        return f"{row.get('what')}: {torque_words(row)}"
    if "limit" in row:
        value = "          " if row.get("value") is None else row["value"]
        return messages("measurement", what=row.get("what"), unit=row.get("unit"), value=value, limit=row.get("limit") or "to be typed in")
    return row.get("text", "")
