"""The work sheet: what to verify, measure, fasten and tick while the engine is open, made from quote and layout.

camlog ships no torque values and no limits: they are empty until someone types them in from service information. The
rows of all sheets are in `sheet.toml`.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Mapping
from importlib import resources
from typing import Any

from camlog.analysis.causes.checks import NOT
from camlog.messages import Messages
from camlog.numbers import number
from camlog.profile.model import Layout
from camlog.units import conversion

TABLE: Mapping[str, Any] = tomllib.loads(resources.files(__package__).joinpath("sheet.toml").read_text("utf-8"))
PARTS = ("before", "measurements", "fasteners", "after", "afterwards")
# The keys that are typed in for a measurement, and for a fastener.
MEASURED, FASTENED = ("value", "limit", "source"), ("torque", "unit", "angle_deg", "sequence", "new_bolt")
NUMBERS = ("value", "limit", "torque", "angle_deg")
_ENTRY = re.compile(
    r"(?P<what>.+?)[\s:=]+(?P<value>\d+(?:[.,]\d+)?)\s*(?P<unit>[^\s\d+]+)?"
    r"(?:\s*\+\s*(?P<angle_deg>\d+(?:[.,]\d+)?)\s*(?:deg|°)?)?(?:\s+limit\s+(?P<limit>\d+(?:[.,]\d+)?)\s*(?P<limit_unit>\S+)?)?\s*"
)
messages = Messages("camlog.job")


def work_sheet(repair: str, layout: Layout) -> dict[str, Any]:
    """The sheet for a repair (its key) on an engine of this layout, with every box empty."""
    timing = repair in TABLE["timing_work"]
    lock = "" if layout.lock == "unknown" else messages("lock", place=layout.lock.replace("_", " "))
    afterwards = [*([layout.relearn] if layout.relearn else []), *TABLE["afterwards"]]
    of_repair = [m for m in TABLE["measurement"] if timing or repair in m.get("repairs", ())]
    measured = [m for m in of_repair if m.get("drive", layout.drive) == layout.drive]
    return {
        "repair": repair,
        "reference": layout.procedure_reference or "",
        "torque_reference": layout.torque_reference or "",
        "before": [_box(text.format(lock=lock)) for text in TABLE["before"][: None if timing else 1]],
        "measurements": [{"what": m["what"], "unit": m["unit"], "value": None, "limit": None, "source": ""} for m in measured],
        "fasteners": [
            {"what": what, "torque": None, "unit": "N*m", "angle_deg": None, "sequence": "", "new_bolt": "", **_box("")}
            for what in TABLE["fasteners"].get(repair, ())
        ],
        "after": [_box(text) for text in (TABLE["after"] if timing else TABLE["after"][2:])],
        "afterwards": [_box(text) for text in afterwards],
    }  # fmt: skip


def _box(text: str) -> dict[str, Any]:
    return {"text": text, "done": None, "who": ""}


def rows(sheet: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The rows of a sheet, in the order of their numbers."""
    return [row for part in PARTS for row in sheet.get(part, [])]


def row_words(row: Mapping[str, Any]) -> str:
    """A row in words: what to do, measure or fasten, and the values typed in."""
    if "torque" in row:
        return messages("fastener", row=row, torque=torque_words(row))
    return messages("measurement", row=row) if "limit" in row else str(row.get("text", ""))


def enter(sheet: Mapping[str, Any], text: str) -> dict[str, Any]:
    """Type values into one row, named by its name or number; returns the row.

    `chain elongation 0.35 limit 0.5`, `phaser bolt 25 N*m + 90 deg`. Raises InputError if no
    row has that name or a value is wrong.
    """
    match = _ENTRY.fullmatch(text.strip())
    name = match["what"].strip().lower() if match else ""
    typed = [(str(i), r) for i, r in enumerate(rows(sheet), start=1) if "what" in r]
    fitting = [r for number, r in typed if name and (name == number or r["what"].startswith(name))]
    if match is None or len(fitting) != 1:
        raise messages.error("no_entry", text=text[:60], names=", ".join(r["what"] for _, r in typed))
    row, units = fitting[0], (match["unit"], match["limit_unit"])
    if "torque" in row:
        return fill(row, {"torque": match["value"], "unit": match["unit"], "angle_deg": match["angle_deg"]})
    value, limit = (_in_unit(row, match[key], unit) for key, unit in zip(("value", "limit"), units, strict=True))
    return fill(row, {"value": value, "limit": limit})


def _in_unit(row: Mapping[str, Any], text: str | None, unit: str | None) -> str | None:
    if text is None or unit is None:
        return text
    try:
        factor, offset = conversion(unit, row["unit"])
    except ValueError as error:
        raise messages.error("no_unit", unit=unit[:20], what=row["what"], wanted=row["unit"]) from error
    return f"{float(text.replace(',', '.')) * factor + offset:.6g}"


def fill(row: dict[str, Any], typed: Mapping[str, str | None]) -> dict[str, Any]:
    """Set the values typed into a measurement or a fastener; None keeps a value, an empty text removes it.

    Raises InputError if a number is wrong or a torque's unit is no unit of torque.
    """
    new: dict[str, Any] = {}
    for key in FASTENED if "torque" in row else MEASURED:
        text = typed.get(key)
        if text is not None:
            new[key] = _number(row, text) if key in NUMBERS else text.strip()[:200]
    try:
        torque_in(1.0, new.get("unit") or "N*m", "N*m")
    except ValueError as error:
        wanted = "N*m, lbf*ft, lbf*in or kgf*m"
        raise messages.error("no_unit", unit=new["unit"][:20], what=row["what"], wanted=wanted) from error
    row.update(new)
    return row


def _number(row: Mapping[str, Any], text: str) -> float | None:
    if not text.strip():
        return None
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = math.nan
    if not 0.0 <= value < 1e6:
        raise messages.error("no_value", what=row["what"], text=text[:20])
    return value


def measured_outcomes(sheet: Mapping[str, Any]) -> list[tuple[str, str, str]]:
    """(check, outcome, measurement in words) of every measurement that has a value and a limit. The outcome begins with
    NOT if the value is within the limit."""
    kinds, outcomes = {m["what"]: m for m in TABLE["measurement"]}, {}
    for row in sheet.get("measurements", []):
        kind = kinds.get(row.get("what"))
        if kind is None or row.get("value") is None or row.get("limit") is None:
            continue
        beyond = row["value"] > row["limit"]
        # If one outcome has several measurements, one beyond its limit counts.
        if beyond or kind["check"] not in outcomes:
            outcomes[kind["check"]] = (kind["check"], ("" if beyond else NOT) + kind["outcome"], row_words(row))
    return list(outcomes.values())


def torque_in(value: float, unit: str, wanted: str) -> float:
    """Convert a torque to another unit: `N*m`, `lbf*ft`, `lbf*in`, `kgf*m`. Raises ValueError if a unit is no
    torque."""
    factor, offset = conversion({"Nm": "N*m"}.get(unit, unit).replace("·", "*"), wanted)
    return value * factor + offset


def torque_words(fastener: Mapping[str, Any]) -> str:
    """A fastener's torque in both units, `25 N·m (18.4 lbf·ft) + 90 deg`; if empty, what to type in."""
    if fastener.get("torque") is None:
        return messages("no_torque")
    newton = torque_in(float(fastener["torque"]), fastener.get("unit") or "N*m", "N*m")
    angle = f" + {number(fastener['angle_deg'])} deg" if fastener.get("angle_deg") else ""
    return f"{number(newton)} N·m ({number(torque_in(newton, 'N*m', 'lbf*ft'))} lbf·ft){angle}"


def open_boxes(sheet: Mapping[str, Any]) -> list[str]:
    """One line for each box that is still empty or not ticked."""
    boxes = [r for r in rows(sheet) if "done" in r and not r["done"]]
    empty = [r for r in rows(sheet) if "torque" in r and r["torque"] is None]
    open_ = [r["text"] or messages("open_fastener", what=r["what"]) for r in boxes]
    return [*open_, *(messages("open_torque", what=r["what"]) for r in empty)]
