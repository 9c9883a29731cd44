"""Every caution camlog gives, in one table: the risk, when it applies, and the sentence.

Whoever shows a caution reads it here. Checks and instructions name their cautions by key; `tests/test_cautions.py`
walks all of them and fails where a risk has none. All are common practice, no source: service information, local
rules and licensed practice come first, as the first of them says.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution: `risk` in a few words, `when` it applies, and the `sentence` people read."""

    key: str
    risk: str
    when: str
    sentence: str


ADVICE, DO_NOT_RUN, DRIVE, OPERATE, PEDALS, IDLE = "advice", "do_not_run", "drive", "operate", "pedals", "idle"
HOT_OIL, MOVING_PARTS, HIGH_VOLTAGE, FUEL = "hot_oil", "moving_parts", "high_voltage", "fuel"
VALVE_SUPPLY, RAISED, TIMING, TORQUE = "valve_supply", "raised", "timing", "torque"
EVIDENCE, READINESS_ONLY, LEARNED, CLEAR_RULES = "evidence", "readiness_only", "learned", "clear_rules"

_TABLE = (
    Caution(
        ADVICE, "a result taken for more than it is", "with every result",
        "This is advice to a qualified technician, not a roadworthiness statement. Service information, local rules and "
        "licensed practice come first.",
    ),
    Caution(
        DO_NOT_RUN, "an engine that destroys itself or fails on the road",
        "mechanical timing that may be off, correlation codes, low oil pressure, all cylinders misfiring, a rattle that stays",
        "Do not run or drive this engine. Have the vehicle towed, and do the checks first.",
    ),
    Caution(
        DRIVE, "a crash on a test drive", "with everything that asks for a drive",
        "Drive only where traffic, law and the state of the car allow; the driver drives, someone else operates.",
    ),
    Caution(
        OPERATE, "a driver who looks at a screen", "beside everything that is operated during a drive",
        "The driver drives; someone else operates camlog, and looks at it when it is safe.",
    ),
    Caution(
        PEDALS, "a pedal that is blocked", "before a recording",
        "Fix adapter and cable so that they stay clear of the pedals and of the feet of the driver.",
    ),
    Caution(
        IDLE, "exhaust gas in a closed room", "with everything that lets the engine run at a standstill",
        "Let an engine run indoors only with exhaust extraction; transmission in park or neutral, parking brake on.",
    ),
    Caution(
        HOT_OIL, "burns", "where the oil system is opened or its pressure is measured",
        "Hot oil burns and is under pressure while the engine runs: let it cool before opening anything.",
    ),
    Caution(
        MOVING_PARTS, "hands and clothes in belts and fans", "where somebody works at a running engine",
        "Keep hands, clothes, tools and leads clear of belts, pulleys and fans; a fan may start by itself.",
    ),
    Caution(
        HIGH_VOLTAGE, "an electric shock", "where ignition parts are touched, or the engine is turned for compression",
        "Ignition carries dangerous high voltage: ignition off before touching it, and never pull a coil from a running engine.",
    ),
    Caution(
        FUEL, "fire", "where the fuel system is opened, or the engine is turned for compression",
        "Fuel is under pressure and burns: relieve the pressure as service information says, no flames or sparks, "
        "extinguisher at hand.",
    ),
    Caution(
        VALVE_SUPPLY, "a burnt coil or driver, an engine that stalls or races", "where a valve is driven from a supply",
        "Drive a valve only with the voltage, polarity and time of service information, through a fuse and unplugged from "
        "its module; the engine may stall or race.",
    ),
    Caution(
        RAISED, "a vehicle that falls", "where somebody works under the vehicle",
        "Set a raised vehicle on rated stands on firm ground; never get under one that stands on a jack.",
    ),
    Caution(
        TIMING, "valves that meet pistons", "wherever timing is among the leading causes, or a timing drive or phaser is worked on",
        "An interference engine is damaged by wrong timing: turn it by hand first, never by the starter, and stop where it "
        "binds.",
    ),
    Caution(
        TORQUE, "bolts that break or come loose", "wherever a part is taken out or fitted",
        "Torque, sequence and locking tools from service information; bolts that stretch are replaced.",
    ),
    Caution(
        EVIDENCE, "evidence that is lost", "where codes are held or are to be cleared",
        "Clearing codes erases evidence and readiness; local emission rules decide when it is allowed. Save a record first.",
    ),
    Caution(
        READINESS_ONLY, "readiness lost for nothing", "before clearing where nothing is stored or pending",
        "No code is stored or pending: clearing would only erase readiness, and the car may then fail an inspection.",
    ),
    Caution(
        LEARNED, "an engine that idles badly or sets codes after clearing", "before clearing",
        "Learned values may be lost: idle, fuel trims, throttle stops, transmission. Some vehicles need a cam or crankshaft "
        "relearn by service information before they run right.",
    ),
    Caution(
        CLEAR_RULES, "a law broken, an inspection failed", "before clearing",
        "Local emission rules may forbid clearing before an inspection; a car whose monitors are not ready fails many of "
        "them.",
    ),
)  # fmt: skip

CAUTIONS: dict[str, Caution] = {caution.key: caution for caution in _TABLE}


def caution(key: str) -> str:
    """The sentence of one caution. Raises KeyError for a key that is not in the table."""
    return CAUTIONS[key].sentence


def sentences(keys: Iterable[str]) -> tuple[str, ...]:
    """The sentences of several cautions, each once, in the order of the table."""
    wanted = set(keys)
    unknown = wanted - CAUTIONS.keys()
    if unknown:
        raise KeyError(f"no caution {sorted(unknown)}")
    return tuple(c.sentence for c in _TABLE if c.key in wanted)
