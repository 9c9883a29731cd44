"""Five viewers on one recording: what they cost the recorder, the server's memory, and a page's frames.

    python -m tests.bench.serve_load [--minutes 10] [--viewers 5] [--alone 60]

A simulated adapter (in a process of its own, fast enough for 40 cam readings a second) is recorded by `camlog serve`, as
a technician would: connect and start in the page. The recording first runs without any page open, then for `--minutes`
with `--viewers` pages in headless Chromium, then without again. The adapter is on the network, as Wi-Fi ones are, and in
real time where that is allowed: it stands for a thing of its own beside the computer. From the trace and its drive file: rows lost (requests
answered that are not in the trace) and the recorder's rate with viewers against without. From the system: memory of the
server's processes (the browser's not counted) over the time with viewers. From each page, over the last half: time
between frames (requestAnimationFrame), and tasks above 50 ms as the browser itself counts them (W3C Long Tasks).
All share the same two cores: browser, server, recorder and simulated car.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import re
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from camlog.drive import drive_path, read_drive
from camlog.simulate.live import simulated_adapter
from camlog.trace import read_trace
from tests.bench.capture_rate import Served
from tests.browser_help import DESK, PHONE, browser

TARGET_RATE = 0.97
TARGET_FRAME_MS = 50.0
TARGET_GROWTH = 1.05
ADAPTER_PRIORITY = 10
BAUD = 500_000
LATENCY_S = 0.008
SETTLE_S = 10.0

WATCH = """() => {
  window.frames_ms = []; window.tasks_ms = [];
  new PerformanceObserver(l => l.getEntries().forEach(e => tasks_ms.push(e.duration))).observe({type: 'longtask'});
  let last = performance.now();
  const note = now => { frames_ms.push(now - last); last = now; requestAnimationFrame(note); };
  requestAnimationFrame(note);
}"""


def serve_adapter(profile: str, adapter: str, tell) -> None:
    # What the computer does may not slow a thing beside it.
    with contextlib.suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(ADAPTER_PRIORITY))
    made = simulated_adapter(
        vehicle=profile, adapter=adapter, drive="mixed", baud=BAUD, latency_s=LATENCY_S, wait_s=0.02
    )
    with made.adapter as served:
        tell.send(served.start_tcp())
        tell.recv()  # until the benchmark has finished


def started_server(folder: Path, port: str) -> tuple[subprocess.Popen, str]:
    server = subprocess.Popen(
        [sys.executable, "-m", "camlog", "serve", str(folder), "--adapter", port, "--vehicle", "demo"],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip
    said = ""
    while line := server.stdout.readline():
        said += line
        if found := re.search(r"http://[\w.:\[\]]+", line):
            return server, found[0]
    raise SystemExit(f"the server did not start:\n{said}")


def family(pid: int) -> list[int]:
    """A process and all below it."""
    below = []
    with contextlib.suppress(OSError):  # one that has just ended
        for thread in Path(f"/proc/{pid}/task").iterdir():  # a child belongs to the thread that began it
            below += (thread / "children").read_text().split()
    return [pid, *(p for child in below for p in family(int(child)))]


def memory_mb(pid: int) -> float:
    """Memory of a server's processes together (proportional set size), MB."""
    total = 0
    for one in family(pid):
        try:
            total += int(re.search(r"^Pss:\s+(\d+)", Path(f"/proc/{one}/smaps_rollup").read_text(), re.M)[1])
        except (OSError, TypeError):
            continue  # it has just ended
    return total / 1024


def scheduling(pid: int) -> str:
    """How the recorder is scheduled: it asks for real time, which needs the rights for it."""
    found = []
    for one in family(pid):
        with contextlib.suppress(OSError):
            found.append(os.sched_getscheduler(one))
    return "in real time" if os.SCHED_RR in found else "like any other process"


def rate_hz(times: np.ndarray, first_s: float, last_s: float) -> float:
    return float(np.sum((times >= first_s) & (times < last_s))) / (last_s - first_s)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--viewers", type=int, default=5)
    parser.add_argument("--alone", type=float, default=60.0, help="seconds without viewers, before and after")
    given = parser.parse_args()
    with (
        tempfile.TemporaryDirectory() as folder,
        Served("demo", "standard", serve_adapter) as port,
        browser() as running,
    ):
        server, url = started_server(Path(folder), port)
        page = running.new_context(viewport=DESK).new_page()
        page.goto(url)
        page.click("#connect")
        page.click("#start", timeout=60_000)
        page.wait_for_selector("#driving:not([hidden])")
        began = time.monotonic()
        page.close()
        time.sleep(SETTLE_S + given.alone)
        marks = [time.monotonic() - began]
        scheduled = scheduling(server.pid)
        pages = []
        for i in range(given.viewers):
            viewer = running.new_context(viewport=PHONE if i % 2 else DESK).new_page()
            viewer.goto(url)
            viewer.wait_for_selector(".cam-strip path.actual", state="attached")
            pages.append(viewer)
        time.sleep(SETTLE_S)
        marks.append(time.monotonic() - began)
        memory = []
        half = 30.0 * given.minutes
        for part in range(2):
            if part == 1:
                for viewer in pages:
                    viewer.evaluate(WATCH)
            until = time.monotonic() + half
            while time.monotonic() < until:
                memory.append(memory_mb(server.pid))
                time.sleep(5.0)
        marks.append(time.monotonic() - began)
        seen = [viewer.evaluate("() => ({frames: frames_ms, tasks: tasks_ms})") for viewer in pages]
        for viewer in pages:
            viewer.context.close()
        time.sleep(SETTLE_S)
        marks.append(time.monotonic() - began)
        time.sleep(given.alone)
        marks.append(time.monotonic() - began)
        server.send_signal(signal.SIGINT)
        server.wait(timeout=60)
        (trace_file,) = Path(folder).glob("drive-*.csv")
        trace, drive = read_trace(trace_file), read_drive(drive_path(trace_file))
    times = trace.samples("cam_intake_b1_actual")[0]
    alone = np.mean([rate_hz(times, SETTLE_S, marks[0]), rate_hz(times, marks[3], marks[4])])
    watched = rate_hz(times, marks[1], marks[2])
    # The request under way when the recording is ended is let go; every other one that was answered is a row.
    answered = drive.adapter["requests"] - sum(drive.adapter["errors"].values()) - 1
    lost = answered - len(trace.time_s)
    quarter = len(memory) // 4
    growth = float(np.median(memory[-quarter:]) / np.median(memory[quarter : 2 * quarter]))
    frames = np.concatenate([s["frames"] for s in seen])
    print(
        f"{len(trace.time_s)} rows in {trace.duration_s:.0f} s; requests answered {answered}; errors {drive.adapter['errors']}"
    )
    print(f"rows lost: {lost} (target 0)")
    print(f"recorder scheduled {scheduled}")
    print(f"cam readings a second: {alone:.1f} without viewers, {watched:.1f} with {given.viewers}")
    print(f"memory of the server's processes: {memory[0]:.0f} MB at first, {memory[-1]:.0f} MB at last; last quarter against "
          f"second {growth:.3f} (target {TARGET_GROWTH})")  # fmt: skip
    for number, s in enumerate(seen, start=1):
        one = np.asarray(s["frames"])
        print(f"page {number}: {len(one)} frames, median {np.median(one):.0f}, 99 % {np.quantile(one, 0.99):.0f}, longest "
              f"{one.max():.0f} ms; above 50 ms {np.mean(one > TARGET_FRAME_MS):.3%}; long tasks {len(s['tasks'])}")  # fmt: skip
    print(f"frames above {TARGET_FRAME_MS:.0f} ms: {np.mean(frames > TARGET_FRAME_MS):.3%} of {len(frames)}, 99.9 % within "
          f"{np.quantile(frames, 0.999):.0f} ms; cores {os.cpu_count()}")  # fmt: skip
    print(f"ratio: {watched / alone:.3f} of the rate without viewers (target {TARGET_RATE})")


if __name__ == "__main__":
    main()
