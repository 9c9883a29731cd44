"""A car whose every value tells the time it was read at, and a recording of it with faults on the way.

Invented data, for mechanics only. Because each signal climbs steadily, a value that belongs to another
signal, another module or another moment cannot pass for the right one.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from camlog.capture.live import LiveSource
from camlog.capture.record import Recording, record
from camlog.drive import Drive, read_drive
from camlog.profile import read_profile
from camlog.simulate.adapter import AdapterTraits, Fault, Injection, SimulatedAdapter, TimingModel
from camlog.simulate.adapter.transport import Port
from camlog.simulate.adapter.values import PIDS
from camlog.stream import Batch, StreamItem
from camlog.trace import Trace, read_trace
from tests.adapter_car import SNAPSHOT, StandingCar

PROFILE = read_profile("demo")
# Start and climb a second of each signal, in its unit; within every signal's range for two minutes.
RAMPS = {
    "engine_speed": (600.0, 40.0),
    "vehicle_speed": (20.0, 1.0),
    "engine_load": (3.0, 0.7),
    "throttle_position": (5.0, 0.6),
    "coolant_temp": (-30.0, 1.0),
    "oil_temp": (-40.0, 1.5),
    "manifold_pressure": (15.0, 1.2),
    "mass_air_flow": (2.0, 4.0),
    "spark_advance": (-60.0, 0.9),
    "module_voltage": (9.0, 0.25),
    "run_time": (100.0, 1.0),
    "cam_intake_b1_commanded": (-50.0, 1.0),
    "cam_intake_b1_actual": (-40.0, 1.0),
    "cam_exhaust_b1_commanded": (-30.0, 1.0),
    "cam_exhaust_b1_actual": (-20.0, 1.0),
    "cam_intake_b1_duty": (1.0, 0.5),
    "cam_exhaust_b1_duty": (20.0, 0.5),
    "oil_pressure": (50.0, 10.0),
    "misfire_cyl1": (100.0, 10.0),
    "misfire_cyl2": (3000.0, 10.0),
    "misfire_cyl3": (6000.0, 10.0),
    "misfire_cyl4": (9000.0, 10.0),
}
STANDARD = AdapterTraits()
# Quick to connect to; answers as on a usual link.
TIMING = TimingModel(search_s=0.05, reset_s=0.05, no_answer_s=0.08)


def ramp(name: str, time_s):
    """A signal's value at vehicle times."""
    start, climb = RAMPS[name]
    return start + climb * time_s


def climbing_car(names: Iterable[str] = RAMPS, snapshot=SNAPSHOT) -> StandingCar:
    """The car itself: nothing stands still but what it holds of codes."""
    moving = {name: lambda t, n=name: ramp(n, t) for name in names}
    return StandingCar(values={}, snapshot=snapshot, moving=moving)


def step_of(name: str) -> float:
    """Size of one count of a signal as it is sent."""
    definition = PROFILE.definition(name)
    if definition is not None:
        return definition.step
    return next((how.step for signal, how in PIDS.values() if signal == name), 1.0)


def as_sent(name: str, values: np.ndarray) -> np.ndarray:
    """Values as the counts they were sent by say them: written are only the decimals that the encoding carries."""
    definition = PROFILE.definition(name)
    if definition is not None:
        low, step = min(definition.value_range), definition.step
        return low + np.rint((values - low) / step) * step
    scaling = next((how for signal, how in PIDS.values() if signal == name), None)
    if scaling is None:
        return values
    return scaling.offset + np.rint((values - scaling.offset) / scaling.step) * scaling.step


def time_errors(name: str, times: np.ndarray, values: np.ndarray, lead_s: float = 0.0) -> np.ndarray:
    """By how much longer ago or later than `times` say each value of a signal was true, s; 0 within one count.

    `lead_s` is vehicle time at time 0.
    """
    start, climb = RAMPS[name]
    half = 0.5 * step_of(name) + 1e-9
    read_s = (as_sent(name, values) - start) / climb - lead_s - times
    return np.sign(read_s) * np.maximum(0.0, np.abs(read_s) - half / climb)


@dataclass(frozen=True)
class Recorded:
    """A recording and what stood behind it. `lead_s` is vehicle time at the stream's beginning."""

    trace: Trace
    drive: Drive
    log: tuple[Injection, ...]
    faults: tuple[Fault, ...]
    lead_s: float
    done: Recording
    source: LiveSource

    def texts(self, first_s: float = 0.0, last_s: float = float("inf")) -> list[str]:
        """Texts of the events between two times of the stream."""
        return [e.text for e in self.drive.events if first_s <= e.time_s <= last_s]

    def kinds(self) -> list[str]:
        return [e.kind for e in self.drive.events]

    def time_errors(self, name: str) -> np.ndarray:
        """By how much longer ago or later than its row says each value of a signal was true, s; 0 within one count."""
        return time_errors(name, *self.trace.samples(name), self.lead_s)

    def check_values(self, allowed_s: float | None = None) -> None:
        """Every value is what the car had at its time, as exactly as the drive file says times are known."""
        if allowed_s is None:
            allowed_s = self.drive.adapter["time_uncertainty_max_s"]
        for name in self.trace.signals:
            errors = self.time_errors(name)
            if not len(errors):
                continue
            worst = int(np.argmax(np.abs(errors)))
            # A millisecond is the grain of clocks and rounding here.
            assert abs(errors[worst]) <= allowed_s + 1e-3, (
                f"{name} at {self.trace.samples(name)[0][worst]:.3f} s is off by {errors[worst]:.3f} s, "
                f"known within {allowed_s:.3f} s"
            )


class Watcher:
    """A view that remembers when rows came."""

    essential = False

    def __init__(self):
        self.items: list[StreamItem] = []
        self.begun = threading.Event()

    def accept(self, item: StreamItem) -> None:
        self.items.append(item)
        if isinstance(item, Batch):
            self.begun.set()

    def close(self) -> None:
        pass

    def rows_after(self, time_s: float) -> int:
        return sum(isinstance(i, Batch) and i.time_s > time_s for i in self.items)


def lead_of(adapter: SimulatedAdapter, source: LiveSource) -> float:
    """Vehicle time at the stream's beginning, of the quickest of several looks at both clocks: other work may fall between."""
    looks = [(adapter.elapsed_s, source.now_s(), adapter.elapsed_s) for _ in range(20)]
    before_s, now_s, after_s = min(looks, key=lambda look: look[2] - look[0])
    return 0.5 * (before_s + after_s) - now_s


def recorded(
    folder: Path,
    faults: Sequence[Fault] = (),
    *,
    car: StandingCar | None = None,
    traits: AdapterTraits = STANDARD,
    timing: TimingModel = TIMING,
    tcp: bool = False,
    seconds: float = 0.5,
    rows_after: int = 12,
    patience_s: float = 20.0,
    seed: int = 1,
    port: Port | None = None,
    during: Callable[[SimulatedAdapter, LiveSource], None] | None = None,
    **options,
) -> Recorded:
    """Record the climbing car; `faults` begin counted from the stream's start.

    The recording ends `seconds` after the last fault is over and `during` has returned, and not before `rows_after`
    rows have come after that. `port` is a plug of another kind to record through.
    """
    folder.mkdir(parents=True, exist_ok=True)
    options.setdefault("codes", False)
    watcher = Watcher()
    with SimulatedAdapter(car or climbing_car(), PROFILE, traits=traits, timing=timing, seed=seed) as adapter:
        if port is not None:
            address = adapter.start(port)
        else:
            address = adapter.start_tcp() if tcp else adapter.start_pty(folder / "port")
        source = LiveSource(address, PROFILE, **options)
        out: list[Recording | BaseException] = []

        def work() -> None:
            try:
                out.append(record(source, folder / "drive.csv", views=[watcher], force=True))
            except BaseException as error:  # noqa: BLE001 - the test's own thread tells it
                out.append(error)

        thread = threading.Thread(target=work)
        thread.start()
        assert watcher.begun.wait(10.0)
        lead_s = lead_of(adapter, source)
        struck = tuple(Fault(f.kind, f.start_s + lead_s, f.duration_s) for f in faults)
        # Known only now, when the adapter runs already.
        adapter._faults.faults = tuple(sorted(struck, key=lambda f: f.start_s))
        over_s = max((f.start_s + f.duration_s for f in faults), default=0.0)
        if during is not None:
            during(adapter, source)
            over_s = max(over_s, source.now_s())
        while source.now_s() < over_s + seconds or watcher.rows_after(over_s) < rows_after:
            assert thread.is_alive(), out
            assert source.now_s() < over_s + patience_s, "the recording did not resume"
            time.sleep(0.02)
        source.stop()
        thread.join(timeout=30.0)
        log = adapter.fault_log
    if isinstance(out[0], BaseException):
        raise out[0]
    done = out[0]
    return Recorded(read_trace(done.trace), read_drive(done.drive), log, tuple(faults), lead_s, done, source)
