"""What a trouble code says: its family, the cam, bank or cylinder it names, and one plain sentence.

Generic codes by SAE J2012 / ISO 15031-6 (from memory). Sensor and actuator "A" of a bank is read as its
intake cam and "B" as its exhaust cam (common practice, no source); an engine with one cam a bank has "A"
only. Maker-specific codes (P1xxx and others) stay in the family `other`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from camlog.cams import SIDES, cam_id, cam_words
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

# Which of these a row's codes name, one after the other.
_CAMS = tuple({"cams": (cam_id(side, bank),), "banks": (bank,)} for bank in (1, 2) for side in SIDES)
_BANKS = tuple({"banks": (bank,)} for bank in (1, 2))
_BANKS_CAMS = tuple({"cams": tuple(cam_id(side, b) for side in SIDES), "banks": (b,)} for b in (1, 2))
_CYLINDERS = tuple({"cylinders": (number,)} for number in range(1, MAX_CYLINDERS + 1))
_NOTHING = ()

# codes ("P0301-P0312" counts in decimal), family, kind, what the codes name, sentence
_TABLE = (
    ("P0010 P0013 P0020 P0023", CAM_PERFORMANCE, "valve_circuit", _CAMS,
     "The oil control valve of the {cam} has an electrical fault: wire, plug, coil or driver."),
    ("P2088 P2090 P2092 P2094", CAM_PERFORMANCE, "valve_circuit_low", _CAMS,
     "The oil control valve line of the {cam} is low: a short to ground or an open supply."),
    ("P2089 P2091 P2093 P2095", CAM_PERFORMANCE, "valve_circuit_high", _CAMS,
     "The oil control valve line of the {cam} is high: a short to supply or an open coil."),
    ("P0026 P0027 P0028 P0029", CAM_PERFORMANCE, "valve_performance", _CAMS,
     "The oil control valve of the {cam} does not pass oil as its current asks for."),
    ("P0011 P0014 P0021 P0024", CAM_PERFORMANCE, "over_advanced", _CAMS,
     "The {cam} is further advanced than commanded, or does not follow well."),
    ("P0012 P0015 P0022 P0025", CAM_PERFORMANCE, "over_retarded", _CAMS,
     "The {cam} is further retarded than commanded."),
    ("P052A P054A P052C P054C", CAM_PERFORMANCE, "cold_over_advanced", _CAMS,
     "The {cam} is too far advanced in the first moments after a cold start."),
    ("P052B P054B P052D P054D", CAM_PERFORMANCE, "cold_over_retarded", _CAMS,
     "The {cam} is too far retarded in the first moments after a cold start."),
    ("P000A P000B P000C P000D", SLOW_RESPONSE, "slow", _CAMS,
     "The {cam} gets where it is told to, but takes too long."),
    ("P0016 P0017 P0018 P0019", CORRELATION, "correlation", _CAMS,
     "The {cam} is not where the crankshaft says it should be: mechanical timing, a phaser off its rest "
     "position, or a trigger wheel."),
    ("P0008 P0009", CORRELATION, "engine_position", _BANKS_CAMS,
     "Both cams of bank {bank} are off against the crankshaft by the same amount: look at the chain or belt "
     "first."),
    ("P0524", OIL, "oil_pressure_low", _NOTHING,
     "The oil pressure is too low: check level and true pressure before running on."),
    ("P0298", OIL, "oil_too_hot", _NOTHING, "The engine oil got hotter than it may."),
    ("P0170 P0173", FUEL_TRIM, "trim", _BANKS,
     "The mixture of bank {bank} needs more correction than the control can give."),
    ("P0171 P0174", FUEL_TRIM, "lean", _BANKS,
     "The mixture of bank {bank} is too lean: unmetered air or too little fuel."),
    ("P0172 P0175", FUEL_TRIM, "rich", _BANKS,
     "The mixture of bank {bank} is too rich: too much fuel or too little air."),
    ("P2177 P2179", FUEL_TRIM, "lean_off_idle", _BANKS, "The mixture of bank {bank} is too lean above idle."),
    ("P2178 P2180", FUEL_TRIM, "rich_off_idle", _BANKS, "The mixture of bank {bank} is too rich above idle."),
    ("P2187 P2189", FUEL_TRIM, "lean_at_idle", _BANKS, "The mixture of bank {bank} is too lean at idle."),
    ("P2188 P2190", FUEL_TRIM, "rich_at_idle", _BANKS, "The mixture of bank {bank} is too rich at idle."),
    ("P2191 P2193", FUEL_TRIM, "lean_at_load", _BANKS, "The mixture of bank {bank} is too lean under load."),
    ("P2192 P2194", FUEL_TRIM, "rich_at_load", _BANKS, "The mixture of bank {bank} is too rich under load."),
    ("P0300", MISFIRE, "misfire_random", _NOTHING,
     "Several cylinders misfire, or one that the module cannot name."),
    ("P0301-P0312", MISFIRE, "misfire_cylinder", _CYLINDERS, "Cylinder {cylinder} misfires."),
    ("P0313", MISFIRE, "misfire_low_fuel", _NOTHING,
     "Misfires were counted while the tank was nearly empty."),
    ("P0314", MISFIRE, "misfire_one_unnamed", _NOTHING,
     "One cylinder misfires; the code does not say which."),
    ("P0316", MISFIRE, "misfire_at_start", _NOTHING,
     "Misfires were counted in the first revolutions after starting."),
    ("P0363", MISFIRE, "misfire_fuel_cut", _NOTHING,
     "A cylinder misfires so much that its fuel was cut to save the catalyst."),
    ("P0201-P0212", OTHER, "injector_circuit", _CYLINDERS,
     "The injector of cylinder {cylinder} has an electrical fault."),
    # Coils are lettered A to L; which cylinder a letter fires is the maker's choice.
    ("P0351-P0362", OTHER, "coil_circuit", _NOTHING,
     "An ignition coil has an electrical fault in its primary or secondary side; the service information "
     "says which cylinder it fires."),
)  # fmt: skip

# A sensor's codes follow its first one in the order of these faults.
_SENSOR_FAULTS = {
    "circuit": "has no usable signal",
    "range": "gives a signal that does not fit the engine's running",
    "low": "reads too low: a short to ground or a broken supply",
    "high": "reads too high: a short to supply or an open wire",
    "intermittent": "drops out now and then: look for a loose contact",
}
# first codes, family, kind, how many of the faults have a code, what the codes name, the sensor in words
_SENSORS = (
    ("P0340 P0365 P0345 P0390", SENSOR_CIRCUIT, "cam_sensor", 5, _CAMS, "The position sensor of the {cam}"),
    ("P0335", SENSOR_CIRCUIT, "crank_sensor", 5, _NOTHING, "The crankshaft position sensor"),
    ("P0385", SENSOR_CIRCUIT, "second_crank_sensor", 5, _NOTHING, "The second crankshaft position sensor"),
    ("P0520", OIL, "oil_pressure_sensor", 4, _NOTHING, "The oil pressure sensor"),
    ("P0195", OIL, "oil_temp_sensor", 5, _NOTHING, "The oil temperature sensor"),
)
_SYSTEMS = {"P": "engine or transmission", "C": "chassis", "B": "body", "U": "data network"}
_UNKNOWN = "{owner} {system} code that camlog does not weigh: look it up in the service information."


@dataclass(frozen=True, slots=True)
class CodeFacts:
    """What a code says: `kind` is the fault in one word, the rest where it is.

    `cams`, `banks` and `cylinders` are empty where the code names none.
    """

    code: str
    family: str = OTHER
    kind: str = ""
    cams: tuple[str, ...] = ()
    banks: tuple[int, ...] = ()
    cylinders: tuple[int, ...] = ()


def _rows() -> Iterator[tuple[list[str], str, str, tuple[dict, ...], str]]:
    """Every row of both tables with its codes one by one."""
    for codes, family, kind, names, sentence in _TABLE:
        first, _, last = codes.partition("-")
        numbers = range(int(first[1:]), int(last[1:]) + 1) if last else ()
        yield [f"P{n:04d}" for n in numbers] or codes.split(), family, kind, names, sentence
    for first_codes, family, kind, count, names, words in _SENSORS:
        for step, (fault, does) in enumerate(list(_SENSOR_FAULTS.items())[:count]):
            of_fault = [f"P{int(first[1:], 16) + step:04X}" for first in first_codes.split()]
            yield of_fault, family, f"{kind}_{fault}", names, f"{words} {does}."


KNOWN: dict[str, CodeFacts] = {}
_SENTENCES: dict[str, str] = {}
for _codes, _family, _kind, _names, _sentence in _rows():
    _SENTENCES[_kind] = _sentence
    _places = _names or ({},) * len(_codes)
    KNOWN |= {c: CodeFacts(c, _family, _kind, **place) for c, place in zip(_codes, _places, strict=True)}


def facts(code: str) -> CodeFacts:
    """What is known of a code; family `other` where nothing is. Raises InputError where text is no code."""
    code = parse_code(code)
    return KNOWN.get(code) or CodeFacts(code)


def family_of(code: str) -> str:
    """The family of a code, one of FAMILIES. Raises InputError where text is no code."""
    return facts(code).family


def explain(code: str) -> str:
    """One plain sentence on a code. Raises InputError for text that is no code."""
    known = facts(code)
    if not known.kind:
        owner = "A maker-specific" if is_maker_specific(known.code) else "A generic"
        return _UNKNOWN.format(owner=owner, system=_SYSTEMS[known.code[0]])
    return _SENTENCES[known.kind].format(
        cam=cam_words(known.cams[0]) if known.cams else "",
        bank=known.banks[0] if known.banks else "",
        cylinder=known.cylinders[0] if known.cylinders else "",
    )


def describe(known: CodeFacts) -> str:
    """Code and sentence together: `P0301: Cylinder 1 misfires.`."""
    return f"{known.code}: {explain(known.code)}"


def is_maker_specific(code: str) -> bool:
    """True where SAE J2012 leaves the code's meaning to the vehicle maker (from memory).

    P1xxx, P30xx to P33xx, and for chassis, body and network the second digits 1 and 2.
    """
    system, digit = code[0], code[1]
    if system == "P":
        return digit == "1" or (digit == "3" and code[2] in "0123")
    return digit in "12"
