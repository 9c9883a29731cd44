"""The cams of an engine: their ids, signals and words, and which cams belong together.

Only this module builds ids such as `intake_b1` and signal names such as `cam_intake_b1_actual`. For engines with more
banks add a number to BANKS, for another kind of cam a word to SIDES."""

from __future__ import annotations

import re
from collections.abc import Iterable

SIDES = ("intake", "exhaust")
BANKS = (1, 2)
QUANTITIES = ("commanded", "actual", "duty")


def cam_id(side: str, bank: int) -> str:
    """The id of a cam: `cam_id("intake", 1)` is `intake_b1`."""
    return f"{side}_b{bank}"


CAM_IDS = tuple(cam_id(side, bank) for bank in BANKS for side in SIDES)
_SIGNAL = re.compile(rf"cam_((?:{'|'.join(SIDES)})_b\d+)_({'|'.join(QUANTITIES)})")


def side_of(cam: str) -> str:
    """The word of SIDES in a cam's id."""
    return cam.rpartition("_b")[0]


def bank_of(cam: str) -> int:
    """The bank's number in a cam's id, from 1."""
    return int(cam.rpartition("_b")[2])


def cam_words(cam: str) -> str:
    """A cam in a sentence: `intake cam of bank 1`."""
    return f"{side_of(cam)} cam of bank {bank_of(cam)}"


def title(cam: str) -> str:
    """A cam as a heading: `Intake cam, bank 1`."""
    return f"{side_of(cam).capitalize()} cam, bank {bank_of(cam)}"


def short(cam: str) -> str:
    """A cam in a narrow table: `intake, bank 1`."""
    return f"{side_of(cam)}, bank {bank_of(cam)}"


def commanded(cam: str) -> str:
    return f"cam_{cam}_commanded"


def actual(cam: str) -> str:
    return f"cam_{cam}_actual"


def duty(cam: str) -> str:
    return f"cam_{cam}_duty"


def parts(signal: str) -> tuple[str, str] | None:
    """Cam and quantity of a cam's signal: `cam_intake_b1_duty` is `("intake_b1", "duty")`; None for other signals."""
    match = _SIGNAL.fullmatch(signal)
    return (match[1], match[2]) if match else None


def cam_of(signal: str) -> str | None:
    cam_parts = parts(signal)
    return cam_parts[0] if cam_parts else None


def is_angle(signal: str) -> bool:
    """True for a cam's commanded or actual angle."""
    cam_parts = parts(signal)
    return cam_parts is not None and cam_parts[1] != "duty"


def on_chain_of(cam: str, cams: Iterable[str]) -> list[str]:
    """The other cams of the same bank, which share its chain or belt."""
    return [c for c in cams if c != cam and bank_of(c) == bank_of(cam)]


def twins_of(cam: str, cams: Iterable[str]) -> list[str]:
    """The cams of the same side on other banks, which have equal phasers and the same oil."""
    return [c for c in cams if side_of(c) == side_of(cam) and bank_of(c) != bank_of(cam)]
