"""A control module's diagnostic services: a request's bytes in, the answer's bytes out.

| service | request | answer |
|---|---|---|
| 01 | `01 0C 0D` | `41 0C hh hh 0D hh` |
| 02 | `02 0C 00` | `42 0C 00 hh hh` |
| 03, 07, 0A | `03` | `43 02 00 11 03 01` |
| 04 | `04` | `44` |
| 06 | `06 A2` | `46 A2 0C 24 hh hh hh hh hh hh ...` |
| 09 | `09 02` | `49 02 01` and 17 characters |
| 21, 22 | `22 F0 A1 F0 A2` | `62 F0 A1 ... F0 A2 ...` |

SAE J1979 / ISO 15031-5 and ISO 14229-1 (from memory). A value the vehicle cannot give is left out of the
answer, as an unsupported one is.
"""

from __future__ import annotations

from collections.abc import Iterable

from camlog.profile import SignalDefinition, VehicleProfile
from camlog.simulate.adapter import code_services, data_services
from camlog.simulate.adapter.buses import module_of_header
from camlog.simulate.adapter.inquiry import (
    OUT_OF_RANGE,
    POSITIVE,
    SERVICE_NOT_SUPPORTED,
    SUBFUNCTION_NOT_SUPPORTED,
    Inquiry,
    Refused,
    Service,
    negative,
)
from camlog.simulate.car import Car
from camlog.stream import CodeSnapshot

# Refusals that a module keeps to itself when everybody was asked (ISO 14229-1).
_UNSAID_TO_ALL = (SERVICE_NOT_SUPPORTED, SUBFUNCTION_NOT_SUPPORTED, OUT_OF_RANGE)
TESTER_PRESENT = 0x3E


def tester_present(inquiry: Inquiry) -> list[bytes]:
    """Service 3E: keeps a session open; sub-function 80 wants no answer."""
    if inquiry.data[:1] == b"\x80":
        return []
    if inquiry.data not in (b"", b"\x00"):
        raise Refused(SUBFUNCTION_NOT_SUPPORTED)
    return [bytes((TESTER_PRESENT + POSITIVE,)) + inquiry.data]


SERVICES: dict[int, Service] = {
    0x01: data_services.current_data,
    0x02: data_services.freeze_frame,
    0x03: code_services.stored_codes,
    0x04: code_services.clear,
    0x06: code_services.monitor_tests,
    0x07: code_services.pending_codes,
    0x09: code_services.vehicle_information,
    0x0A: code_services.permanent_codes,
    0x21: data_services.by_local_identifier,
    0x22: data_services.by_identifier,
    TESTER_PRESENT: tester_present,
}
_CAN_ONLY = (0x06, 0x0A)  # on older buses service 06 is laid out by the maker, and 0A does not exist


class Module:
    """One control module behind the diagnostic connector, numbered from 0, the engine's.

    `definitions` are the profile's signals this module holds.
    """

    def __init__(self, car: Car, number: int = 0, definitions: Iterable[SignalDefinition] = ()):
        self.car = car
        self.number = number
        self.definitions: dict[tuple[int, int], list[SignalDefinition]] = {}
        for definition in definitions:
            self.definitions.setdefault((definition.service, definition.identifier), []).append(definition)

    def answer(self, request: bytes, *, to_all: bool, is_can: bool = True) -> list[bytes]:
        """Answer messages to one request; empty where the module keeps silent.

        `to_all`: the request went to every module (functional addressing). On CAN an answer is one message;
        on an older bus it may be several, of at most seven data bytes.
        """
        if not request:
            return []
        inquiry = Inquiry(self.car, self.number, request[1:], is_can, self.definitions)
        try:
            service = SERVICES.get(request[0])
            if service is None or (request[0] in _CAN_ONLY and not is_can):
                raise Refused(SERVICE_NOT_SUPPORTED)
            return service(inquiry)
        except Refused as refused:
            if to_all and refused.code in _UNSAID_TO_ALL:
                return []
            return [negative(request[0], refused.code)]


class SecondModule:
    """The car as its transmission module reports it: its own road speed and supply voltage, its own codes.

    The two values differ from the engine module's, so that a client which mixes modules up is found out.
    """

    SIGNALS = frozenset({"vehicle_speed", "module_voltage"})

    def __init__(self, car: Car):
        self._car = car
        self.vin = ""

    @property
    def signals(self) -> frozenset[str]:
        return self._car.signals & self.SIGNALS

    @property
    def ignition_on(self) -> bool:
        return self._car.ignition_on

    @property
    def battery_voltage(self) -> float:
        return self._car.battery_voltage

    def advance(self, time_s: float) -> None:
        self._car.advance(time_s)

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
    """The vehicle's modules by number: the engine's, those the profile's headers address, a second if wanted.

    Raises ValueError for a profile header that addresses no module here.
    """
    held: dict[int, list[SignalDefinition]] = {0: []}
    if second:
        held[1] = []
    for definition in profile.signals if profile else ():
        if definition.name not in car.signals:
            continue
        header = definition.request_header
        number = 0 if header is None else module_of_header(header)
        if number is None:
            raise ValueError(f"{definition.name}: no simulated module listens to request header {header:#x}")
        held.setdefault(number, []).append(definition)
    return {n: Module(car, n, d) if n == 0 else _OtherModule(car, n, d) for n, d in sorted(held.items())}


class _OtherModule(Module):
    """A module besides the engine's: standard services from its own view, the profile's from the car."""

    def answer(self, request: bytes, *, to_all: bool, is_can: bool = True) -> list[bytes]:
        if request[:1] not in (b"\x21", b"\x22"):
            return Module(SecondModule(self.car), self.number).answer(request, to_all=to_all, is_can=is_can)
        return super().answer(request, to_all=to_all, is_can=is_can)
