"""Does a long recording grow? Eight hours of driving in a few minutes, by a clock that runs fast on both sides.

    python -m tests.bench.capture_memory [--hours 8] [--minutes 6]

The recorder is all of `camlog record` but the screen's own terminal: python-obd on a pseudo-terminal, probing, polling,
trace and drive file, the state a view keeps. The adapter, in a process of its own, answers without any wait.
The recorder's clock and the vehicle's run so fast that `--hours` pass in `--minutes`; rows come as fast as the machine
can, which is more than a link gives in all those hours. Once in a quarter of an hour of the drive a fault strikes (cable
out, no data, garbage, reset), so that reconnecting and events are part of it. Measured is the process's resident memory.
"""

from __future__ import annotations

import argparse
import gc
import multiprocessing
import os
import statistics
import tempfile
import threading
import time
from pathlib import Path

from camlog.capture import polling
from camlog.capture.live import LiveSource
from camlog.capture.record import record
from camlog.drive import read_drive
from camlog.profile import read_profile
from camlog.simulate.adapter import Fault, SimulatedAdapter
from camlog.sinks.state import DriveState
from camlog.stream import StreamItem
from tests.adapter_car import INSTANT, StandingCar

HOUR_S = 3600.0
FAULT_EVERY_S = 900.0  # of the drive
SAMPLES = 200
ALLOWED_MIB = 4.0


def serve(port: str, wall_s: float, scale: float, tell) -> None:
    moving = {
        "engine_speed": lambda t: 800.0 + 0.25 * (int(20 * t) % 8000),
        "cam_intake_b1_actual": lambda t: (int(50 * t) % 4000) / 100.0,
        "misfire_cyl1": lambda t: float(int(t) % 65535),
    }
    every_s = FAULT_EVERY_S / scale
    faults = [
        Fault(("unplugged", "no_data", "garbage", "reset")[n % 4], 10.0 + every_s * (n + 0.5), 0.2)
        for n in range(int(wall_s / every_s))
    ]
    with SimulatedAdapter(
        StandingCar(moving=moving), read_profile("demo"), timing=INSTANT, faults=faults, time_scale=scale
    ) as adapter:
        tell.send(adapter.start_pty(port))
        tell.recv()


def resident_mib() -> float:
    """Resident memory of this process."""
    with open("/proc/self/statm", encoding="ascii") as file:
        return int(file.read().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 2**20


class View:
    """What a terminal view keeps of a drive."""

    essential = False

    def __init__(self):
        self.state, self.rows, self.events = DriveState(), 0, 0

    def accept(self, item: StreamItem) -> None:
        self.state.accept(item)
        self.rows += hasattr(item, "values")
        self.events += hasattr(item, "kind")

    def close(self) -> None:
        pass


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--hours", type=float, default=8.0)
    parser.add_argument("--minutes", type=float, default=6.0)
    options = parser.parse_args()
    wall_s = 60.0 * options.minutes
    scale = options.hours * HOUR_S / wall_s
    # Waits of the recorder's own are in seconds of its clock, too.
    polling.SILENCE_S *= scale
    polling.LATE_S *= scale
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        process = context.Process(target=serve, args=(str(folder / "port"), wall_s + 60, scale, theirs), daemon=True)
        process.start()
        began = time.monotonic()
        source = LiveSource(ours.recv(), read_profile("demo"), clock=lambda: began + scale * (time.monotonic() - began))
        view, memory, done = View(), [], threading.Event()

        def watch() -> None:
            while not done.wait(wall_s / SAMPLES):
                gc.collect()
                memory.append(resident_mib())

        threading.Thread(target=watch, daemon=True).start()
        recording = record(source, folder / "drive.csv", views=[view], minutes=60.0 * options.hours, force=True)
        done.set()
        ours.send(None)
        process.join(timeout=10)
        size = recording.trace.stat().st_size / 2**20
        snapshots = len(read_drive(recording.drive).code_snapshots)
    tenth = len(memory) // 10
    first, last = statistics.median(memory[:tenth]), statistics.median(memory[-tenth:])
    print(
        f"{options.hours:g} h of driving in {options.minutes:g} min: {recording.rows} rows ({size:.0f} MiB, "
        f"{recording.rows / (options.hours * HOUR_S):.0f} a second of the drive), {view.events} events, "
        f"{snapshots} code snapshots, problems {recording.errors}"
    )
    print(f"resident memory: first tenth {first:.1f} MiB, last tenth {last:.1f} MiB, most {max(memory):.1f} MiB")
    print(f"growth {last - first:+.2f} MiB (allowed {ALLOWED_MIB:g})")
    return int(last - first > ALLOWED_MIB)


if __name__ == "__main__":
    raise SystemExit(main())
