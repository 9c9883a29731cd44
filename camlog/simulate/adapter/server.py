"""The complete simulated adapter: a car behind it, ports in front, running until it is stopped."""

from __future__ import annotations

import json
import signal
import tempfile
import threading
import time
from collections.abc import Callable, Iterable
from pathlib import Path

from camlog.profile import VehicleProfile
from camlog.simulate import say
from camlog.simulate.adapter.elm import Interpreter
from camlog.simulate.adapter.faults import Fault, FaultSchedule, Injection
from camlog.simulate.adapter.modules import VehicleSide
from camlog.simulate.adapter.session import Session
from camlog.simulate.adapter.settings import AdapterTraits
from camlog.simulate.adapter.timing import TimingModel
from camlog.simulate.adapter.transport import Port, PtyPort, TcpPort
from camlog.simulate.car import Car

_LOOK_S = 0.2


class SimulatedAdapter:
    """An ELM-style adapter with a vehicle behind it, for any OBD client.

    `profile` has the identifiers of the vehicle's signals (service 22, 21 or 01). `clock` counts seconds; vehicle time
    is `time_scale` times the clock time since the adapter was started. Fault times are clock seconds since then. Use it
    as a context manager or call `stop`; several ports may be open at once and share the vehicle.

    Raises InputError for a profile with a request header that no simulated module listens to.
    """

    def __init__(
        self,
        car: Car,
        profile: VehicleProfile | None = None,
        *,
        traits: AdapterTraits = AdapterTraits(),
        timing: TimingModel = TimingModel(),
        faults: Iterable[Fault] = (),
        seed: int = 0,
        clock: Callable[[], float] = time.perf_counter,
        time_scale: float = 1.0,
    ):
        self.traits = traits
        self.timing = timing
        self._faults = FaultSchedule(tuple(faults), seed)
        self._clock = clock
        self._time_scale = time_scale
        self._origin_s: float | None = None
        self._vehicle = VehicleSide(car, profile, traits, self._faults, self.vehicle_time)
        self._serving: list[tuple[Session, threading.Thread]] = []
        self._folder: tempfile.TemporaryDirectory | None = None

    def vehicle_time(self, adapter_s: float) -> float:
        return self._time_scale * adapter_s

    @property
    def elapsed_s(self) -> float:
        return 0.0 if self._origin_s is None else self._clock() - self._origin_s

    @property
    def fault_log(self) -> tuple[Injection, ...]:
        return tuple(self._faults.log)

    def start_pty(self, link: str | Path | None = None) -> str:
        """Open a pseudo-terminal; returns the path to connect to, which is `link` if given. If faults unplug the port
        and no link is given, one is created in a temporary folder, because the terminal's own name changes. Raises
        InputError if that fails."""
        if link is None and any(f.kind == "unplugged" for f in self._faults.faults):
            self._folder = self._folder or tempfile.TemporaryDirectory(prefix="camlog-adapter-")
            link = Path(self._folder.name) / "port"
        return self.start(PtyPort(link))

    def start_tcp(self, host: str = "127.0.0.1", port: int = 0) -> str:
        """Listen on a TCP port (0: any free one); returns the address to connect to, `socket://HOST:PORT`. Raises
        InputError if that fails."""
        return self.start(TcpPort(host, port))

    def start(self, port: Port) -> str:
        """Open a port and serve it; returns the address to connect to. Raises InputError if that fails."""
        port.open()
        if self._origin_s is None:
            self._origin_s = self._clock()
        session = Session(port, self._interpreter, self._clock, self._origin_s)
        thread = threading.Thread(target=session.run, name="simulated-adapter", daemon=True)
        self._serving.append((session, thread))
        thread.start()
        return port.address

    def _interpreter(self) -> Interpreter:
        return Interpreter(self._vehicle, self.traits, self.timing, self._faults)

    def stop(self) -> None:
        for session, _ in self._serving:
            session.stopping = True
        for _, thread in self._serving:
            thread.join(timeout=5.0)
        self._serving.clear()
        if self._folder is not None:
            self._folder.cleanup()
            self._folder = None

    def __enter__(self) -> SimulatedAdapter:
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()


def parse_host_port(text: str) -> tuple[str, int]:
    """`HOST:PORT` or just `PORT`. Raises InputError for anything else."""
    host, _, port = text.rpartition(":")
    if port.isascii() and port.isdigit() and int(port) <= 65535:
        return host.removeprefix("socket://").strip("[]") or "127.0.0.1", int(port)
    raise say.error("host_port", text=text)


def serve(
    adapter: SimulatedAdapter,
    *,
    link: str | Path | None = None,
    tcp: str | None = None,
    pty: bool = False,
    announce: Callable[[str], object] = print,
    ended: Callable[[], bool] = lambda: False,
    fault_log: Path | None = None,
) -> None:
    """Open the port, announce its address, and serve until Ctrl-C, the window's closing, a termination signal
    or `ended()`.

    The port is on the network of this computer, at `tcp` (HOST:PORT) or any free port; with `pty` or `link` it is a
    pseudo-terminal. `fault_log` gets one JSON object a line for each fault that occurred. Raises InputError if the port
    cannot be opened or the log cannot be written."""
    written = 0

    def write_log() -> None:
        nonlocal written
        if fault_log is not None:
            met = adapter.fault_log[written:]
            _append(fault_log, met)
            written += len(met)

    write_log()
    stop = threading.Event()
    before = {}
    if threading.current_thread() is threading.main_thread():
        for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK"):
            if number := getattr(signal, name, None):
                before[number] = signal.signal(number, lambda *_: stop.set())
    try:
        with adapter:
            if pty or link is not None:
                announce(adapter.start_pty(link))
            else:
                announce(adapter.start_tcp(*parse_host_port(tcp or "0")))
            while not stop.is_set() and not ended():
                stop.wait(_LOOK_S)
                write_log()
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _append(path: Path, met: Iterable[Injection]) -> None:
    entries = [{"time_s": round(m.time_s, 4), "kind": m.kind, "on": m.detail} for m in met]
    try:
        with open(path, "a", encoding="utf-8") as out:
            out.writelines(json.dumps(entry) + "\n" for entry in entries)
    except OSError as error:
        raise say.error("log", path, why=error.strerror) from error
