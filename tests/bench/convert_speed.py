"""How long does a foreign file of 100 MB take to convert, against `pandas.read_csv` of the same file, and how
much memory?

    python -m tests.bench.convert_speed [MEGABYTES]

Four makes of file, each timed in processes of its own (imports aside, best of three, in seconds of processor
time, which other work on the machine does not stretch): a plain one, one with local dates and
decimal commas, one in which a logger repeats values, with a footer and torn lines, and a long one, a row a
reading. pandas is told how each file is written, as it would have to be, and does not turn the long one into
columns, so that its ratio stands apart. The target is a ratio of at most 6 and a peak of at most 500 MB.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

MEGABYTES = 100
MAX_RATIO = 6.0
MAX_PEAK_MB = 500.0
_REPEATS = 3
_SIGNALS = (
    ("Engine speed (rpm)", 1500, 400, 0), ("Vehicle speed (km/h)", 60, 20, 0), ("Calculated load (%)", 40, 15,
    1),
    ("Coolant temp (°C)", 90, 2, 0), ("Oil temp (°C)", 95, 3, 0), ("Manifold pressure (kPa)", 60, 20, 0),
    ("Mass air flow (g/s)", 20, 8, 2), ("Spark advance (deg)", 15, 6, 1), ("Throttle position (%)", 25, 8, 1),
    ("Module voltage (V)", 14, 0.2, 2), ("Intake cam commanded (°CA)", 20, 8, 2), ("Intake cam actual (°CA)",
    20, 8, 2),
    ("Ambient temp (°C)", 18, 1, 0),
)  # fmt: skip


def _values(rows: int, seed: int) -> list[np.ndarray]:
    rng = np.random.default_rng(seed)
    return [np.round(np.abs(rng.normal(mean, spread, rows)), d) for _, mean, spread, d in _SIGNALS]


def _cells(columns: list[np.ndarray]) -> list[list[str]]:
    return [[f"{v:.{d}f}" for v in c.tolist()] for c, (_, _, _, d) in zip(columns, _SIGNALS, strict=True)]


def _stamp(i: int, decimal: str) -> str:
    seconds, ms = divmod(i * 50, 1000)
    clock = f"{seconds // 3600 % 24:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}{decimal}{ms:03d}"
    return f"{25 + seconds // 86400:02d}.11.2024 {clock}"


def make(kind: str, path: Path, size: int) -> dict:
    """Write a file of about `size` bytes; returns what pandas has to be told to read it."""
    names = [name for name, *_ in _SIGNALS]
    rows_at_once, at = 20_000, 0
    cells = _cells(_values(rows_at_once, 1))
    told: dict = {}
    with open(path, "w", encoding="utf-8", newline="") as out:
        if kind == "plain":
            out.write(",".join(["Time (s)", *names]) + "\n")
        elif kind == "local":
            out.write("Log of a drive\n\n" + ";".join(["Date", *names]) + "\n")
            told = {"sep": ";", "decimal": ",", "skiprows": 2}
        elif kind == "held":
            out.write(",".join(["Time (ms)", *names]) + "\n")
            told = {"na_values": ["---"], "on_bad_lines": "skip"}
        else:
            out.write("Time (s),Signal,Value,Unit\n")
        while out.tell() < size:
            lines = []
            for i in range(rows_at_once):
                n = at + i
                row = [c[i] for c in cells]
                if kind == "plain":
                    lines.append(f"{n * 0.05:.2f}," + ",".join(row))
                elif kind == "local":
                    lines.append(_stamp(n, ",") + ";" + ";".join(row).replace(".", ","))
                elif kind == "held":
                    row = [c[(i - j) // len(cells) * len(cells) + j if i >= j else 0] for j, c in enumerate(cells)]
                    if i % 97 == 5:
                        row[3] = "---"
                    lines.append(f"{n * 50}," + ",".join(row))
                    if n % 150_000 == 149_999:
                        lines[-1] = lines[-1][:30]  # a torn line
                else:
                    name, unit = names[i % len(names)][:-1].rsplit(" (", 1)
                    lines.append(f"{n * 0.01:.2f},{name},{row[i % len(names)]},{unit}")
            out.write("\n".join(lines) + "\n")
            at += rows_at_once
        if kind == "held":
            out.write("End of the log\n")
    return told


_PANDAS = """
import json, sys, time, resource
import pandas as pd
told = json.loads(sys.argv[2])
pd.read_csv(sys.argv[1], nrows=10, **told)
start = time.process_time(); frame = pd.read_csv(sys.argv[1], **told); took = time.process_time() - start
print(json.dumps({"took": took, "rows": len(frame), "peak":
resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024}))
"""
_CAMLOG = """
import json, sys, time, resource
import pandas, orjson, pint, camlog.convert
from camlog.units import conversion
conversion("degF", "degC")
start = time.process_time()
found = camlog.convert.convert(sys.argv[1], out=sys.argv[2], force=True)
took = time.process_time() - start
print(json.dumps({"took": took, "rows": found.rows, "doubtful": [c.name for c in found.doubtful],
                  "peak": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024}))
"""


def _best(code: str, *arguments: str) -> dict:
    runs = []
    for _ in range(_REPEATS):
        done = subprocess.run([sys.executable, "-c", code, *arguments], capture_output=True, text=True, check=True)
        runs.append(json.loads(done.stdout.strip().splitlines()[-1]))
    return min(runs, key=lambda r: r["took"]) | {"peak": max(r["peak"] for r in runs)}


def main() -> None:
    size = int(float(sys.argv[1]) * 1e6) if len(sys.argv) > 1 else MEGABYTES * 1_000_000
    ratios, peaks = {}, {}
    with tempfile.TemporaryDirectory() as folder:
        for kind in ("plain", "local", "held", "long"):
            path = Path(folder) / f"{kind}.csv"
            told = make(kind, path, size)
            pandas = _best(_PANDAS, str(path), json.dumps(told))
            camlog = _best(_CAMLOG, str(path), str(Path(folder) / "out.csv"))
            ratios[kind], peaks[kind] = camlog["took"] / pandas["took"], camlog["peak"]
            print(
                f"{kind:6} {path.stat().st_size / 1e6:6.1f} MB: pandas {pandas['rows']} rows, "
                f"{pandas['took']:.2f} s, "
                f"{pandas['peak']:.0f} MB; camlog {camlog['rows']} rows, {camlog['took']:.2f} s, "
                f"{camlog['peak']:.0f} MB, {len(camlog['doubtful'])} in doubt; ratio {ratios[kind]:.2f}"
            )
            path.unlink()
    long = ratios.pop("long")
    print(f"a row a reading, which pandas does not turn into columns: ratio {long:.2f}")
    print(
        f"worst ratio {max(ratios.values()):.2f} (at most {MAX_RATIO:g}), "
        f"worst peak {max(peaks.values()):.0f} MB (at most {MAX_PEAK_MB:g})"
    )


if __name__ == "__main__":
    main()
