"""The customer's page and the workshop file of a job, each one HTML text that prints on two sides."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from camlog import cautions
from camlog.cams import title as cam_title
from camlog.job.picture import HEIGHT, WIDTH, drawn
from camlog.job.record import SUFFIX, Job
from camlog.job.sheet import messages, row_words, rows
from camlog.new_files import OTHER_FOLDER, refusals
from camlog.numbers import in_whole, percent, unit_words, with_unit
from camlog.page import render_page, write_page

MOST_CHANGES = 3
# Keys of a job's vehicle that a page does not show.
HIDDEN = ("profile",)


def write_pages(job: Job, steps: Mapping[str, Any], folder: Path, *, replace: bool = False) -> list[Path]:
    """Write `NAME.customer.html` and `NAME.workshop.html`. Raises InputError if one exists and `replace` is not set."""
    name = job.path.name.removesuffix(SUFFIX)
    paths = [folder / f"{name}.{kind}.html" for kind in ("customer", "workshop")]
    for path, text in zip(paths, (customer_page(job, steps), workshop_page(job, steps)), strict=True):
        with refusals(path, OTHER_FOLDER):
            write_page(text, path, replace=replace)
    return paths


def customer_page(job: Job, steps: Mapping[str, Any]) -> str:
    """The HTML of the customer's page: the fault in two sentences and a picture, the work done, and the proof. `steps`
    comes from `next_steps`."""
    proof, quote = job.get("verification"), job.get("quote")
    repair = next((c["repair"] for c in quote.get("choices", []) if c.get("key") == quote.get("repair")), "")
    outcome = proof.get("outcome", "")
    return render_page(
        "job_customer.html",
        do_not_run=[] if outcome == "verified" else job.get("findings").get("do_not_run", []),
        headline=messages(f"headline.{outcome}" if f"headline.{outcome}" in messages else "headline.open"),
        complaint=job.get("complaint"),
        wrong=_wrong(job, steps),
        codes=job.get("findings").get("codes", []),
        done=job.get("done") or messages("nothing_done" if repair else "nothing_quoted", repair=repair),
        proof=proof.get("headline") or messages("no_proof"),
        changes=_changes(proof),
        letterhead=[job.get("people").get("shop"), *vehicle_words(job)],
        advice=" ".join(cautions.sentences([cautions.ADVICE])),
        **_pictures(job),
    )


def _pictures(job: Job) -> dict[str, Any]:
    parts = {"before": "findings", "after": "findings_after"}
    kept = {messages(f"picture.{when}"): job.get(key).get("picture") for when, key in parts.items()}
    return {"pictures": drawn(kept), "size": (WIDTH, HEIGHT), "lines": messages.table("moment")}


def vehicle_words(job: Job) -> list[str]:
    """Vehicle, plate and mileage in words; unknown ones are left out."""
    vehicle = job.get("vehicle")
    return [words for key in ("name", "plate", "mileage_km") if (words := _said(key, vehicle.get(key)))]


def order_words(job: Job) -> str:
    """The job in the words of the proof: its name, shop, vehicle and complaint."""
    name, shop = job.path.name.removesuffix(SUFFIX), job.get("people").get("shop")
    return "; ".join(filter(None, (name, shop, *vehicle_words(job), job.get("complaint"))))[:300]


def _said(key: str, value: object) -> str:
    """A value of the job in words."""
    if key.endswith("_km") and isinstance(value, int | float):
        return in_whole(value, "km")
    return "" if value is None else str(value)


def _wrong(job: Job, steps: Mapping[str, Any]) -> str:
    """What the drive showed, and its most likely cause."""
    first = job.get("findings").get("for_owner") or messages("no_drive")
    if not job.probabilities:
        return first
    likely = steps["causes"][0]
    return f"{first} " + messages("likely", cause=likely["cause"], chance=likely["probability"])


def _changes(proof: Mapping[str, Any]) -> list[dict[str, str]]:
    """The surest improvements, each with its figure before and after, both rounded to enough digits to differ."""
    better = [c for c in proof.get("changes", []) if c.get("better") and c.get("beyond_chance") and not c.get("small")]
    shown: dict[str, dict[str, str]] = {}
    for c in sorted(better, key=lambda c: c.get("p_value") or 0.0):
        values = [v for when in ("before", "after") if isinstance(v := (c.get(when) or {}).get("value"), int | float)]
        if len(values) == 2:
            before, after = (_rounded(v, values, c["unit"]) for v in values)
            shown.setdefault(c["title"], {"title": c["title"], "before": before, "after": after})
    return list(shown.values())[:MOST_CHANGES]


def _rounded(value: float, both: list[float], unit: str) -> str:
    """A figure to two digits of the larger of the two: beside 0.38 s, 0.0059 s is 0.01 s."""
    if unit == "share":
        return with_unit(round(value, 2), unit)
    size = max(map(abs, both)) or 1.0
    decimals = max(1 - math.floor(math.log10(size)), 0)
    return f"{value:,.{decimals}f} {unit_words(unit)}".strip()


def workshop_page(job: Job, steps: Mapping[str, Any]) -> str:
    """The HTML of the workshop file: everything in the job."""
    findings = job.get("findings")
    facts = [("complaint", job.get("complaint")), ("done", job.get("done")),
             *(({"name": "vehicle"}.get(k, k.removesuffix("_km").replace("_", " ")), _said(k, v)) for part in ("vehicle", "people")
               for k, v in job.get(part).items() if k not in HIDDEN),
             *((f"recording {r.get('role', '')}", r.get("file", "")) for r in job.get("recordings")),
             ("codes", ", ".join(findings.get("codes", []))),
             *((cam_title(cam), f"{c.get('word') or c.get('condition')}, {percent(c.get('confidence', 0))} sure")
               for cam, c in findings.get("cams", {}).items())]  # fmt: skip
    return render_page(
        "job_workshop.html",
        name=job.path.name.removesuffix(SUFFIX),
        do_not_run=findings.get("do_not_run", []),
        facts=[(k[:1].upper() + k[1:], v) for k, v in facts if v],
        steps=steps,
        found=job.get("checks"),
        quote=job.get("quote"),
        sheet=job.get("sheet"),
        boxes=[(row_words(row), row) for row in rows(job.get("sheet"))],
        verification=job.get("verification"),
        log=job.get("log"),
        advice=" ".join(cautions.sentences([cautions.ADVICE])),
        **_pictures(job),
    )
