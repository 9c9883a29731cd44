"""What finding the fault costs: the computed order of checks against a fixed order and against opening first.

Cars are drawn with one of the causes from a world that is not the model's own: every chance of its tables (what a cam
looks like, codes, what a check shows) is changed at random by up to a factor of about two either way, the priors by three.
Prints mean cost and checks made of each way, the calibration of the cause probabilities, and last the ratio of costs.

    python -m tests.bench.job_cost [JOBS] [--seed N]
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from camlog.analysis.causes.causes import (
    CAUSES,
    CODE_BY_CHANCE,
    CODE_FAMILIES,
    MISFIRE_BY_CHANCE,
    OIL_OTHERWISE,
    SOUND,
    Cause,
    look,
    pattern_chance,
)
from camlog.analysis.causes.checks import BY_KEY, IN_ORDER, REPAIRS, Repair
from camlog.analysis.causes.likelihood import CamEvidence, DriveEvidence, befallen, pieces, posterior
from camlog.analysis.causes.troubleshoot import GIVE_UP, Rates, after, best_repairs, next_check

CAMS = ("intake_b1", "exhaust_b1")
RATES = Rates()
# The order of a careful shop that computes nothing: outside first, as service information lists it.
FIXED = ("valve_plug", "sensor_plug", "valve_swap", "oil_level", "oil_gauge", "valve_out", "cold_listen", "scope_pattern", "chain_look",
         "coil_swap", "plug_look", "marks", "phaser_hand")  # fmt: skip
TARGET, TARGET_CALIBRATION = 0.6, 0.05


class World:
    """The tables as they are in truth: the model's, each chance moved on the logistic scale."""

    def __init__(self, rng: np.random.Generator):
        self.rng = rng
        self.priors = {c.key: c.prior * float(np.exp(rng.normal(0.0, 0.5))) for c in CAUSES}
        self.causes = {c.key: self._moved(c) for c in CAUSES}
        self.shows = {
            (check.key, outcome, cause.key): self.move(check.chance(outcome, cause.key))
            for check in BY_KEY.values() for outcome in check.shows for cause in CAUSES
        }  # fmt: skip

    def move(self, chance: float) -> float:
        odds = chance / (1.0 - min(chance, 0.999)) * np.exp(self.rng.normal(0.0, 0.35))
        return float(odds / (1.0 + odds))

    def _moved(self, cause: Cause) -> Cause:
        looks = {k: look(cause, k) * np.exp(self.rng.normal(0.0, 0.35)) for k in SOUND}
        total = sum(looks.values())
        return replace(cause, looks={k: float(v / total) for k, v in looks.items()},
                       codes={k: self.move(v) for k, v in cause.codes.items()}, rattles=self.move(cause.rattles),
                       pressure=self.move(cause.pressure))  # fmt: skip

    def draw(self) -> tuple[str, DriveEvidence]:
        """One car: its cause and what its drive shows."""
        rng, keys = self.rng, [c.key for c in CAUSES]
        weights = np.array([self.priors[k] for k in keys])
        cause = self.causes[str(rng.choice(keys, p=weights / weights.sum()))]
        cases = list(befallen(cause, CAMS))
        ill = cases[int(rng.integers(len(cases)))]
        cams = {cam: self._cam(cause if cam in ill else None) for cam in CAMS}
        codes = frozenset(f for f in CODE_FAMILIES if rng.random() < cause.codes.get(f, CODE_BY_CHANCE))
        kinds = {k: pattern_chance(cause.misfire, MISFIRE_BY_CHANCE, k) for k in MISFIRE_BY_CHANCE}
        misfire = str(rng.choice([*kinds, "none"], p=[*kinds.values(), 1.0 - sum(kinds.values())]))
        pressure = bool(rng.random() < cause.pressure) if rng.random() < 0.4 else None
        return cause.key, DriveEvidence(cams, codes, misfire, pressure)

    def _cam(self, cause: Cause | None) -> CamEvidence:
        rng = self.rng
        looks = np.array([look(cause, k) for k in SOUND])
        condition = str(rng.choice(list(SOUND), p=looks / looks.sum()))
        surest = float(rng.uniform(0.6, 0.99))
        if rng.random() < 0.06:  # a verdict that is wrong
            condition = str(rng.choice(list(SOUND)))
        chances = {k: surest if k == condition else (1.0 - surest) / (len(SOUND) - 1) for k in SOUND}
        oil = cause.oil if cause else {}
        kinds = {k: oil.get(k, p) for k, p in OIL_OTHERWISE.items()}
        pattern = (
            str(rng.choice([*kinds, ""], p=[*kinds.values(), 1.0 - sum(kinds.values())])) if condition == "slow" else ""
        )
        way = 0
        if condition == "offset":
            way = -1 if rng.random() < (cause.retarded if cause else 0.5) else 1
        rattles = bool(rng.random() < (cause.rattles if cause else 0.02)) if rng.random() < 0.5 else None
        return CamEvidence(chances, pattern, way, rattles)

    def outcome(self, check: str, cause: str) -> str:
        """What a check shows on a car with that cause."""
        at = self.rng.random()
        for shown in BY_KEY[check].shows:
            at -= self.shows[check, shown, cause]
            if at < 0.0:
                return shown
        return IN_ORDER


def mended(repair: Repair, cause: str, world: World) -> bool:
    return bool(world.rng.random() < repair.cures.get(cause, 0.0))


def repaired(probabilities: Mapping[str, float], cause: str, world: World, done: Sequence[str] = ()) -> float:
    """Cost of repairing by probability over cost until the fault is gone, or the car is handed on."""
    cost, tried = 0.0, list(done)
    while cause != "nothing":
        repair = best_repairs(probabilities, RATES, [r for r in REPAIRS if r.key not in tried])[0][0]
        if repair is None:
            return cost + GIVE_UP
        cost += RATES.cost(repair)
        if mended(repair, cause, world):
            return cost
        tried.append(repair.key)
        left = {c: p * (1.0 - repair.cures.get(c, 0.0)) for c, p in probabilities.items()}
        total = sum(left.values()) or 1.0
        probabilities = {c: p / total for c, p in left.items()}
    # Nothing is wrong: whoever repairs all the same pays for it once.
    repair = best_repairs(probabilities, RATES)[0][0] if probabilities["nothing"] < 0.5 else None
    return cost + (RATES.cost(repair) if repair else 0.0)


def computed(probabilities: dict[str, float], cause: str, world: World) -> tuple[float, int]:
    """Cost and checks made of the computed order."""
    cost, done = 0.0, []
    while check := next_check(probabilities, RATES, done):
        cost += RATES.cost(check)
        done.append(check.key)
        probabilities = after(probabilities, check, world.outcome(check.key, cause))
    return cost + repaired(probabilities, cause, world), len(done)


def fixed(cause: str, world: World) -> tuple[float, int]:
    """The fixed order: the first check that shows something decides the repair; if that fails, on with the list."""
    cost, made, tried = 0.0, 0, []
    prior = posterior([])
    for key in FIXED:
        cost += RATES.cost(BY_KEY[key])
        made += 1
        shown = world.outcome(key, cause)
        if shown == IN_ORDER:
            continue
        meant = BY_KEY[key].shows[shown]
        blamed = max(meant, key=lambda c: meant[c] * prior[c])
        repair = max((r for r in REPAIRS if r.key not in tried), key=lambda r: r.cures.get(blamed, 0.0) / RATES.cost(r))
        if repair.cures.get(blamed, 0.0) == 0.0:
            continue
        cost += RATES.cost(repair)
        tried.append(repair.key)
        if mended(repair, cause, world):
            return cost, made
    if cause == "nothing":
        return cost, made
    return cost + repaired(prior, cause, world, tried), made


def opening_first(probabilities: Mapping[str, float], cause: str, world: World) -> float:
    """The phaser at once, the rest by probability over cost."""
    phaser = next(r for r in REPAIRS if r.key == "phaser")
    if mended(phaser, cause, world):
        return RATES.cost(phaser)
    return RATES.cost(phaser) + repaired(probabilities, cause, world, ["phaser"])


def calibration_error(chances: np.ndarray, truth: np.ndarray) -> float:
    """Mean distance of stated from observed frequency over ten bins, weighed by how often each is used."""
    bins = np.clip((chances * 10).astype(int), 0, 9)
    return float(
        sum(
            abs(chances[bins == b].mean() - truth[bins == b].mean()) * (bins == b).mean()
            for b in range(10)
            if (bins == b).any()
        )
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("jobs", type=int, nargs="?", default=2000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    rng = np.random.default_rng(options.seed)
    costs, checks, chances, truth, named = [], [], [], [], 0
    for number in range(options.jobs):
        if number % 50 == 0:
            world = World(rng)
        cause, shown = world.draw()
        probabilities = posterior(pieces(shown))
        chances += list(probabilities.values())
        truth += [key == cause for key in probabilities]
        named += max(probabilities, key=probabilities.__getitem__) == cause
        mine, made = computed(probabilities, cause, world)
        theirs, theirs_made = fixed(cause, world)
        costs.append((mine, theirs, opening_first(probabilities, cause, world)))
        checks.append((made, theirs_made))
    mean, made = np.mean(costs, axis=0), np.mean(checks, axis=0)
    error = calibration_error(np.array(chances), np.array(truth))
    top = calibration_error(np.array(chances).reshape(-1, len(CAUSES)).max(1),
                            np.array(truth).reshape(-1, len(CAUSES))[np.arange(options.jobs), np.array(chances).reshape(-1, len(CAUSES)).argmax(1)])  # fmt: skip
    print(
        f"{options.jobs} jobs, one fault or none; the likeliest cause is the true one in {named / options.jobs:.0%} before any check"
    )
    for name, cost, count in (
        ("computed order", mean[0], made[0]),
        ("fixed order", mean[1], made[1]),
        ("opening first", mean[2], 0),
    ):
        print(f"  {name:<16} mean cost {cost:7.0f}   checks {count:4.1f}")
    print(
        f"calibration error of all cause probabilities {error:.3f}, of the likeliest {top:.3f} (at most {TARGET_CALIBRATION})"
    )
    print(
        f"cost, computed over fixed order: {mean[0] / mean[1]:.2f} (at most {TARGET}); over opening first: {mean[0] / mean[2]:.2f}"
    )


if __name__ == "__main__":
    main()
