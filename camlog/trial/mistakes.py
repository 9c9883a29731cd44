"""The mistakes that a definition may contain, each as the corrected definition."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

from camlog.profile import SignalDefinition
from camlog.trial.readings import Readings

# The kinds of mistake; if several fit equally well, the first is named.
KINDS = ("sign", "angle", "byte", "identifier", "offset", "factor", "swapped", "module")


@dataclass(frozen=True)
class Correction:
    """The `kind` of a mistake, and the definition with the corrected `keys` (name and value, as in the file)."""

    kind: str
    definition: SignalDefinition
    keys: tuple[tuple[str, object], ...]

    @property
    def line(self) -> str:
        """The lines to paste into the signal's table."""
        return "\n".join(f"{key} = {_toml(key, value)}" for key, value in self.keys)


def _toml(key: str, value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'"{value}"'
    return f"{value:#06x}" if key in ("identifier", "request_header") else f"{value:g}"


def corrected(definition: SignalDefinition, kind: str, **keys: Any) -> Correction:
    """The correction that sets `keys` of a definition to these values."""
    return Correction(kind, replace(definition, **keys), tuple(keys.items()))


def discrete(definition: SignalDefinition, readings: Readings) -> Iterator[Correction]:
    """Every other definition that differs in one key of few possible values, or in the identifier."""
    if definition.is_cam_angle:
        yield corrected(definition, "sign", positive="retard" if definition.positive == "advance" else "advance")
        yield corrected(definition, "angle", angle="cam" if definition.angle == "crank" else "crank")
    yield corrected(definition, "sign", factor=-definition.factor)
    yield corrected(definition, "sign", signed=not definition.signed)
    if definition.length_bits > 8:
        yield corrected(definition, "byte", byte_order="little" if definition.byte_order == "big" else "big")
    yield from _other_bytes(definition, readings)
    service, own, header = definition.source
    for other_service, identifier, other_header in readings.answers:
        if (other_service, other_header) == (service, header) and identifier != own:
            moved = corrected(definition, "identifier", identifier=identifier)
            yield moved
            for byte in _other_bytes(moved.definition, readings):
                yield Correction("identifier", byte.definition, (*moved.keys, *byte.keys))


def _other_bytes(definition: SignalDefinition, readings: Readings) -> Iterator[Correction]:
    width = definition.end_byte - definition.start_byte
    for start in range(readings.size(definition.source) - width + 1):
        if start != definition.start_byte:
            yield corrected(definition, "byte", start_byte=start)
