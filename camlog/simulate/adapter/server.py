"""The simulated adapter as a whole: a car behind it, plugs in front, running until it is stopped."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from threading import Thread

from camlog.profile import VehicleProfile
from camlog.simulate.adapter.elm import Interpreter
from camlog.simulate.adapter.faults import Fault, FaultSchedule, Injection
from camlog.simulate.adapter.session import Session
from camlog.simulate.adapter.timing import TimingModel
from camlog.simulate.adapter.traits import AdapterTraits
from camlog.simulate.adapter.transport import Port, PtyPort, TcpPort
from camlog.simulate.adapter.vehicle_side import VehicleSide
from camlog.simulate.car import Car


class SimulatedAdapter:
    """An ELM-style adapter with a vehicle behind it, for any OBD client.

    `profile` says with which identifiers the vehicle's signals are asked for (service 22, 21 or 01).
    `clock` counts seconds; vehicle time is `start_time_s` plus `time_scale` times what has passed on it
    since the adapter was started. Fault times are clock seconds since then. Use it as a context manager or
    call `stop`; `start_pty` and `start_tcp` may both be used, and share the vehicle.

    Raises ValueError for a profile with a request header that no simulated module listens to.
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
        clock: Callable[[], float] = time.monotonic,
        time_scale: float = 1.0,
        start_time_s: float = 0.0,
    ):
        self.traits = traits
        self.timing = timing
        self._faults = FaultSchedule(tuple(faults), seed)
        self._clock = clock
        self._time_scale = time_scale
        self._start_time_s = start_time_s
        self._origin_s: float | None = None
        self._vehicle = VehicleSide(car, profile, traits, self._faults, self.vehicle_time)
        self._serving: list[tuple[Session, Thread]] = []
        self._folder: tempfile.TemporaryDirectory | None = None

    def vehicle_time(self, adapter_s: float) -> float:
        """Vehicle time at a number of seconds since the adapter was started."""
        return self._start_time_s + self._time_scale * adapter_s

    @property
    def elapsed_s(self) -> float:
        """Clock seconds since the adapter was started, 0 before."""
        return 0.0 if self._origin_s is None else self._clock() - self._origin_s

    @property
    def fault_log(self) -> tuple[Injection, ...]:
        """The faults that were really met so far."""
        return tuple(self._faults.log)

    def start_pty(self, link: str | Path | None = None) -> str:
        """Open a pseudo-terminal; the path to connect to.

        That is `link` where given. Where faults unplug the port and no link was given, one is made in a
        temporary folder, because the terminal's own name changes. Raises InputError where it cannot be made.
        """
        if link is None and any(f.kind == "unplugged" for f in self._faults.faults):
            self._folder = self._folder or tempfile.TemporaryDirectory(prefix="camlog-adapter-")
            link = Path(self._folder.name) / "port"
        return self._serve(PtyPort(link))

    def start_tcp(self, host: str = "127.0.0.1", port: int = 0) -> str:
        """Listen on a TCP port (0: any free one); the address to connect to, `socket://HOST:PORT`.

        Raises InputError where it cannot be had.
        """
        return self._serve(TcpPort(host, port))

    def _serve(self, port: Port) -> str:
        port.open()
        if self._origin_s is None:
            self._origin_s = self._clock()
        session = Session(port, self._interpreter, self._faults, self.timing, self._clock, self._origin_s)
        thread = Thread(target=session.run, name="simulated-adapter", daemon=True)
        self._serving.append((session, thread))
        thread.start()
        return port.address

    def _interpreter(self) -> Interpreter:
        return Interpreter(self._vehicle, self.traits, self.timing, self._faults)

    def stop(self) -> None:
        """Close every port and wait until it is closed."""
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
