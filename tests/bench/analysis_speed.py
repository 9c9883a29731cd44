"""Time and memory from file to findings, against `pandas.read_csv` of the same file.

    python -m tests.bench.analysis_speed [--hours 8]

One hour at 30 Hz, two cams, 14 signals (about 110,000 rows), then the longer drive. Imports aside; medians of
interleaved runs. Memory is the peak above the bare imports, in a process of its own, for both drives.
"""

from __future__ import annotations

import argparse
import json
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from camlog.simulate.offline import Sampling, simulate_drive
from camlog.simulate.vehicle.draw import draw_setup
from camlog.simulate.vehicle.drive_cycle import draw_drive
from camlog.trace import Trace, write_trace
from tests import compiled

SIGNALS = (
    "engine_speed", "vehicle_speed", "engine_load", "coolant_temp", "oil_temp", "manifold_pressure",
    "mass_air_flow", "spark_advance", "throttle_position", "module_voltage", "cam_intake_b1_commanded",
    "cam_intake_b1_actual", "cam_exhaust_b1_commanded", "cam_exhaust_b1_actual",
)  # fmt: skip
compiled.use()
RUNS = 7
LONG_RUNS = 3
STARTS = 15
MOST_RATIO, MOST_GROWTH, MOST_MEMORY = 20.0, 8.5, 8.0

# Run in a process of its own: peak memory after the imports, after reading by pandas, or after the analysis.
MEASURE = """
import json, sys
import pandas as pd
from camlog.analysis import analyze
from camlog.trace import read_trace
peak = lambda: int(next(l for l in open("/proc/self/status") if l.startswith("VmHWM")).split()[1]) / 1024
before = peak()
findings = analyze(read_trace(sys.argv[1]))
used = peak() - before
table = pd.read_csv(sys.argv[1]).memory_usage(deep=True).sum() / 2**20
print(json.dumps({"used_mib": used, "table_mib": table}))
"""


def make(folder: Path, minutes: float) -> Path:
    drive = simulate_drive(draw_setup(5), draw_drive(5, minutes, "cold"), Sampling(cam_pair_hz=30.0))
    whole = drive.trace
    trace = Trace(whole.time_s, {s: whole.columns[s] for s in SIGNALS}, whole.units, whole.name)
    path = folder / f"{minutes:g}.csv"
    write_trace(trace, path)
    return path


def timed(run) -> float:
    started = time.perf_counter()
    run()
    return time.perf_counter() - started


def started(command: list[str]) -> float:
    return timed(lambda: subprocess.run(command, check=True, capture_output=True))


def memory(path: Path) -> float:
    """Peak above the bare imports over the size of the parsed table; prints both."""
    done = subprocess.run([sys.executable, "-c", MEASURE, str(path)], check=True, capture_output=True)
    found = json.loads(done.stdout)
    share = found["used_mib"] / found["table_mib"]
    print(
        f"memory above imports {found['used_mib']:.0f} MiB, {share:.1f} times the parsed table's "
        f"{found['table_mib']:.0f} MiB (target {MOST_MEMORY:g})"
    )
    return share


def main() -> None:
    import pandas as pd

    from camlog.analysis import analyze
    from camlog.trace import read_trace

    def findings(path: Path) -> float:
        return timed(lambda: analyze(read_trace(path)).to_json())

    parser = argparse.ArgumentParser()
    parser.add_argument("--hours", type=float, default=8.0)
    hours = parser.parse_args().hours
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        one = make(folder, 60.0)
        findings(one)
        read, done = [], []
        for _ in range(RUNS):
            read.append(timed(lambda: pd.read_csv(one)))
            done.append(findings(one))
        ratio = statistics.median(d / r for d, r in zip(done, read, strict=True))
        rows = len(pd.read_csv(one))
        print(
            f"one hour, {rows} rows: findings take {ratio:.1f} times pandas.read_csv (target {MOST_RATIO:g}); "
            f"medians {statistics.median(done):.2f} s and {statistics.median(read):.3f} s"
        )
        share = memory(one)
        long = make(folder, 60.0 * hours)
        growth = statistics.median(findings(long) / findings(one) for _ in range(LONG_RUNS))
        print(f"{hours:g} hours take {growth:.2f} times one hour (target {MOST_GROWTH:g} for eight)")
        share = max(share, memory(long))
        helped, bare = [sys.executable, "-m", "camlog", "--help"], [sys.executable, "-c", "import typer"]
        start = statistics.median(started(helped) / started(bare) for _ in range(STARTS))
        print(f"camlog --help takes {start:.2f} times `import typer` (target 2)")
        print(f"ratio {ratio:.1f}, growth {growth:.2f}, memory {share:.1f}, start {start:.2f}")


if __name__ == "__main__":
    main()
