"""Screening with two workers against one `camlog analyze` a file: `python -m tests.bench.screen_speed [--files N] [--minutes M]`.

Recordings are a sample's rows, one after the other until they are long enough, each file another. Printed: how long each way
took, the ratio (target 1.8 or more), and the memory of all processes of the screening, in its second quarter against its last.
`--files 1000 --minutes 60` is a shop's archive (hours); of the one by one way only a share is run then, `--alone N`.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from camlog.places import sample_logs_folder
from camlog.trace import read_trace

TARGET, MOST_GROWTH = 1.8, 1.1
SAMPLES = ("healthy", "sticking", "slow-cold", "stuck")
LOOK_S = 0.25


def make(folder: Path, files: int, minutes: float) -> list[Path]:
    """So many recordings, each of its own content."""
    made = []
    for number in range(files):
        name = SAMPLES[number % len(SAMPLES)]
        lines = (sample_logs_folder() / f"{name}.csv").read_text(encoding="utf-8").splitlines()
        trace = read_trace(sample_logs_folder() / f"{name}.csv")
        times = max(round(60.0 * minutes / trace.duration_s), 1)
        path = folder / f"{number:05d}-{name}.csv"
        with open(path, "w", encoding="utf-8") as out:
            print(lines[0], file=out)
            for turn in range(times):
                for line in lines[1:]:
                    at, _, rest = line.partition(",")
                    print(f"{float(at) + turn * (trace.duration_s + 0.1) + number * 1e-3:.3f},{rest}", file=out)
        made.append(path)
    return made


def memory_mib(process: int) -> float:
    """Memory of a process and all that it started, each shared page counted in one of them only."""
    found, waiting = 0.0, [process]
    while waiting:
        one = waiting.pop()
        try:
            waiting += [int(p) for p in Path(f"/proc/{one}/task/{one}/children").read_text().split()]
            found += next(
                int(li.split()[1])
                for li in Path(f"/proc/{one}/smaps_rollup").read_text().splitlines()
                if li.startswith("Pss:")
            )
        except (OSError, StopIteration):
            continue  # ended meanwhile
    return found / 1024


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--files", type=int, default=40, help="recordings (default 40)")
    parser.add_argument("--minutes", type=float, default=10.0, help="length of each (default 10)")
    parser.add_argument("--alone", type=int, default=8, help="of them examined by one `analyze` each (default 8)")
    options = parser.parse_args()
    camlog = (sys.executable, "-m", "camlog")
    with tempfile.TemporaryDirectory() as place:
        folder, out = Path(place) / "drives", Path(place) / "out"
        folder.mkdir()
        paths = make(folder, options.files, options.minutes)
        began = time.monotonic()
        for path in paths[:: max(len(paths) // options.alone, 1)][: options.alone]:
            subprocess.run([*camlog, "analyze", str(path), "--json"], check=True, capture_output=True)
        alone = (time.monotonic() - began) / min(options.alone, len(paths))
        began, memory = time.monotonic(), []
        running = subprocess.Popen([*camlog, "screen", str(folder), "--out", str(out), "--jobs", "2"], stdout=subprocess.DEVNULL,
                                   env=os.environ | {"OMP_NUM_THREADS": "1"})  # fmt: skip
        while running.poll() is None:
            memory.append(memory_mib(running.pid))
            time.sleep(LOOK_S)
        together = (time.monotonic() - began) / len(paths)
        lines = (out / "screen.jsonl").read_text().count('"path"')
    quarter = len(memory) // 4
    early, late = max(memory[quarter : 2 * quarter]), max(memory[3 * quarter : -4] or memory)
    print(
        f"{len(paths)} recordings of {options.minutes:g} min, {lines} rows: {alone:.2f} s a file one by one, {together:.2f} s screened"
    )
    print(f"memory of all processes: {early:.0f} MiB at most in the second quarter, {late:.0f} MiB in the last, ratio {late / early:.2f}"
          f" (target {MOST_GROWTH})")  # fmt: skip
    print(f"screening with two workers against one analyze a file: ratio {alone / together:.2f} (target {TARGET})")


if __name__ == "__main__":
    main()
