"""What a trouble code points to: its family, and the cam, bank or cylinder it names.

Generic codes by SAE J2012 / ISO 15031-6 (from memory). Sensor and actuator "A" of a bank is
read as its intake cam and "B" as its exhaust cam (common practice, no source); an engine with
one cam a bank has "A" only. Maker-specific codes (P1xxx and others) stay in the family `other`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from camlog.codes.trouble import parse_code
from camlog.signals import MAX_CYLINDERS

CAM_PERFORMANCE = "cam_performance"
SLOW_RESPONSE = "slow_response"
CORRELATION = "cam_crank_correlation"
SENSOR_CIRCUIT = "sensor_circuit"
MISFIRE = "misfire"
OIL = "oil_pressure_temperature"
FUEL_TRIM = "fuel_trim"
OTHER = "other"
FAMILIES = (CAM_PERFORMANCE, SLOW_RESPONSE, CORRELATION, SENSOR_CIRCUIT, MISFIRE, OIL, FUEL_TRIM, OTHER)
# A code of one of these bears on whether a cam does what it is told.
CAM_FAMILIES = (CAM_PERFORMANCE, SLOW_RESPONSE, CORRELATION, SENSOR_CIRCUIT)

INTAKE_B1, EXHAUST_B1, INTAKE_B2, EXHAUST_B2 = "intake_b1", "exhaust_b1", "intake_b2", "exhaust_b2"
_CAMS_IN_CODE_ORDER = (INTAKE_B1, EXHAUST_B1, INTAKE_B2, EXHAUST_B2)


@dataclass(frozen=True, slots=True)
class CodeFacts:
    """What a code says: `kind` is the fault in one word (see `explain`), the rest where it is.

    `cams`, `banks` and `cylinders` are empty where the code names none.
    """

    code: str
    family: str = OTHER
    kind: str = ""
    cams: tuple[str, ...] = ()
    banks: tuple[int, ...] = ()
    cylinders: tuple[int, ...] = ()


def _bank(cam: str) -> int:
    return int(cam[-1])


def _of_cam(number: int, family: str, kind: str, cam: str) -> CodeFacts:
    return CodeFacts(f"P{number:04X}", family, kind, (cam,), (_bank(cam),))


def _cam_codes() -> Iterable[CodeFacts]:
    """Codes that name one cam."""
    a1, b1, a2, b2 = _CAMS_IN_CODE_ORDER
    for first, cam in ((0x0010, a1), (0x0013, b1), (0x0020, a2), (0x0023, b2)):
        for step, kind in enumerate(("valve_circuit", "over_advanced", "over_retarded")):
            yield _of_cam(first + step, CAM_PERFORMANCE, kind, cam)
    for step, cam in enumerate(_CAMS_IN_CODE_ORDER):
        yield _of_cam(0x000A + step, SLOW_RESPONSE, "slow", cam)
        yield _of_cam(0x0016 + step, CORRELATION, "correlation", cam)
        yield _of_cam(0x0026 + step, CAM_PERFORMANCE, "valve_performance", cam)
        bank = (_bank(cam),)
        # Counted in decimal: after P2089 comes P2090.
        yield CodeFacts(f"P{2088 + 2 * step}", CAM_PERFORMANCE, "valve_circuit_low", (cam,), bank)
        yield CodeFacts(f"P{2089 + 2 * step}", CAM_PERFORMANCE, "valve_circuit_high", (cam,), bank)
    for first, cam in ((0x052A, a1), (0x052C, a2), (0x054A, b1), (0x054C, b2)):
        yield _of_cam(first, CAM_PERFORMANCE, "cold_over_advanced", cam)
        yield _of_cam(first + 1, CAM_PERFORMANCE, "cold_over_retarded", cam)
    for first, cam in ((0x0340, a1), (0x0345, a2), (0x0365, b1), (0x0390, b2)):
        for step, kind in enumerate(_SENSOR_KINDS):
            yield _of_cam(first + step, SENSOR_CIRCUIT, f"cam_sensor_{kind}", cam)


_SENSOR_KINDS = ("circuit", "range", "low", "high", "intermittent")


def _engine_codes() -> Iterable[CodeFacts]:
    """Codes of the crankshaft, a whole bank, oil and fuel trim."""
    for bank, number in ((1, 0x0008), (2, 0x0009)):
        cams = (f"intake_b{bank}", f"exhaust_b{bank}")
        yield CodeFacts(f"P{number:04X}", CORRELATION, "engine_position", cams, (bank,))
    for first, sensor in ((0x0335, "crank_sensor"), (0x0385, "second_crank_sensor")):
        for step, kind in enumerate(_SENSOR_KINDS):
            yield CodeFacts(f"P{first + step:04X}", SENSOR_CIRCUIT, f"{sensor}_{kind}")
    for step, kind in enumerate(("circuit", "range", "low", "high")):
        yield CodeFacts(f"P{0x0520 + step:04X}", OIL, f"oil_pressure_sensor_{kind}")
    yield CodeFacts("P0524", OIL, "oil_pressure_low")
    for step, kind in enumerate(_SENSOR_KINDS):
        yield CodeFacts(f"P{0x0195 + step:04X}", OIL, f"oil_temp_sensor_{kind}")
    yield CodeFacts("P0298", OIL, "oil_too_hot")
    for bank, first in ((1, 0x0170), (2, 0x0173)):
        for step, kind in enumerate(("trim", "lean", "rich")):
            yield CodeFacts(f"P{first + step:04X}", FUEL_TRIM, kind, (), (bank,))
    for first, when in ((2177, "off_idle"), (2187, "at_idle"), (2191, "at_load")):
        for step, (bank, kind) in enumerate(((1, "lean"), (1, "rich"), (2, "lean"), (2, "rich"))):
            yield CodeFacts(f"P{first + step}", FUEL_TRIM, f"{kind}_{when}", (), (bank,))


def _cylinder_codes() -> Iterable[CodeFacts]:
    """Misfire codes, and the injector and coil codes that explain one cylinder's misfire."""
    yield CodeFacts("P0300", MISFIRE, "misfire_random")
    for cylinder in range(1, MAX_CYLINDERS + 1):
        # Counted in decimal: cylinder 10 has P0310, and injector 10 has P0210.
        yield CodeFacts(f"P{300 + cylinder:04d}", MISFIRE, "misfire_cylinder", cylinders=(cylinder,))
        yield CodeFacts(f"P{200 + cylinder:04d}", OTHER, "injector_circuit", cylinders=(cylinder,))
        # Coils are lettered A to L; which cylinder a letter fires is the maker's choice.
        yield CodeFacts(f"P{350 + cylinder:04d}", OTHER, "coil_circuit")
    yield CodeFacts("P0313", MISFIRE, "misfire_low_fuel")
    yield CodeFacts("P0314", MISFIRE, "misfire_one_unnamed")
    yield CodeFacts("P0316", MISFIRE, "misfire_at_start")
    yield CodeFacts("P0363", MISFIRE, "misfire_fuel_cut")


KNOWN: dict[str, CodeFacts] = {
    f.code: f for make in (_cam_codes, _engine_codes, _cylinder_codes) for f in make()
}


def facts(code: str) -> CodeFacts:
    """What is known of a code; family `other` where nothing is. Raises InputError where text is no code."""
    code = parse_code(code)
    return KNOWN.get(code) or CodeFacts(code)


def family_of(code: str) -> str:
    """The family of a code, one of FAMILIES. Raises InputError where text is no code."""
    return facts(code).family


def cams_of(code: str) -> tuple[str, ...]:
    """The cams a code points to: P0011 gives `("intake_b1",)`; empty where it names none."""
    return facts(code).cams


def by_family(codes: Iterable[str]) -> dict[str, tuple[str, ...]]:
    """Codes grouped by family, each once, in the order of FAMILIES; a family without codes is absent."""
    unique = list(dict.fromkeys(parse_code(code) for code in codes))
    groups = {family: tuple(c for c in unique if facts(c).family == family) for family in FAMILIES}
    return {family: found for family, found in groups.items() if found}
