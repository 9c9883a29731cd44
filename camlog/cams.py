"""The cams of an engine: what an id such as `intake_b1` says, and which cams share what."""

from __future__ import annotations

from collections.abc import Iterable


def side_of(cam: str) -> str:
    """`intake` or `exhaust`."""
    return cam.rpartition("_b")[0]


def bank_of(cam: str) -> str:
    """The bank's number, as text."""
    return cam.rpartition("_b")[2]


def on_chain_of(cam: str, cams: Iterable[str]) -> list[str]:
    """The other cams of the same bank: they share its chain or belt."""
    return [c for c in cams if c != cam and bank_of(c) == bank_of(cam)]


def twins_of(cam: str, cams: Iterable[str]) -> list[str]:
    """The cams of the same side on other banks: phasers of one make on the same oil."""
    return [c for c in cams if side_of(c) == side_of(cam) and bank_of(c) != bank_of(cam)]


def cam_words(cam: str) -> str:
    """A cam's id in words: `intake_b1` is the "intake cam of bank 1"."""
    return f"{side_of(cam)} cam of bank {bank_of(cam)}"
