"""How right the measures of tracking, hold, rest and sticking are, on plants whose truth is known.

`python -m tests.bench.estimator_accuracy_steady [RUNS]` prints, for each figure, how often it is within its
target of the truth and how often its 95 % interval covers it. Plants: `scipy.signal` lags, Choudhury,
Thornhill & Shah's stiction, autoregressive flutter; sampled at 5 to 40 Hz, irregularly, the two angles up
to 80 ms apart, quantised.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from camlog.analysis.cam.hold import measure_hold
from camlog.analysis.cam.rest import measure_rest
from camlog.analysis.cam.tracking import measure_tracking
from camlog.analysis.estimate import Estimate
from camlog.analysis.sticking.measure import measure_sticking
from tests.steady_plants import STEP_S, cam_of, command, flutter, lag, stiction, times


@dataclass(frozen=True)
class Case:
    """One figure of one run: its truth, what was measured, and the target as absolute error."""

    figure: str
    truth: float
    found: Estimate
    target: float

    @property
    def close(self) -> bool:
        return self.found.value is not None and abs(self.found.value - self.truth) <= self.target

    @property
    def covered(self) -> bool | None:
        interval = self.found.interval
        return None if interval is None else interval[0] - 1e-9 <= self.truth <= interval[1] + 1e-9


def _sampling(rng: np.random.Generator) -> dict:
    hz = float(np.exp(rng.uniform(np.log(5), np.log(40))))
    return {
        "hz": hz,
        "skew_s": float(rng.choice([0.0, 0.03, 0.08])),
        "noise": float(rng.uniform(0.05, 0.3)),
        "step": float(rng.choice([0.01, 0.1, 0.25, 0.5])),
    }


def sticking_cases(rng: np.random.Generator) -> Iterator[Case]:
    """A sticking cam: stick band 2 to 10 deg, jump 0.3 to 1 of it, behind a lag; the command moves all the
    time."""
    band = rng.uniform(2.0, 10.0)
    jump = band * rng.uniform(0.3, 1.0)
    kind = str(rng.choice(["sine", "triangle", "walk", "ramps"]))
    x = command(kind, 150.0, rng)
    y = lag(stiction(x, band, jump), rng.uniform(0.05, 0.3), rng.uniform(0.0, 0.1)) + rng.uniform(-1, 1)
    found = measure_sticking(cam_of(x, y, rng, **_sampling(rng)))
    yield Case("stick band", band, found.stick_band_deg, 0.2 * band)
    yield Case("jump", jump, found.jump_deg, 0.2 * band)
    yield Case("called sticking", 1.0, Estimate(float(found.sticks is True)), 0.5)


def smooth_cases(rng: np.random.Generator) -> Iterator[Case]:
    """A slow but smooth cam, time constant 0.1 to 4 s or limited to 4 to 60 deg/s: no stick band."""
    kind = str(rng.choice(["sine", "triangle", "walk", "ramps", "steps"]))
    x = command(kind, 150.0, rng)
    rate = float(np.exp(rng.uniform(np.log(4), np.log(60)))) if rng.random() < 0.4 else None
    tau = rng.uniform(0.1, 0.5) if rate else np.exp(rng.uniform(np.log(0.1), np.log(4.0)))
    y = lag(x, tau, rng.uniform(0.0, 0.3), rate) + rng.uniform(-1, 1)
    found = measure_sticking(cam_of(x, y, rng, **_sampling(rng)))
    yield Case("no stick band", 0.0, found.stick_band_deg, 1.0)
    yield Case("called smooth", 1.0, Estimate(float(found.sticks is False)), 0.5)


def rest_cases(rng: np.random.Generator) -> Iterator[Case]:
    """Mechanical timing off by -15 to 15 deg, trimmed out under control, seen at rest in two to four idles of 6
    to 30 s."""
    offset = rng.uniform(-15.0, 15.0)
    pieces, at_rest = [], []
    for _ in range(int(rng.integers(2, 5))):
        for goal, seconds in ((rng.uniform(10, 40), rng.uniform(5, 20)), (0.0, rng.uniform(6, 30))):
            pieces.append(np.full(int(seconds / STEP_S), goal))
            at_rest.append(np.full(len(pieces[-1]), goal == 0.0))
    x = np.concatenate(pieces)
    y = lag(x + np.where(np.concatenate(at_rest), offset, 0.0), 0.2, 0.05)
    y = y + flutter(len(x), rng.uniform(0.0, 0.6), rng.uniform(0.05, 0.8), rng)
    speed, oil = np.full(len(x), 750.0), np.full(len(x), 90.0)
    found = measure_rest(cam_of(x, y, rng, engine_speed=speed, oil_temp=oil, **_sampling(rng)))
    yield Case("rest offset", offset, found.offset_deg, 0.3)


def hold_cases(rng: np.random.Generator) -> Iterator[Case]:
    """A healthy lag with flutter of 0.2 to 3 deg rms about steady commands, and a bias."""
    bias, rms = rng.uniform(-4, 4), rng.uniform(0.2, 3.0)
    x = command("holds", 240.0, rng)
    y = lag(x, rng.uniform(0.1, 0.3), 0.05) + bias
    y = y + flutter(len(x), rms, rng.uniform(0.03, 0.3), rng)
    how = _sampling(rng)
    cam = cam_of(x, y, rng, **how)
    tracking, hold = measure_tracking(cam), measure_hold(cam)
    # The reading's noise is part of what is read; quantisation is taken out of the flutter, not of the error.
    read = float(np.hypot(rms, how["noise"]))
    yield Case("tracking bias", bias, tracking.bias_deg, 0.3)
    yield Case("tracking rms", float(np.sqrt(bias**2 + read**2 + how["step"] ** 2 / 12)), tracking.rms_deg, 0.3)
    yield Case("flutter rms", read, hold.flutter_rms_deg, max(0.1 * read, 0.1))


def oscillation_cases(rng: np.random.Generator) -> Iterator[Case]:
    """A cycle of 1 to 4 deg at 0.3 to 1.5 Hz about steady commands, with flutter under it."""
    amplitude, frequency = rng.uniform(1.0, 4.0), rng.uniform(0.3, 1.5)
    x = command("holds", 200.0, rng)
    y = lag(x, 0.15, 0.05) + amplitude * np.sin(2 * np.pi * frequency * times(200.0))[: len(x)]
    y = y + flutter(len(x), 0.3, 0.2, rng)
    found = measure_hold(cam_of(x, y, rng, **_sampling(rng))).oscillation
    seen = found.found
    yield Case("cycle frequency", frequency, Estimate(found.frequency_hz if seen else None), 0.08)
    yield Case("cycle amplitude", amplitude, Estimate(found.amplitude_deg if seen else None), 0.2 * amplitude)


STUDIES: tuple[Callable[[np.random.Generator], Iterator[Case]], ...] = (
    sticking_cases, smooth_cases, rest_cases, hold_cases, oscillation_cases,
)  # fmt: skip


def study(runs: int, seed: int, studies=STUDIES) -> dict[str, list[Case]]:
    """Every case of `runs` runs of each study, by figure."""
    found: dict[str, list[Case]] = {}
    for number, cases in enumerate(studies):
        for run in range(runs):
            for case in cases(np.random.default_rng([seed, number, run])):
                found.setdefault(case.figure, []).append(case)
    return found


def close_share(cases: list[Case]) -> float:
    return float(np.mean([c.close for c in cases]))


def coverage(cases: list[Case]) -> float | None:
    known = [c.covered for c in cases if c.covered is not None]
    return float(np.mean(known)) if known else None


def main() -> None:
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    print(f"{'figure':18s} {'runs':>5s} {'in target':>10s} {'covered':>8s} {'median error':>13s} {'width':>8s}")
    for figure, cases in study(runs, seed=4).items():
        errors = [abs(c.found.value - c.truth) for c in cases if c.found.value is not None]
        widths = [c.found.high - c.found.low for c in cases if c.found.interval]
        covered = coverage(cases)
        print(
            f"{figure:18s} {len(cases):5d} {close_share(cases):10.1%} "
            f"{'' if covered is None else format(covered, '.1%'):>8s} {np.median(errors):13.3f} "
            f"{(format(np.median(widths), '.3f') if widths else ''):>8s}"
        )


if __name__ == "__main__":
    main()
