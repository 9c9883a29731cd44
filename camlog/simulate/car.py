"""What stands behind the diagnostic connector: the face a car shows the simulated adapter."""

from __future__ import annotations

from typing import Protocol, runtime_checkable

from camlog.stream import CodeSnapshot


@runtime_checkable
class Car(Protocol):
    """A vehicle as its control module knows it: a simulated one, or a saved trace played back.

    Times are seconds of vehicle time. Values are in the units of `camlog.signals`:
    crankshaft degrees, advance positive, zero at rest.
    """

    vin: str

    @property
    def signals(self) -> frozenset[str]:
        """Names of the signals this vehicle can report."""

    def advance(self, time_s: float) -> None:
        """Bring the vehicle forward to `time_s`; a time in the past changes nothing."""

    def value(self, signal: str) -> float | None:
        """The module's present value of a signal, or None where it has none to give."""

    @property
    def ignition_on(self) -> bool: ...

    @property
    def battery_voltage(self) -> float: ...

    def code_snapshot(self) -> CodeSnapshot:
        """Codes, lamp, readiness, freeze frame, counters and test results now.

        `freeze_frame` is {"code": "P0011", signal: value, ...} or None; `since_clear`
        {"warm_ups", "distance_km", "time_min"} and optionally {"distance_with_mil_km", "time_with_mil_min"}.
        """

    def clear_codes(self) -> bool:
        """Service 04. False where conditions are not right (engine running)."""
