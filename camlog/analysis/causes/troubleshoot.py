"""Which check next: decision-theoretic troubleshooting.

Heckerman, Breese and Rommelse, "Decision-theoretic troubleshooting", Communications of the ACM 38(3), 1995 (from
memory): with one fault, repairs tried one after the other cost least in the order of probability over cost; an
observation is worth making where its cost plus the expected cost of repair after it is less than that without it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from camlog.analysis.causes.checks import CHECKS, IN_ORDER, REPAIRS, Check, Repair

# Cost (shop's currency) of handing the car on once every repair that could cure the fault has been tried.
GIVE_UP = 5000.0
# Number of checks that one evaluation of a policy looks ahead.
DEEPEST = 6


@dataclass(frozen=True)
class Rates:
    """Cost of a shop's time: `labour_per_hour` in its own currency; `times` maps what a check or repair opens to a
    factor on its minutes."""

    labour_per_hour: float = 100.0
    times: Mapping[str, float] = field(default_factory=dict)

    def minutes(self, action: Check | Repair) -> float:
        return action.minutes * self.times.get(action.opens, 1.0)

    def cost(self, action: Check | Repair) -> float:
        """Labour and parts of a check or repair."""
        return self.minutes(action) / 60.0 * self.labour_per_hour + action.parts


@dataclass(frozen=True)
class Step:
    """One step of a plan: a check, its cost, and the expected cost from here on until the fault is found."""

    check: Check
    cost: float
    expected_cost: float


def after(probabilities: Mapping[str, float], check: Check, outcome: str) -> dict[str, float]:
    """The probabilities of the causes after a check has shown an outcome (Bayes)."""
    weights = {cause: p * check.chance(outcome, cause) for cause, p in probabilities.items()}
    total = sum(weights.values())
    return {cause: w / total for cause, w in weights.items()} if total > 0.0 else dict(probabilities)


def chance(probabilities: Mapping[str, float], check: Check, outcome: str) -> float:
    return sum(p * check.chance(outcome, cause) for cause, p in probabilities.items())


def expected_repair_cost(
    probabilities: Mapping[str, float], rates: Rates, repairs: Sequence[Repair] = REPAIRS
) -> float:
    """Expected cost of repairing until the fault is gone, the best repair (chance over cost) first each time."""
    return sum(cost * reached for _, cost, reached in best_repairs(probabilities, rates, repairs))


def best_repairs(
    probabilities: Mapping[str, float], rates: Rates, repairs: Sequence[Repair] = REPAIRS
) -> list[tuple[Repair | None, float, float]]:
    """(repair, cost, chance that it is reached) in order; the last has no repair: the car is handed on."""
    left = {c: p for c, p in probabilities.items() if c != "nothing"}
    reached, order, open_ = sum(left.values()), [], list(repairs)
    while open_ and reached > 1e-3:
        cures = {r.key: sum(left.get(c, 0.0) * p for c, p in r.cures.items()) for r in open_}
        best = max(open_, key=lambda r: cures[r.key] / rates.cost(r))
        if cures[best.key] * GIVE_UP < rates.cost(best) * reached:
            break
        order.append((best, rates.cost(best), reached))
        open_.remove(best)
        left = {c: p * (1.0 - best.cures.get(c, 0.0)) for c, p in left.items()}
        reached = sum(left.values())
    return [*order, (None, GIVE_UP, reached)]


def expected_after(probabilities: Mapping[str, float], check: Check, rates: Rates) -> float:
    """Expected cost of repair after a check, without the check's own cost."""
    return sum(
        p * expected_repair_cost(after(probabilities, check, outcome), rates)
        for outcome in check.outcomes
        if (p := chance(probabilities, check, outcome)) > 1e-6
    )


def next_check(
    probabilities: Mapping[str, float], rates: Rates, done: Sequence[str] = (), *, standing: bool = False
) -> Check | None:
    """The check that saves most for its cost; None where none saves more than it costs. `standing` leaves out checks
    that run the engine."""
    now = expected_repair_cost(probabilities, rates)
    best, most = None, 1.0
    for check in CHECKS:
        if check.key in done or (standing and check.runs):
            continue
        saves = (now - expected_after(probabilities, check, rates)) / rates.cost(check)
        if saves > most:
            best, most = check, saves
    return best


def plan(
    probabilities: Mapping[str, float], rates: Rates, done: Sequence[str] = (), *, standing: bool = False, most: int = 5
) -> list[Step]:
    """The checks to do one after the other as long as each finds nothing, with the expected cost from each on."""
    steps: list[Step] = []
    done = list(done)
    while len(steps) < most:
        check = next_check(probabilities, rates, done, standing=standing)
        if check is None:
            break
        steps.append(Step(check, rates.cost(check), rates.cost(check) + expected_after(probabilities, check, rates)))
        done.append(check.key)
        probabilities = after(probabilities, check, IN_ORDER)
    return steps


def expected_cost(
    probabilities: Mapping[str, float], rates: Rates, done: Sequence[str] = (), *, standing: bool = False
) -> float:
    """Expected cost until the fault is gone when each next check is the one worth most."""
    check = next_check(probabilities, rates, done, standing=standing) if len(done) < DEEPEST else None
    if check is None:
        return expected_repair_cost(probabilities, rates)
    rest = [
        (p, after(probabilities, check, outcome))
        for outcome in check.outcomes
        if (p := chance(probabilities, check, outcome)) > 1e-3
    ]
    return rates.cost(check) + sum(
        p * expected_cost(left, rates, (*done, check.key), standing=standing) for p, left in rest
    )


def cost_of_opening_first(probabilities: Mapping[str, float], rates: Rates) -> float:
    """Expected cost when the engine is opened for the phaser at once and other repairs follow."""
    phaser = next(r for r in REPAIRS if r.key == "phaser")
    left = {c: p * (1.0 - phaser.cures.get(c, 0.0)) for c, p in probabilities.items() if c != "nothing"}
    others = [r for r in REPAIRS if r.key != phaser.key]
    return rates.cost(phaser) + expected_repair_cost({**left, "nothing": 1.0 - sum(left.values())}, rates, others)
