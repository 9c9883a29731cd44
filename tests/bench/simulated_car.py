"""How fast the simulated vehicle runs: whole drives offline, and live in plain Python.

Run: python -m tests.bench.simulated_car
"""

from __future__ import annotations

import time

from camlog.simulate.offline import simulate_drive
from camlog.simulate.vehicle import Condition, SimulatedCar, draw_drive, draw_setup, kernels
from tests import compiled

OFFLINE_BUDGET_S = 0.5
LIVE_LEAST_RATIO = 60.0
MINUTES = 10.0


def main() -> None:
    compiled.use()
    setup = draw_setup(3, [Condition("stick_slip", 0.6)])
    drive = draw_drive(3, MINUTES, "hot")
    print(f"numba: {'yes' if compiled.numba_available() else 'no'}")
    simulate_drive(setup, drive)  # compiles, or loads what was compiled
    best = min(_timed(lambda: simulate_drive(setup, drive)) for _ in range(5))
    print(f"{MINUTES:g} minutes at 30 Hz offline, truth included: {best:.3f} s (budget {OFFLINE_BUDGET_S} s)")
    kernels.run_kernel = compiled.PLAIN
    car = SimulatedCar(setup, drive)
    live = _timed(lambda: car.advance(drive.duration_s))
    ratio = drive.duration_s / live
    print(f"live in plain Python: {ratio:.0f} times real time (at least {LIVE_LEAST_RATIO:g})")


def _timed(work) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


if __name__ == "__main__":
    main()
