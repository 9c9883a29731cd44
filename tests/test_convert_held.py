"""A logger that writes everything it knows each time one answer arrives: its repeats are told from readings,
and the analysis says of such a file what it says of the drive itself. Drives are those of the simulated
car."""

from __future__ import annotations

import numpy as np
import pytest

from camlog import analyze
from camlog.convert import read_any
from camlog.simulate.offline import Sampling, simulate_drive
from camlog.simulate.vehicle import Condition, draw_drive, draw_setup
from camlog.trace import Trace

# signal: heading, decimals, value written for a value of ours
WRITTEN = {
    "engine_speed": ("Engine speed (rpm)", 0, lambda v: v),
    "vehicle_speed": ("Vehicle speed (km/h)", 0, lambda v: v),
    "engine_load": ("Calculated load (%)", 1, lambda v: v),
    "throttle_position": ("Throttle position (%)", 1, lambda v: v),
    "mass_air_flow": ("Mass air flow (g/s)", 2, lambda v: v),
    "coolant_temp": ("Coolant temp (°F)", 1, lambda v: v * 1.8 + 32),
    "oil_temp": ("Oil temp (°C)", 0, lambda v: v),
    "module_voltage": ("Battery voltage (V)", 1, lambda v: v),
    "cam_intake_b1_commanded": ("Intake cam target (°cam)", 2, lambda v: v / 2),
    "cam_intake_b1_actual": ("Intake cam actual (°cam)", 2, lambda v: v / 2),
    "cam_exhaust_b1_commanded": ("Exhaust cam retard target (°CA)", 2, lambda v: -v),
    "cam_exhaust_b1_actual": ("Exhaust cam retard actual (°CA)", 2, lambda v: -v),
}


def written_by_a_holding_logger(trace: Trace) -> str:
    """The drive as a logger writes it that repeats the last value of everything in every row."""
    names = [n for n in trace.signals if n in WRITTEN]
    rows = [";".join(["Time (ms)", *(WRITTEN[n][0] for n in names)])]
    held: dict[str, float] = {}
    for batch in trace.batches():
        held.update(batch.values)
        cells = []
        for name in names:
            _, decimals, ours = WRITTEN[name]
            cells.append(f"{ours(held[name]):.{decimals}f}".replace(".", ",") if name in held else "---")
        rows.append(f"{batch.time_s * 1000:.0f};" + ";".join(cells))
    return "\n".join(rows) + "\n"


DRIVES = [
    (None, 10.0, 0.0, 101), ("stick_slip", 20.0, 0.03, 101), ("restricted_flow", 30.0, 0.0, 102),
    ("seized", 10.0, 0.03, 103), ("stick_slip", 15.0, 0.0, 106),
]  # fmt: skip


@pytest.mark.parametrize(("condition", "rate_hz", "skew_s", "seed"), DRIVES)
def test_what_is_a_reading_is_found_again_and_the_verdict_is_the_same(condition, rate_hz, skew_s, seed, tmp_path):
    conditions = [] if condition is None else [Condition(condition, 0.8, cams=("intake_b1",))]
    run = simulate_drive(
        draw_setup(seed, conditions),
        draw_drive(seed, 7.0, "hot"),
        Sampling(cam_pair_hz=rate_hz, cam_skew_s=skew_s),
    )
    path = tmp_path / "customer.csv"
    path.write_text(written_by_a_holding_logger(run.trace), encoding="latin-1")
    trace, drive, conversion = read_any(path)
    assert not conversion.doubtful and any("only repeat" in n for n in conversion.notes)
    for name in ("engine_speed", "cam_intake_b1_commanded", "cam_intake_b1_actual", "cam_exhaust_b1_actual"):
        readings, found = run.trace.samples(name)[0], trace.samples(name)[0]
        right = np.isin(np.round(readings * 1000), np.round(found * 1000))
        assert right.mean() > 0.97, name
        assert len(found) == pytest.approx(len(readings), rel=0.02), name
        assert len(trace.time_s) > 1.05 * len(found)
    ours, theirs = analyze(run.trace, run.drive), analyze(trace, drive)
    assert {c: f.verdict.condition for c, f in theirs.cams.items()} == {
        c: f.verdict.condition for c, f in ours.cams.items()
    }


def test_repeats_are_taken_out_of_both_angles_of_a_cam_or_of_neither(tmp_path):
    rng = np.random.default_rng(8)
    n = 2000
    speed = np.round(1500 + rng.normal(0, 30, n))
    actual = np.repeat(np.round(20 + rng.normal(0, 2, n // 2), 2), 2)
    commanded = np.full(n, 20.0)
    commanded[:3] = 0.0
    rows = "".join(
        f"{i * 0.05:.2f},{a},{b},{c}\n" for i, (a, b, c) in enumerate(zip(speed, commanded, actual, strict=True))
    )
    path = tmp_path / "customer.csv"
    path.write_text(
        "Time (s),Engine speed (rpm),Intake cam target (°CA),Intake cam actual (°CA)\n" + rows,
        encoding="utf-8",
    )
    trace = read_any(path)[0]
    assert len(trace.samples("cam_intake_b1_actual")[0]) == len(trace.samples("cam_intake_b1_commanded")[0])
