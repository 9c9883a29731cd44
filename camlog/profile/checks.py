"""What must hold between the keys of a vehicle profile."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from camlog import signals, units
from camlog.cams import bank_of, cam_of
from camlog.errors import InputError
from camlog.profile.model import LARGEST_IDENTIFIER, MAX_DATA_BYTES, Cam, Engine, VehicleProfile
from camlog.profile.scaling import SignalDefinition

# Builds the error at a key: path of the key, what is wrong, remedy.
ErrorAt = Callable[[tuple, str, str], InputError]


def check_profile(profile: VehicleProfile, error: ErrorAt) -> VehicleProfile:
    """The profile with what follows from its keys filled in (cylinders of the banks, cams of the signals).

    Raises the InputError that `error` makes at the first contradiction.
    """
    engine = _check_engine(profile.engine, error)
    _check_cams(profile.cams, engine, error)
    _check_once([d.name for d in profile.signals], "signal", "name", "is defined twice", "[[signal]] of each name", error)
    for index, definition in enumerate(profile.signals):
        where = ("signal", index)
        _check_place(definition, where, engine, error)
        _check_scaling(definition, where, error)
    _check_overlaps(profile.signals, error)
    return replace(profile, engine=engine, cams=_complete_cams(profile, error))


def _check_engine(engine: Engine, error: ErrorAt) -> Engine:
    if engine.banks is None:
        return engine
    numbered = sorted(n for bank in engine.banks for n in bank)
    cylinders = engine.cylinders or len(numbered)
    where = ("engine", "banks")
    if cylinders > signals.MAX_CYLINDERS:
        raise error(where, f"lists {cylinders} cylinders", f"At most {signals.MAX_CYLINDERS} are known.")
    if numbered != list(range(1, cylinders + 1)):
        wrong = [f"cylinder {n} is in no bank" for n in range(1, cylinders + 1) if n not in numbered]
        wrong += [f"cylinder {n} is listed twice" for n in sorted(set(numbered)) if numbered.count(n) > 1]
        wrong += [f"cylinder {n} does not exist" for n in sorted(set(numbered)) if not 1 <= n <= cylinders]
        raise error(where, "; ".join(wrong), f"List each cylinder from 1 to {cylinders} once, by its bank.")
    return replace(engine, cylinders=cylinders)


def _check_once(names: list[str], table: str, key: str, what: str, one: str, error: ErrorAt) -> None:
    for index, name in enumerate(names):
        if name in names[:index]:
            raise error((table, index, key), f"{name} {what}", f"Keep one {one}.")


def _check_cams(cams: tuple[Cam, ...], engine: Engine, error: ErrorAt) -> None:
    _check_once([c.id for c in cams], "cam", "id", "is described twice", "[[cam]] for each cam", error)
    for index, cam in enumerate(cams):
        low, high = cam.range_deg or (0.0, 1.0)
        where = ("cam", index, "range_deg")
        if low >= high:
            raise error(where, f"found [{low:g}, {high:g}]", "Put the lowest angle first.")
        if not low <= 0.0 <= high:
            raise error(
                where,
                f"[{low:g}, {high:g}] leaves out 0, the rest position",
                "Give the travel from rest: crankshaft degrees, advance positive, retard negative.",
            )
        _check_bank(cam.id, ("cam", index, "id"), engine, error)


def _check_bank(cam: str, where: tuple, engine: Engine, error: ErrorAt) -> None:
    if engine.banks is not None and bank_of(cam) > len(engine.banks):
        raise error(
            where,
            f"{cam} is on bank {bank_of(cam)}, but engine.banks has {len(engine.banks)}",
            "Correct the bank in the name, or list the bank's cylinders in engine.banks.",
        )


def _check_place(definition: SignalDefinition, where: tuple, engine: Engine, error: ErrorAt) -> None:
    """Is the value's place in the response possible, and its signal on this engine?"""
    cam = cam_of(definition.name)
    if cam:
        _check_bank(cam, (*where, "name"), engine, error)
    cylinder = definition.name.removeprefix(signals.MISFIRE)
    if engine.cylinders is not None and cylinder.isdigit() and int(cylinder) > engine.cylinders:
        raise error(
            (*where, "name"), f"the engine has {engine.cylinders} cylinders", "Correct it, or engine.cylinders."
        )
    largest = LARGEST_IDENTIFIER[definition.service]
    if definition.identifier > largest:
        raise error(
            (*where, "identifier"),
            f"{definition.identifier:#06x} is too large for service {definition.service:#04x}",
            f"That service has identifiers from 0x0 to {largest:#x}.",
        )
    if definition.end_byte > MAX_DATA_BYTES:
        raise error(
            (*where, "start_byte"),
            f"the value would end at data byte {definition.end_byte - 1}, beyond any response",
            "Count start_byte from 0 at the first data byte after the identifier.",
        )
    if definition.byte_order == "little" and definition.start_bit == 0 and definition.length_bits % 8 == 0:
        # Counting from the least significant bit, as some tables do, would silently give another value.
        raise error(
            (*where, "start_bit"),
            f"a little-endian value of {definition.length_bits} bits would straddle its bytes",
            "start_bit is the MOST significant bit's place in its byte: 7 for whole bytes in either order.",
        )


def _check_scaling(definition: SignalDefinition, where: tuple, error: ErrorAt) -> None:
    """Does the scaling give what the signal measures?"""
    name, known = definition.name, signals.SIGNALS[definition.name]
    if definition.factor == 0.0:
        raise error(
            (*where, "factor"), "is 0, so every reading would be the same", "Give the value of one raw count."
        )
    try:
        units.conversion(definition.unit or known.unit, known.unit)
    except (ValueError, ArithmeticError) as wrong:
        raise error(
            (*where, "unit"),
            f'"{definition.unit}" does not measure what {name} is',
            f'Use "{known.unit}" or a unit that converts to it.',
        ) from wrong
    for key, plain in (("angle", "crank"), ("positive", "advance")):
        if not definition.is_cam_angle and getattr(definition, key) != plain:
            raise error(
                (*where, key),
                f"has no meaning for {name}",
                "Remove it: only a cam's commanded and actual have it.",
            )
    low, high = definition.value_range
    if high < known.low or low > known.high:
        raise error(
            (*where, "factor"),
            f"makes {name} always lie from {low:g} to {high:g} {known.unit}, which it cannot be",
            "Check factor, offset, signed and unit against the service information.",
        )


def _check_overlaps(definitions: tuple[SignalDefinition, ...], error: ErrorAt) -> None:
    owners: dict[tuple, str] = {}
    for index, definition in enumerate(definitions):
        for byte, bit in sorted(definition.bits):
            other = owners.setdefault((*definition.source, byte, bit), definition.name)
            if other != definition.name:
                raise error(
                    ("signal", index, "start_byte"),
                    f"{definition.name} overlaps {other} in data byte {byte} of {definition.identifier:#06x}",
                    "Correct start_byte, start_bit or length_bits of one of the two.",
                )


def _complete_cams(profile: VehicleProfile, error: ErrorAt) -> tuple[Cam, ...]:
    """The declared cams, then those that only signals name; each with both its angles, or an error."""
    defined = {definition.name: index for index, definition in enumerate(profile.signals)}
    places = {cam.id: ("cam", index, "id") for index, cam in enumerate(profile.cams)}
    for name, index in defined.items():
        if cam := cam_of(name):
            places.setdefault(cam, ("signal", index, "name"))
    for cam, where in places.items():
        for wanted in (signals.commanded(cam), signals.actual(cam)):
            if wanted not in defined:
                raise error(
                    where,
                    f"{cam} has no signal {wanted}",
                    "A cam is judged by both angles: add a [[signal]] for it, or remove this cam.",
                )
    return tuple(profile.cam(cam) or Cam(cam) for cam in places)
