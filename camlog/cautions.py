"""Every caution of camlog in one table (`cautions.toml`): the risk, when it applies, and the sentence.

Checks and instructions name their cautions by key; `tests/test_cautions.py` fails if a risk has no caution."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from importlib.resources import files


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

CAUTIONS: dict[str, Caution] = {
    key: Caution(key, **said)
    for key, said in tomllib.loads(files("camlog").joinpath("cautions.toml").read_text(encoding="utf-8")).items()
}


def caution(key: str) -> str:
    """The sentence of one caution. Raises KeyError for a key that is not in the table."""
    return CAUTIONS[key].sentence


def sentences(keys: Iterable[str]) -> tuple[str, ...]:
    """The sentences of several cautions, each once, in the order of the table."""
    chosen = set(keys)
    unknown = chosen - CAUTIONS.keys()
    if unknown:
        raise KeyError(f"no caution {sorted(unknown)}")
    return tuple(c.sentence for c in CAUTIONS.values() if c.key in chosen)
