"""Reports of long drives: size, time to write against time to analyze, time to the first chart in a browser.

    python -m tests.bench.report_size [--quick]

Drives of 10 minutes, 1 hour and 8 hours: the simulated car at 30 cam pairs a second, 14 signals, one drive repeated.
`--quick` leaves out the analysis of the long drive: sizes and times of drawing only rest on the charts' data.
Targets: written in at most twice the analysis time (1 hour); at most 6 MB; first chart of 8 hours in at most 1.5
times that of 10 minutes.
"""

from __future__ import annotations

import dataclasses
import statistics
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from camlog.analysis import analyze
from camlog.profile import read_profile
from camlog.report import write_report
from camlog.simulate.offline import Sampling, simulate_drive
from camlog.simulate.vehicle.conditions import Condition
from camlog.simulate.vehicle.draw import demo_setup
from camlog.simulate.vehicle.drive_cycle import draw_drive
from camlog.trace import Trace
from tests import compiled
from tests.browser_help import Look, browser

compiled.use()
SIZE_LIMIT = 6_000_000
HOURS = (1.0 / 6.0, 1.0, 8.0)
LOOKS = 5


def repeated(one: Trace, hours: float) -> Trace:
    """`one` over and over until it lasts that long."""
    times = max(1, round(hours * 3600.0 / one.duration_s))
    step = one.duration_s + 0.05
    time_s = np.concatenate([one.time_s + i * step for i in range(times)])
    return dataclasses.replace(one, time_s=time_s, columns={n: np.tile(v, times) for n, v in one.columns.items()})


def first_chart_s(path: Path) -> float:
    """Median time from opening the file to the first chart drawn."""
    with browser() as running:
        found = []
        for _ in range(LOOKS):
            with Look(running, path) as look:
                found.append(float(look.page.evaluate("document.documentElement.dataset.first")) / 1000.0)
    return statistics.median(found)


def main() -> None:
    setup = demo_setup(Condition("stick_slip", 0.9, cams=("intake_b1",)))
    drive = simulate_drive(setup, draw_drive(3, 10.0, "cold", "mixed"), Sampling(with_duty=False))
    profile = read_profile("demo")
    hours = HOURS[:2] if "--quick" in sys.argv else HOURS
    written, sizes, analysis = {}, {}, {}
    with tempfile.TemporaryDirectory() as folder:
        paths = {}
        for h in hours:
            trace = repeated(drive.trace, h)
            started = time.perf_counter()
            findings = analyze(trace, drive.drive, profile)
            analysis[h] = time.perf_counter() - started
            paths[h] = Path(folder) / f"{h:.1f}.html"
            started = time.perf_counter()
            write_report(findings, paths[h])
            written[h] = time.perf_counter() - started
            sizes[h] = paths[h].stat().st_size
            print(f"{trace.duration_s / 3600:.2f} h, {len(trace.time_s):,} rows: analyzed in {analysis[h]:.1f} s, report written in "
                  f"{written[h]:.2f} s, {sizes[h] / 1e6:.2f} MB", flush=True)  # fmt: skip
        shown = {h: first_chart_s(paths[h]) for h in hours}
    for h, seconds in shown.items():
        print(f"{h:.2f} h: first chart after {seconds:.2f} s")
    last = hours[-1]
    print(f"report of one hour: {written[1.0] / analysis[1.0]:.2f} times the analysis (at most 2)")
    print(f"largest report: {max(sizes.values()) / 1e6:.2f} MB (at most {SIZE_LIMIT / 1e6:.0f})")
    print(f"first chart, {last:g} h against 10 min: ratio {shown[last] / shown[hours[0]]:.2f} (at most 1.5)")


if __name__ == "__main__":
    main()
