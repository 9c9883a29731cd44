"""The meaning of a trouble code: its family, the cam, bank or cylinder it names, and one plain sentence.

Generic codes by SAE J2012 / ISO 15031-6 (from memory). Sensor and actuator "A" of a bank is read as its intake cam and
"B" as its exhaust cam (common practice, no source); an engine with one cam a bank has "A" only. Maker-specific codes
(P1xxx and others) stay in the family `other`."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.resources import files

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
# Families whose codes are about how a cam follows its command.
CAM_FAMILIES = (CAM_PERFORMANCE, SLOW_RESPONSE, CORRELATION, SENSOR_CIRCUIT)

_TABLE = tomllib.loads(files(__package__).joinpath("families.toml").read_text(encoding="utf-8"))
# What the codes of a row name, in order; the standard has two banks.
_NAMES: dict[str, tuple[dict, ...]] = {
    "cams": tuple({"cams": (cam_id(side, bank),), "banks": (bank,)} for bank in (1, 2) for side in SIDES),
    "banks": tuple({"banks": (bank,)} for bank in (1, 2)),
    "cams_of_banks": tuple({"cams": tuple(cam_id(side, b) for side in SIDES), "banks": (b,)} for b in (1, 2)),
    "cylinders": tuple({"cylinders": (number,)} for number in range(1, MAX_CYLINDERS + 1)),
}


@dataclass(frozen=True, slots=True)
class CodeFacts:
    """The meaning of a code: `kind` is the fault in one word; `cams`, `banks` and `cylinders` say where, and are empty
    if

    the code names none."""

    code: str
    family: str = OTHER
    kind: str = ""
    cams: tuple[str, ...] = ()
    banks: tuple[int, ...] = ()
    cylinders: tuple[int, ...] = ()


def _rows() -> Iterator[tuple[list[str], str, str, str, str]]:
    """Every row of the table: codes, family, kind, what they name, sentence."""
    for kind, row in _TABLE["codes"].items():
        first, _, last = row["codes"].partition("-")
        numbers = range(int(first[1:]), int(last[1:]) + 1) if last else ()
        codes = [f"P{n:04d}" for n in numbers] or row["codes"].split()
        yield codes, row["family"], kind, row.get("names", ""), row["sentence"]
    for kind, row in _TABLE["sensors"].items():
        for step, (fault, does) in enumerate(list(_TABLE["sensor_faults"].items())[: row["faults"]]):
            codes = [f"P{int(first[1:], 16) + step:04X}" for first in row["codes"].split()]
            yield codes, row["family"], f"{kind}_{fault}", row.get("names", ""), f"{row['sensor']} {does}."


KNOWN: dict[str, CodeFacts] = {}
_SENTENCES: dict[str, str] = {}
for _codes, _family, _kind, _names, _sentence in _rows():
    _SENTENCES[_kind] = _sentence
    _places = _NAMES.get(_names) or ({},) * len(_codes)
    KNOWN |= {c: CodeFacts(c, _family, _kind, **place) for c, place in zip(_codes, _places, strict=True)}


def facts(code: str) -> CodeFacts:
    """The facts of a code; the family is `other` for an unknown one. Raises InputError if the text is no code."""
    code = parse_code(code)
    return KNOWN.get(code) or CodeFacts(code)


def family_of(code: str) -> str:
    """The family of a code, one of FAMILIES. Raises InputError where text is no code."""
    return facts(code).family


def explain(code: str) -> str:
    """One plain sentence on a code. Raises InputError for text that is no code."""
    code_facts = facts(code)
    if not code_facts.kind:
        owner = "A maker-specific" if is_maker_specific(code_facts.code) else "A generic"
        return _TABLE["unknown"]["sentence"].format(owner=owner, system=_TABLE["unknown"][code_facts.code[0]])
    return _SENTENCES[code_facts.kind].format(
        cam=cam_words(code_facts.cams[0]) if code_facts.cams else "",
        bank=code_facts.banks[0] if code_facts.banks else "",
        cylinder=code_facts.cylinders[0] if code_facts.cylinders else "",
    )


def describe(code_facts: CodeFacts) -> str:
    """Code and sentence together: `P0301: Cylinder 1 misfires.`."""
    return f"{code_facts.code}: {explain(code_facts.code)}"


def is_maker_specific(code: str) -> bool:
    """True where SAE J2012 leaves the code's meaning to the vehicle maker (from memory).

    P1xxx, P30xx to P33xx, and for chassis, body and network the second digits 1 and 2."""
    system, digit = code[0], code[1]
    if system == "P":
        return digit == "1" or (digit == "3" and code[2] in "0123")
    return digit in "12"
