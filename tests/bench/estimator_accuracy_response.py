"""Accuracy and coverage of the response estimators on known plants.

Plants from scipy.signal, irregularly sampled. For each: the share of drives in which T63 is within 10 % or
one sample, the dead time within one sample (or rightly below resolution) and the gain within 2 %, and how
often each 95 % interval covers the truth.

Then the time one cam takes for an hour and for eight.
`python -m tests.bench.estimator_accuracy_response [DRIVES]`, 60 drives a plant unless given.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from camlog.analysis.response.measure import measure_response
from tests.response_plants import (
    Command,
    LinearPlant,
    RateLimitedPlant,
    Recording,
    first_order,
    record,
    second_order,
)

CASES = {
    "first order 0.20+0.10 s, 30 Hz": (LinearPlant(first_order(0.2), 0.1), Command(), Recording()),
    "first order 0.20+0.10 s, 10 Hz skew 80 ms": (
        LinearPlant(first_order(0.2), 0.1),
        Command(),
        Recording(hz=10, skew_s=0.08),
    ),
    "first order 0.20+0.10 s, 5 Hz": (LinearPlant(first_order(0.2), 0.1), Command(), Recording(hz=5)),
    "first order 0.10+0.05 s, 5 Hz skew 80 ms": (
        LinearPlant(first_order(0.1), 0.05),
        Command(),
        Recording(hz=5, skew_s=0.08),
    ),
    "first order 0.15+0.06 s, 100 Hz": (
        LinearPlant(first_order(0.15), 0.06),
        Command(90.0),
        Recording(hz=100),
    ),
    "first order 0.30+0.12 s, 3 Hz": (LinearPlant(first_order(0.3), 0.12), Command(240.0), Recording(hz=3)),
    "first order 0.8+0.3 s, 20 Hz": (
        LinearPlant(first_order(0.8), 0.3),
        Command(240.0, (4.0, 8.0)),
        Recording(hz=20),
    ),
    "slow 1.5+0.1 s, 10 Hz": (
        LinearPlant(first_order(1.5), 0.1),
        Command(300.0, (6.0, 12.0)),
        Recording(hz=10),
    ),
    "gain 0.9, offset 2 deg, 30 Hz": (LinearPlant(first_order(0.2), 0.08, 0.9, 2.0), Command(), Recording()),
    "coarse 1 deg counts, noise 0.5, 20 Hz": (
        LinearPlant(first_order(0.25), 0.08),
        Command(),
        Recording(hz=20, noise_deg=0.5, count_deg=1.0),
    ),
    "ramped command 0.4 s, 30 Hz": (LinearPlant(first_order(0.2), 0.1), Command(ramp_s=0.4), Recording()),
    "ramped command 0.4 s, 10 Hz": (
        LinearPlant(first_order(0.15), 0.12),
        Command(ramp_s=0.4),
        Recording(hz=10),
    ),
    "few steps (about 4 a direction), 30 Hz": (
        LinearPlant(first_order(0.2), 0.1),
        Command(30.0),
        Recording(),
    ),
    "few steps (about 4 a direction), 10 Hz": (
        LinearPlant(first_order(0.2), 0.1),
        Command(30.0),
        Recording(hz=10),
    ),
    "second order w 12 zeta 1, 30 Hz": (LinearPlant(second_order(12.0, 1.0), 0.05), Command(), Recording()),
    "second order w 12 zeta 0.6, 30 Hz": (LinearPlant(second_order(12.0, 0.6), 0.05), Command(), Recording()),
    "rate limit 60/100 deg/s, 30 Hz": (
        RateLimitedPlant(0.06, 0.08, 60.0, 100.0),
        Command(sizes=(22.0, 22.0)),
        Recording(),
    ),
    "rate limit 30/45 deg/s, 10 Hz": (
        RateLimitedPlant(0.1, 0.1, 30.0, 45.0),
        Command(sizes=(20.0, 20.0), hold_s=(2.5, 5.0)),
        Recording(hz=10),
    ),
}


def truth(plant, size: float) -> dict[str, float]:
    """What each figure should be; only those the plant has."""
    if isinstance(plant, RateLimitedPlant):
        return {
            "t63_up": plant.t63_s(size), "t63_down": plant.t63_s(-size), "dead": plant.dead_s, "gain": 1.0,
            "up": plant.up, "down": plant.down, "tau": plant.tau_s, "fit_dead": plant.dead_s,
        }  # fmt: skip
    found = {"t63_up": plant.share_s(1 - np.exp(-1)), "dead": plant.onset_s, "gain": plant.gain,
             "t86_up": plant.share_s(1 - np.exp(-2))}  # fmt: skip
    found |= {"t63_down": found["t63_up"], "t86_down": found["t86_up"], "overshoot": plant.overshoot}
    if abs(plant.onset_s - plant.dead_s) < 0.01 or not plant.overshoot and plant.onset_s < plant.dead_s:
        lag = found["t63_up"] - plant.dead_s
        found |= {"dead": plant.dead_s, "tau": lag, "fit_dead": plant.dead_s, "lag": plant.dead_s + lag}
    return found


def figures(response, which: str):
    """The estimates that stand for a truth of that name."""
    up, down, fit = response.advance, response.retard, response.fit
    return {
        "t63_up": [up.t63], "t63_down": [down.t63], "t86_up": [up.t86], "t86_down": [down.t86],
        "dead": [up.dead_time, down.dead_time], "gain": [response.gain], "tau": [fit.time_constant],
        "lag": [fit.lag],
        "fit_dead": [fit.dead_time], "up": [fit.slew_advance], "down": [fit.slew_retard], "overshoot": [],
    }[which]  # fmt: skip


def close_enough(which: str, value: float | None, real: float, sample: float) -> bool:
    """Within the tolerance asked of each figure; a figure left out is right only below the resolution."""
    kind = which.split("_")[0] if which != "fit_dead" else "dead"
    if value is None:
        return kind == "dead" and real <= 1.5 * sample
    if kind in ("t63", "t86", "lag"):
        return abs(value - real) <= max(0.1 * real, sample)
    if kind == "dead":
        return abs(value - real) <= sample
    return (
        abs(value - real) <= {"gain": 0.02, "tau": 0.1, "up": 0.1, "down": 0.1}[kind] * real + (kind == "tau") * sample
    )


def run_case(plant, command: Command, how: Recording, drives: int, seed: int) -> dict[str, tuple[int, int, int, int]]:
    """For each figure: drives within tolerance, drives, intervals covering, intervals given."""
    real = truth(plant, command.sizes[0])
    score = {name: [0, 0, 0, 0] for name in real if name != "overshoot"}
    for k in range(drives):
        response = measure_response(record(plant, command, how, seed + k))
        for name, tally in score.items():
            for estimate in figures(response, name):
                tally[0] += close_enough(name, estimate.value, real[name], 1.0 / how.hz)
                tally[1] += 1
                if estimate.low is not None and estimate.high is not None:
                    tally[2] += estimate.low <= real[name] <= estimate.high
                    tally[3] += 1
    return {name: tuple(tally) for name, tally in score.items()}


def seconds(duration_s: float) -> float:
    """Best of three runs over one cam at 30 Hz."""
    plant, command = LinearPlant(first_order(0.2), 0.1), Command(duration_s)
    cams = [record(plant, command, Recording(), 1) for _ in range(3)]
    taken = []
    for cam in cams:
        begin = time.perf_counter()
        measure_response(cam)
        taken.append(time.perf_counter() - begin)
    return min(taken)


def main(drives: int = 60) -> None:
    total: dict[str, np.ndarray] = {}
    begin = time.perf_counter()
    for number, (title, (plant, command, how)) in enumerate(CASES.items()):
        score = run_case(plant, command, how, drives, 1000 * number)
        print(title)
        for name, (near, asked, covered, given) in score.items():
            cover = f"{100 * covered / given:5.1f} %" if given else "   none"
            print(f"    {name:9s} within tolerance {100 * near / asked:5.1f} %   interval covers {cover}")
            total[name] = total.get(name, np.zeros(4, dtype=int)) + np.array([near, asked, covered, given])
    print(f"\nall {len(CASES)} plants, {drives} drives each, {time.perf_counter() - begin:.0f} s")
    for name, (near, asked, covered, given) in total.items():
        cover = 100 * covered / max(given, 1)
        print(f"    {name:9s} within tolerance {100 * near / asked:5.1f} %   interval covers {cover:5.1f} %")
    hour, eight = seconds(3600.0), seconds(8 * 3600.0)
    print(f"one cam at 30 Hz: one hour {hour:.2f} s, eight hours {eight:.2f} s, ratio {eight / hour:.1f}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 60)
