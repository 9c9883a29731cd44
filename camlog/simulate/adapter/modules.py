"""The vehicle as seen from the adapter's bus: its modules, clock and supply voltage."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from threading import RLock

from camlog.profile import SignalDefinition, VehicleProfile
from camlog.simulate import say
from camlog.simulate.adapter.buses import BUSES, FUNCTIONAL, Bus, module_of_header
from camlog.simulate.adapter.faults import ANSWERS, CRANKING_V, FaultSchedule, Message
from camlog.simulate.adapter.services import answer
from camlog.simulate.adapter.settings import RESET_BELOW_V, AdapterTraits
from camlog.simulate.adapter.values import Inquiry
from camlog.simulate.car import Answering, Car
from camlog.stream import CodeSnapshot


class Module:
    """One control module behind the diagnostic connector; number 0 is the engine module. `definitions` are the
    profile's signals in this module."""

    def __init__(self, car: Car, number: int = 0, definitions: Iterable[SignalDefinition] = ()):
        self.car = car
        self.number = number
        self.definitions: dict[tuple[int, int], list[SignalDefinition]] = {}
        for definition in definitions:
            self.definitions.setdefault((definition.service, definition.identifier), []).append(definition)

    def answer(self, request: bytes, *, to_all: bool, is_can: bool = True) -> list[bytes]:
        """Answer messages to one request; empty if the module stays silent. See `services.answer`."""
        if not request:
            return []
        car: Answering = self.car
        definitions = self.definitions
        if self.number and request[0] not in (0x21, 0x22):
            # Standard services use the module's own view, those of the profile the car.
            car, definitions = OtherModulesCar(car), {}
        return answer(Inquiry(car, self.number, request[0], request[1:], is_can, definitions), to_all)


class OtherModulesCar:
    """The car as reported by another module than the engine's: road speed, supply voltage, its own codes. Both values
    differ from the engine module's, so that tests find a client that confuses modules."""

    SIGNALS = frozenset({"vehicle_speed", "module_voltage"})
    vin = ""

    def __init__(self, car: Answering):
        self._car = car

    @property
    def signals(self) -> frozenset[str]:
        return self._car.signals & self.SIGNALS

    def value(self, signal: str) -> float | None:
        value = self._car.value(signal)
        if value is None:
            return None
        return value - 0.4 if signal == "module_voltage" else max(0.0, 0.9 * value - 3.0)

    def code_snapshot(self) -> CodeSnapshot:
        full = self._car.code_snapshot()
        return CodeSnapshot(full.time_s, full.mil, full.stored, full.pending, full.permanent)

    def clear_codes(self) -> bool:
        return True  # the engine module, asked at the same time, clears for both


def modules_for(car: Car, profile: VehicleProfile | None, second: bool = False) -> dict[int, Module]:
    """The vehicle's modules by number: the engine's, those addressed by the profile's headers, and with `second` a
    second one. Raises InputError for a profile header that addresses no module here."""
    definitions_of: dict[int, list[SignalDefinition]] = {number: [] for number in range(2 if second else 1)}
    for definition in profile.signals if profile else ():
        if definition.name not in car.signals:
            continue
        header = definition.request_header
        number = 0 if header is None else module_of_header(header)
        if number is None:
            raise say.error("header", file=profile.file if profile else None, name=definition.name, header=header)
        definitions_of.setdefault(number, []).append(definition)
    return {number: Module(car, number, definitions) for number, definitions in sorted(definitions_of.items())}


class VehicleSide:
    """The modules behind a bus. Times are adapter times (seconds since the adapter was started); `vehicle_time`
    converts them to vehicle time. Several ports may use it at once."""

    def __init__(
        self,
        car: Car,
        profile: VehicleProfile | None,
        traits: AdapterTraits,
        faults: FaultSchedule,
        vehicle_time: Callable[[float], float],
    ):
        self.bus: Bus = BUSES[traits.protocol]
        self._car = car
        self._faults = faults
        self._vehicle_time = vehicle_time
        self._modules = modules_for(car, profile, traits.second_module)
        self._lock = RLock()

    def keep_up(self, at_s: float) -> None:
        """Advance the simulation of the vehicle, so that no request has to wait for it."""
        with self._lock:
            self._car.advance(self._vehicle_time(at_s))

    def supply_v(self, at_s: float) -> float:
        if self._faults.active(at_s, ("low_voltage",)):
            return CRANKING_V
        with self._lock:
            self.keep_up(at_s)
            return self._car.battery_voltage

    def ignition_on(self, at_s: float) -> bool:
        with self._lock:
            self.keep_up(at_s)
            return self._car.ignition_on

    def awake(self, at_s: float) -> bool:
        if self._faults.active(at_s, ("low_voltage",)):
            return False
        return self.ignition_on(at_s) and self.supply_v(at_s) >= RESET_BELOW_V

    def ask(self, request: bytes, target: int, at_s: float) -> list[Message]:
        """The modules' answers, in order, to a request that reaches them at `at_s`. `target` is a module's number, or
        FUNCTIONAL for all of them."""
        if not self.awake(at_s):
            if self._faults.active(at_s, ("low_voltage",)):
                self._faults.met(at_s, "low_voltage", request.hex().upper())
            return []
        second = self._faults.active(at_s, ("second_module",))
        with self._lock:
            self.keep_up(at_s)
            modules = self._modules
            if second and 1 not in modules:  # it has no signals of the profile
                modules = {**modules, 1: Module(self._car, 1)}
            answers = [
                Message(number, data)
                for number, module in modules.items()
                if target in (FUNCTIONAL, number)
                for data in module.answer(request, to_all=target == FUNCTIONAL, is_can=self.bus.is_can)
            ]
        if second and any(m.module == 1 for m in answers):
            self._faults.met(at_s, "second_module", request.hex().upper())
        return self._disturbed(answers, request, at_s)

    def _disturbed(self, answers: list[Message], request: bytes, at_s: float) -> list[Message]:
        """The answers, with an active fault applied to the first module that answers."""
        fault = self._faults.active(at_s, ANSWERS)
        if fault is None or not answers:
            return answers
        own = [m for m in answers if m.module == answers[0].module]
        changed = ANSWERS[fault.kind](own, request)
        if changed is None:
            return answers
        self._faults.met(at_s, fault.kind, request.hex().upper())
        return [*changed, *(m for m in answers if m.module != answers[0].module)]
