"""Lamp, number of codes and readiness: service 01 PID 01, by SAE J1979 / ISO 15031-5 (from memory).

Byte A: bit 7 the lamp, bits 6-0 the number of confirmed codes. Byte B: bits 0-2 the three continuous monitors
supported, bit 3 set on a compression-ignition engine, bits 4-6 the three incomplete. Byte C: other monitors supported;
byte D, bit by bit: the same incomplete."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from camlog.drive import READINESS_MONITORS

CONTINUOUS = ("misfire", "fuel_system", "components")  # bits 0, 1, 2 of byte B
# Bits 0 to 7 of bytes C and D; None is reserved.
SPARK = (
    "catalyst", "heated_catalyst", "evaporative_system", "secondary_air", "ac_refrigerant", "oxygen_sensor",
    "oxygen_sensor_heater", "egr_vvt_system",
)  # fmt: skip
COMPRESSION = (
    "nmhc_catalyst", "nox_aftertreatment", None, "boost_pressure", None, "exhaust_gas_sensor",
    "particulate_filter", "egr_vvt_system",
)  # fmt: skip
STATUS_BYTES = 4
LAMP = 0x80
COMPRESSION_IGNITION = 0x08


@dataclass(frozen=True, slots=True)
class MonitorStatus:
    """The answer of one module: lamp on, number of confirmed codes, state of each monitor.

    `readiness` has every key of `camlog.drive.READINESS_MONITORS`, each `complete`, `incomplete` or `unsupported`;
    `diesel` has the monitors of compression-ignition engines only."""

    mil: bool
    code_count: int
    compression_ignition: bool
    readiness: Mapping[str, str] = field(default_factory=dict)
    diesel: Mapping[str, str] = field(default_factory=dict)


def decode_status(data: bytes) -> MonitorStatus:
    """The status in the four data bytes of PID 01. Raises ValueError for any other length."""
    if len(data) != STATUS_BYTES:
        raise ValueError(f"PID 01 has {STATUS_BYTES} data bytes, not {len(data)}")
    a, b, c, d = data
    compression = bool(b & COMPRESSION_IGNITION)
    states = {name: _state(b >> bit, b >> bit + 4) for bit, name in enumerate(CONTINUOUS)}
    for bit, name in enumerate(COMPRESSION if compression else SPARK):
        if name is not None:
            states[name] = _state(c >> bit, d >> bit)
    return MonitorStatus(
        mil=bool(a & LAMP),
        code_count=a & ~LAMP,
        compression_ignition=compression,
        readiness={name: states.pop(name, "unsupported") for name in READINESS_MONITORS},
        diesel=states,
    )


def _state(supported: int, incomplete: int) -> str:
    if not supported & 1:
        return "unsupported"
    return "incomplete" if incomplete & 1 else "complete"


def encode_status(mil: bool, code_count: int, readiness: Mapping[str, str]) -> bytes:
    """The four data bytes of PID 01 for a spark-ignition engine; a monitor left out is unsupported.

    Raises ValueError for an unknown monitor or state, or a count beyond 127."""
    if not 0 <= code_count < LAMP:
        raise ValueError(f"PID 01 counts 0 to {LAMP - 1} codes, not {code_count}")
    data = bytearray((code_count | (LAMP if mil else 0), 0, 0, 0))
    for name, state in readiness.items():
        if name not in READINESS_MONITORS or state not in ("complete", "incomplete", "unsupported"):
            raise ValueError(f"no such readiness: {name} {state}")
        if state == "unsupported":
            continue
        pending = state == "incomplete"
        if name in CONTINUOUS:
            bit = CONTINUOUS.index(name)
            data[1] |= 1 << bit | pending << bit + 4
        else:
            bit = SPARK.index(name)
            data[2] |= 1 << bit
            data[3] |= pending << bit
    return bytes(data)
