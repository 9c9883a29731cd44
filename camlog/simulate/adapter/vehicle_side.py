"""The vehicle as the adapter's bus side meets it: its modules, its clock, its supply."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from threading import RLock

from camlog.profile import VehicleProfile
from camlog.simulate.adapter.buses import BUSES, FUNCTIONAL, Bus
from camlog.simulate.adapter.faults import CRANKING_V, PENDING_S, FaultSchedule, wrong_echo
from camlog.simulate.adapter.inquiry import CONDITIONS_NOT_CORRECT, RESPONSE_PENDING, negative
from camlog.simulate.adapter.services import Module, modules_for
from camlog.simulate.adapter.traits import AdapterTraits
from camlog.simulate.car import Car


@dataclass(frozen=True, slots=True)
class Message:
    """One answer message of a module; `delay_s` after the moment the module would normally answer."""

    module: int
    data: bytes
    delay_s: float = 0.0


class VehicleSide:
    """Modules behind a bus, asked at adapter times (seconds since the adapter was started).

    `vehicle_time` turns an adapter time into vehicle time. Several ports may ask at once.
    """

    def __init__(
        self,
        car: Car,
        profile: VehicleProfile | None,
        traits: AdapterTraits,
        faults: FaultSchedule,
        vehicle_time: Callable[[float], float],
    ):
        self.car = car
        self.bus: Bus = BUSES[traits.protocol]
        self._traits = traits
        self._faults = faults
        self._vehicle_time = vehicle_time
        self._modules = modules_for(car, profile, traits.second_module)
        # A module that only turns up as a fault; it holds nothing of the profile.
        self._extra: Module = modules_for(car, None, second=True)[1]
        self._lock = RLock()

    def keep_up(self, at_s: float) -> None:
        """Let the vehicle run on, so that no request has to wait for it to catch up."""
        with self._lock:
            self.car.advance(self._vehicle_time(at_s))

    def supply_v(self, at_s: float) -> float:
        """Voltage at the diagnostic connector."""
        if self._faults.active(at_s, ("low_voltage",)):
            return CRANKING_V
        with self._lock:
            self.car.advance(self._vehicle_time(at_s))
            return self.car.battery_voltage

    def ignition_on(self, at_s: float) -> bool:
        with self._lock:
            self.car.advance(self._vehicle_time(at_s))
            return self.car.ignition_on

    def awake(self, at_s: float) -> bool:
        """True where the modules answer: ignition on, and enough supply."""
        if self._faults.active(at_s, ("low_voltage",)):
            return False
        return self.ignition_on(at_s) and self.supply_v(at_s) >= self._traits.reset_below_v

    def ask(self, request: bytes, target: int, at_s: float) -> list[Message]:
        """What the modules answer to a request that reaches them at `at_s`, in the order they do.

        `target` is a module's number, or FUNCTIONAL for all of them.
        """
        if not self.awake(at_s):
            if self._faults.active(at_s, ("low_voltage",)):
                self._faults.met(at_s, "low_voltage", request.hex().upper())
            return []
        with self._lock:
            self.car.advance(self._vehicle_time(at_s))
            modules = dict(self._modules)
            second = self._faults.active(at_s, ("second_module",))
            if second and 1 not in modules:
                modules[1] = self._extra
            answers = []
            for number, module in modules.items():
                if target not in (FUNCTIONAL, number):
                    continue
                found = module.answer(request, to_all=target == FUNCTIONAL, is_can=self.bus.is_can)
                answers += [Message(number, data) for data in found]
            if second and any(m.module == 1 for m in answers):
                self._faults.met(at_s, "second_module", request.hex().upper())
        return self._disturbed(answers, request, at_s)

    def _disturbed(self, answers: list[Message], request: bytes, at_s: float) -> list[Message]:
        fault = self._faults.active(at_s, ("wrong_echo", "negative_response", "response_pending"))
        if fault is None or not answers:
            return answers
        service, first = request[0], answers[0].module
        others = [m for m in answers if m.module != first]
        own = [m for m in answers if m.module == first]
        if fault.kind == "negative_response":
            own = [Message(first, negative(service, CONDITIONS_NOT_CORRECT))]
        elif fault.kind == "response_pending":
            own = [Message(first, negative(service, RESPONSE_PENDING))] + [
                Message(first, m.data, PENDING_S) for m in own
            ]
        else:
            changed = wrong_echo(own[0].data, request)
            if changed is None:
                return answers
            own = [Message(first, changed), *own[1:]]
        self._faults.met(at_s, fault.kind, request.hex().upper())
        return [*own, *others]
