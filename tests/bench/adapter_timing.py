"""Does the simulated adapter keep to its timing model? Measured time over predicted, by kind of request.

    python -m tests.bench.adapter_timing [--requests 60]

The adapter runs in a process of its own with the standard car, 115200 baud, 8 ms module latency, 40 ms wait.
"""

from __future__ import annotations

import argparse
import statistics
import subprocess
import sys

from camlog.simulate.adapter import TimingModel
from camlog.simulate.adapter.buses import BUSES
from tests.adapter_car import Client
from tests.adapter_model import request_time_s

BAUD = 115_200
TIMING = TimingModel(baud=BAUD)
REQUESTS = (
    ("one PID, counted", "010C1", True),
    ("one PID, not counted", "010C", False),
    ("six PIDs, counted", "010C0D040B11053", True),
    ("three identifiers, counted", "22F0A2F0A3F0A43", True),
    ("VIN, counted", "09023", True),
)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--requests", type=int, default=60, help="of each kind")
    count = parser.parse_args().requests
    command = [sys.executable, "-m", "camlog", "simulate", "--drive", "hot", "--baud", str(BAUD)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    ratios = []
    try:
        with Client(process.stdout.readline().strip()) as client:
            client.setup("ATH1", "ATSP6")
            client.ask("010C")
            for name, text, counted in REQUESTS:
                seconds, lines = [], []
                for _ in range(count):
                    lines = [f"{line} " for line in client.ask(text)]
                    seconds.append(client.seconds)
                wanted = request_time_s(f"{text}\r".encode(), lines, timing=TIMING, bus=BUSES["6"], counted=counted)
                middle = statistics.median(seconds)
                ratios.append(middle / wanted)
                print(
                    f"{name:28s} model {wanted * 1e3:6.2f} ms  median {middle * 1e3:6.2f} ms  "
                    f"least {min(seconds) * 1e3:6.2f} ms  ratio {ratios[-1]:.3f}"
                )
    finally:
        process.terminate()
        process.wait(timeout=10)
    print(f"measured / model, worst kind: {max(ratios, key=lambda r: abs(r - 1)):.3f}")


if __name__ == "__main__":
    main()
