"""How often the comparison of two drives calls chance a change, and how often it sees a repair.

Pairs of drives of unchanged healthy cars, seeds apart from every other use: the share of cams (and of misfire
as a whole) with any change "more than chance" should stay near the 5 % it promises; of those enough to matter
there should be hardly any. Then pairs before and after a repair.

Run: python -m tests.bench.change_chance [CARS]
"""

from __future__ import annotations

import sys

from camlog.analysis import analyze
from camlog.analysis.changes import changes_between
from camlog.profile import read_profile
from camlog.simulate.offline import Sampling, simulate_drive
from camlog.simulate.vehicle.conditions import Condition
from camlog.simulate.vehicle.draw import draw_setup
from camlog.simulate.vehicle.drive_cycle import draw_drive
from camlog.simulate.vehicle.setup import healthy_twin
from tests import compiled

compiled.use()
PROFILE = read_profile("demo")
FIRST_SEED = 51_000
MINUTES = 12.0
FAULTS = ("restricted_flow", "stick_slip", "internal_leakage")


def findings(setup, seed: int, number: int):
    sampling = Sampling(cam_pair_hz=(30.0, 10.0, 20.0)[number % 3], cam_skew_s=(0.0, 0.04)[number % 2])
    done = simulate_drive(setup, draw_drive(seed, MINUTES), sampling)
    return analyze(done.trace, done.drive, PROFILE)


def main(cars: int) -> None:
    groups = beyond = mattering = seen = 0
    for number in range(cars):
        seed = FIRST_SEED + 10 * number
        setup = draw_setup(seed)
        changes = changes_between(findings(setup, seed + 1, number), findings(setup, seed + 2, number))
        for group in {c.figure.cam for c in changes if c.p_value is not None}:
            told = [c for c in changes if c.figure.cam == group and c.beyond_chance]
            groups += 1
            beyond += bool(told)
            mattering += any(not c.small for c in told)
        fault = Condition(FAULTS[number % len(FAULTS)], 0.9, cams=("intake_b1",))
        faulty = draw_setup(seed + 3, [fault])
        changes = changes_between(findings(faulty, seed + 4, number), findings(healthy_twin(faulty), seed + 5, number))
        seen += any(c.better and not c.small and c.figure.cam == "intake_b1" for c in changes)
    print(f"unchanged: {groups} cams or misfire groups, {beyond} called changed, {mattering} by much")
    print(f"repaired (severity 0.9): seen to be better in {seen} of {cars}")
    print(f"false alarms {beyond / max(groups, 1):.3f} (promised 0.05), seen {seen / max(cars, 1):.2f}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 24)
