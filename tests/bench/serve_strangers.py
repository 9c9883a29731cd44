"""A stranger's slow connections and wrong codes while a phone watches a recording: rows lost, and time to pair.

    python -m tests.bench.serve_strangers [--seconds 60] [--connections 240] [--guessers 8]

A simulated adapter is recorded by the page's server, as in `serve_load`. Strangers hold `--connections` half-sent
requests, open them again when they are closed, and send wrong codes as fast as `--guessers` connections go; a paired
phone asks for what is new each half second. All the while another phone is paired every few seconds. Printed: rows lost
(requests answered that are not in the trace), the longest time to pair, the phone's longest wait for an answer.

Each device is an address of 127.0.0.0/8 (RFC 1122, 3.2.1.3: all are this computer), of which only 127.0.0.1 counts as
"this computer" here. Strangers, phones, server, recorder and simulated car share the same cores.
"""

from __future__ import annotations

import argparse
import http.client
import socket
import statistics
import sys
import tempfile
import threading
import time
from contextlib import ExitStack, suppress
from pathlib import Path

from camlog.drive import drive_path, read_drive
from camlog.serve import guard, listening
from camlog.serve.server import RunningServer
from camlog.trace import read_trace
from tests.bench.capture_rate import Served
from tests.bench.serve_load import serve_adapter

TARGET_PAIR_S = 10.0
PAIR_EACH_S = 5.0
LOOK_EACH_S = 0.5
WATCHING, PAIRING, GUESSING = "127.0.7.7", "127.0.7.8", "127.0.2.1"


def ask(
    port: int, source: str, method: str, path: str, body: str | None = None, cookie: str = ""
) -> http.client.HTTPResponse:
    """An answer to a device of this address, over a connection of its own."""
    line = http.client.HTTPConnection("127.0.0.1", port, timeout=30, source_address=(source, 0))
    try:
        headers = {"Origin": f"http://127.0.0.1:{port}", "Cookie": cookie}
        if body is not None:
            headers["Content-Type"] = "application/x-www-form-urlencoded"
        line.request(method, path, body, headers)
        answer = line.getresponse()
        answer.read()
        return answer
    finally:
        line.close()


def pair(port: int, code: str, source: str) -> str:
    """Pair a device; gives its cookie. Raises SystemExit where it was not let in."""
    answer = ask(port, source, "POST", "/pair", f"code={code.replace(' ', '+')}")
    if answer.status != 303:
        raise SystemExit(f"the phone was not paired: {answer.status}")
    return answer.getheader("Set-Cookie").split(";")[0]


class Strangers:
    """Devices that mean no good, in threads, until the `with` block ends."""

    def __init__(self, port: int, connections: int, guessers: int):
        self.port, self.opened, self.guesses = port, 0, 0
        self._end = threading.Event()
        self._threads = [threading.Thread(target=self._hold, args=(connections,))]
        self._threads += [threading.Thread(target=self._guess) for _ in range(guessers)]

    def __enter__(self) -> Strangers:
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._end.set()
        for thread in self._threads:
            thread.join()

    def _hold(self, connections: int) -> None:
        head = f"POST /pair HTTP/1.1\r\nHost: 127.0.0.1:{self.port}\r\nOrigin: http://127.0.0.1:{self.port}\r\n"
        halves = [b"", b"GET / HT", head.encode(), f"{head}Content-Length: 900\r\n\r\ncode=".encode()]
        held: dict[int, socket.socket] = {}
        while not self._end.is_set():
            for n in range(connections):
                line = held.get(n)
                try:
                    if line is None:
                        source = (f"127.0.1.{n % 250 + 1}", 0)
                        held[n] = socket.create_connection(("127.0.0.1", self.port), timeout=5, source_address=source)
                        self.opened += 1
                        held[n].sendall(halves[n % len(halves)])
                    elif n % len(halves):
                        line.sendall(b"x")  # a byte now and then
                except OSError:
                    if gone := held.pop(n, None):
                        gone.close()
            self._end.wait(0.2)
        for line in held.values():
            line.close()

    def _guess(self) -> None:
        while not self._end.is_set():
            with suppress(OSError, http.client.HTTPException):
                ask(self.port, GUESSING, "POST", "/pair", "code=00000000")
                self.guesses += 1


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--connections", type=int, default=240)
    parser.add_argument("--guessers", type=int, default=8)
    given = parser.parse_args()
    for module in (guard, listening):
        module.is_loopback = lambda peer: peer == "127.0.0.1"
    pairing_s: list[float] = []
    looking_s: list[float] = []
    with ExitStack() as ending:
        folder = ending.enter_context(tempfile.TemporaryDirectory())
        port = ending.enter_context(Served("demo", "standard", serve_adapter))
        with RunningServer(folder, host="0.0.0.0", adapter=port, vehicle="demo") as running:
            recorder, pairing = running.desk.recorder, running.pairing
            recorder.connect(port, "demo")
            _until(lambda: recorder.status().state == "connected", 60.0)
            recorder.start("")
            _until(lambda: recorder.status().rows > 20, 60.0)
            cookie = pair(running.port, pairing.code, WATCHING)
            with Strangers(running.port, given.connections, given.guessers) as strangers:
                began = time.monotonic()
                next_pairing = began + PAIR_EACH_S
                while time.monotonic() - began < given.seconds:
                    looked = time.monotonic()
                    if ask(running.port, WATCHING, "GET", "/live", cookie=cookie).status != 200:
                        raise SystemExit("the paired phone was refused")
                    looking_s.append(time.monotonic() - looked)
                    if time.monotonic() >= next_pairing:
                        began_pairing = time.monotonic()
                        pair(running.port, pairing.code, PAIRING)
                        pairing_s.append(time.monotonic() - began_pairing)
                        next_pairing += PAIR_EACH_S
                    time.sleep(LOOK_EACH_S)
            recorder.stop()
            _until(lambda: recorder.status().state == "finished", 60.0)
        (trace_file,) = Path(folder).glob("drive-*.csv")
        trace, drive = read_trace(trace_file), read_drive(drive_path(trace_file))
    # The request under way when the recording is ended is let go; every other one that was answered is a row.
    answered = drive.adapter["requests"] - sum(drive.adapter["errors"].values()) - 1
    lost = answered - len(trace.time_s)
    print(
        f"{len(trace.time_s)} rows in {trace.duration_s:.0f} s; requests answered {answered}; errors {drive.adapter['errors']}"
    )
    print(f"strangers: {strangers.opened} connections opened, {strangers.guesses} wrong codes answered")
    print(f"the phone's wait for an answer: median {statistics.median(looking_s):.2f}, longest {max(looking_s):.2f} s")
    print(f"rows lost: {lost} (target 0)")
    print(f"longest time to pair: {max(pairing_s):.2f} s of {len(pairing_s)} (target {TARGET_PAIR_S:.0f} s)")
    return int(lost != 0 or max(pairing_s) > TARGET_PAIR_S)


def _until(reached, within_s: float) -> None:
    ended = time.monotonic() + within_s
    while not reached():
        if time.monotonic() > ended:
            raise SystemExit("the recording did not get there")
        time.sleep(0.1)


if __name__ == "__main__":
    sys.exit(main())
