"""What to quote: each repair with its chance to cure, its cost, and its expected cost if the car may come back.

The expected cost is the repair's own cost plus the cost of opening the engine again, times the chance that the fault
stays or the chain is due soon. Common practice, no source. Labour, prices and priors come from the shop's file.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from camlog.analysis.causes.checks import Repair
from camlog.job.sheet import TABLE
from camlog.job.shop import ShopFile, ShopRepair
from camlog.profile.model import Layout

# Cost of a car that comes back, in addition to the work (lost time and goodwill), in the shop's currency.
GOODWILL = 300.0
# Mileage at which the odds are even that a chain is due within the next years, and the step that multiplies the odds
# by e. Common practice, no source.
CHAIN_DUE_KM, CHAIN_STEP_KM = 220_000.0, 35_000.0
ELONGATION_DUE_PERCENT = 0.5


@dataclass(frozen=True)
class Choice:
    """One choice: `cures` and `comes_back` are chances, money in the shop's currency."""

    repair: Repair
    cures: float
    labour: float
    parts: float
    comes_back: float
    expected_cost: float

    def to_dict(self) -> dict[str, Any]:
        """The choice as the JSON object of the job file."""
        return {
            "key": self.repair.key, "repair": self.repair.name, "cures": round(self.cures, 3),
            "labour": round(self.labour), "parts": round(self.parts), "comes_back": round(self.comes_back, 3),
            "expected_cost": round(self.expected_cost),
        }  # fmt: skip


def chain_due(mileage_km: float | None, elongation_percent: float | None = None) -> float:
    """The chance that the chain is due soon although it is not the fault, from mileage and measured elongation."""
    odds = -3.0 if mileage_km is None else (mileage_km - CHAIN_DUE_KM) / CHAIN_STEP_KM
    if elongation_percent is not None:
        odds += 4.0 * (elongation_percent / ELONGATION_DUE_PERCENT - 0.5)
    return 1.0 / (1.0 + math.exp(-odds))


def choices(
    probabilities: Mapping[str, float], shop: ShopFile, layout: Layout, mileage_km: float | None = None,
    elongation_percent: float | None = None,
) -> list[Choice]:  # fmt: skip
    """Every repair as a choice, lowest expected cost first. `probabilities` are those of the causes, by key."""
    rates, repairs = shop.rates(layout), shop.repairs
    whole = next(r for r in repairs if r.key == "timing_set")
    due = chain_due(mileage_km, elongation_percent)
    again = rates.cost(whole) + GOODWILL
    faulty = max(1.0 - probabilities.get("nothing", 0.0), 1e-9)
    found = []
    for repair in repairs:
        cures = sum(probabilities.get(c, 0.0) * p for c, p in repair.cures.items()) / faulty
        opened = repair.opens == "timing cover" and repair.key != "timing_set"
        comes_back = 1.0 - cures * (1.0 - (due if opened else 0.0))
        cost = rates.cost(repair)
        found.append(Choice(repair, cures, cost - repair.parts, repair.parts, comes_back, cost + comes_back * again))
    return sorted(found, key=lambda c: c.expected_cost)


def whole_set_from_km(
    probabilities: Mapping[str, float], shop: ShopFile, layout: Layout, elongation_percent: float | None = None
) -> float | None:
    """The mileage (km) from which the whole timing set has a lower expected cost than the phaser with its valve; None
    if there is none."""
    for km in range(0, 500_001, 5_000):
        found = choices(probabilities, shop, layout, float(km), elongation_percent)
        cost = {c.repair.key: c.expected_cost for c in found}
        if cost["timing_set"] < min(cost["phaser"], cost["phaser_valve"]):
            return float(km)
    return None


def parts_list(choice: Choice, shop: ShopFile) -> list[dict[str, Any]]:
    """The parts to order for a choice: the shop's part and supplier, parts used only once, and the check on arrival."""
    own = next((r for r in shop.repair if r.key == choice.repair.key), ShopRepair(choice.repair.key))
    once = [(what, "", "") for what in TABLE["one_time"].get(choice.repair.opens, ())]
    return [
        {"what": what, "part": part, "supplier": supplier, "arrived": dict.fromkeys(TABLE["arrival"])}
        for what, part, supplier in [(choice.repair.name, own.part, own.supplier), *once]
    ]
