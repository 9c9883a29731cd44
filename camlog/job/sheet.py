"""The work sheet: what to verify, measure, fasten and tick while the engine is open, from the quote and the layout.

camlog ships no torque value and no limit of a measurement: each stands empty until it is typed in from the service
information, once.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from camlog.analysis.causes.checks import BY_KEY, IN_ORDER
from camlog.profile.model import Layout
from camlog.units import conversion

TIMING_WORK = ("phaser", "phaser_valve", "timing_set", "pressure")
BEFORE = (
    "engine cold, battery off where the service information asks for it",
    "engine turned by hand to top dead centre of cylinder 1, never by the starter",
    "timing marks photographed before anything is loosened",
    "phaser's lock pin: locked, or not",
)
AFTER = (
    "tensioner released",
    "two full turns by hand: nothing touches, marks meet again",
    "oil filled to the grade and amount of the service information, level read",
)
# measurement, unit, the check whose outcome a value beyond the limit is, that outcome, and which side is worn
MEASUREMENTS = (
    ("chain elongation", "%", "marks", "marks do not meet", "above"),
    ("chain slack", "mm", "chain_look", "slack or worn", "above"),
    ("tensioner travel", "mm", "chain_look", "slack or worn", "above"),
    ("guide wear", "mm", "chain_look", "slack or worn", "above"),
    ("phaser play", "deg", "phaser_hand", "play, or not locked", "above"),
    ("screen blocked", "%", "valve_out", "screen blocked", "above"),
    ("camshaft end play", "mm", "", "", "above"),
)
FASTENERS = {
    "oil_service": ("drain plug, with its new seal", "oil filter"),
    "valve": ("oil control valve bolt",),
    "phaser": ("phaser bolt", "camshaft bearing caps", "valve cover", "timing cover"),
    "timing_set": ("tensioner", "guides", "crankshaft bolt"),
}


def work_sheet(repair: str, layout: Layout) -> dict[str, Any]:
    """The sheet for a repair (its key) on an engine of this layout, every box empty."""
    timing = repair in TIMING_WORK
    fasteners = [*FASTENERS["valve"]] if "valve" in repair or repair == "timing_set" else []
    fasteners += FASTENERS["phaser"] if timing else ()
    fasteners += FASTENERS[repair] if repair in ("timing_set", "oil_service") else ()
    afterwards = [layout.relearn] if layout.relearn else []
    return {
        "repair": repair,
        "reference": layout.procedure_reference or "",
        "torque_reference": layout.torque_reference or "",
        "before": [_box(text) for text in (BEFORE if timing else BEFORE[:1])],
        "measurements": [
            {"what": what, "unit": unit, "value": None, "limit": None, "source": ""}
            for what, unit, check, _, _ in MEASUREMENTS
            if timing or (check == "valve_out" and repair == "valve")
        ],
        "fasteners": [
            {"what": what, "torque": None, "unit": "N*m", "angle_deg": None, "sequence": "", "new_bolt": None, **_box("")}
            for what in fasteners
        ],
        "after": [_box(text) for text in (AFTER if timing else AFTER[2:])],
        "afterwards": [_box(text) for text in (*afterwards, "codes cleared with camlog clear", "drive recorded, camlog verify")],
    }  # fmt: skip


def _box(text: str) -> dict[str, Any]:
    return {"text": text, "done": None, "who": ""}


def measured_outcomes(sheet: Mapping[str, Any]) -> list[tuple[str, str]]:
    """(check, outcome) of every measurement that has a value and a limit: beyond it, or in order."""
    known = {m[0]: m for m in MEASUREMENTS}
    found = []
    for row in sheet.get("measurements", []):
        what = known.get(row.get("what"))
        if what is None or not what[2] or row.get("value") is None or row.get("limit") is None:
            continue
        found.append((what[2], what[3] if row["value"] > row["limit"] else IN_ORDER))
    return [(check, outcome) for check, outcome in found if outcome in BY_KEY[check].outcomes]


def torque_in(value: float, unit: str, wanted: str) -> float:
    """A torque in another unit: `N*m`, `lbf*ft`, `lbf*in`, `kgf*m`. Raises ValueError for a unit of another kind."""
    factor, offset = conversion(unit, wanted)
    return value * factor + offset


def torque_words(fastener: Mapping[str, Any]) -> str:
    """A fastener's torque in both units, `25 N·m (18.4 lbf·ft) + 90 deg`; what to type in where it is empty."""
    if fastener.get("torque") is None:
        return "to be typed in from service information"
    newton = torque_in(float(fastener["torque"]), fastener.get("unit") or "N*m", "N*m")
    angle = f" + {fastener['angle_deg']:g} deg" if fastener.get("angle_deg") else ""
    return f"{newton:.3g} N·m ({torque_in(newton, 'N*m', 'lbf*ft'):.3g} lbf·ft){angle}"


def open_boxes(sheet: Mapping[str, Any]) -> list[str]:
    """What is still empty or not ticked, one line each."""
    left = [row["text"] for part in ("before", "after", "afterwards") for row in sheet.get(part, []) if not row.get("done")]
    left += [f"torque of {row['what']}" for row in sheet.get("fasteners", []) if row.get("torque") is None]
    return left + [f"{row['what']} not ticked" for row in sheet.get("fasteners", []) if not row.get("done")]
