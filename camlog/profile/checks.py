"""Checks between the keys of a vehicle profile."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from camlog import signals, units
from camlog.cams import bank_of, cam_of
from camlog.errors import InputError
from camlog.profile.model import LARGEST_IDENTIFIER, MAX_DATA_BYTES, Cam, Engine, VehicleProfile
from camlog.profile.scaling import SignalDefinition

# Builds the error at a key from the path of the key, the name in `messages.toml`, and the values of its templates.
ErrorAt = Callable[..., InputError]


def check_profile(profile: VehicleProfile, error: ErrorAt) -> VehicleProfile:
    """The profile with derived keys filled in (cylinders from the banks, cams from the signals). Raises the InputError
    of

    `error` at the first contradiction."""
    engine = _check_engine(profile.engine, error)
    _check_cams(profile.cams, engine, error)
    _check_once(
        [d.name for d in profile.signals], "signal", "name", "is defined twice", "[[signal]] of each name", error
    )
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
        raise error(where, "many_cylinders", count=cylinders, most=signals.MAX_CYLINDERS)
    if numbered != list(range(1, cylinders + 1)):
        problems = [f"cylinder {n} is in no bank" for n in range(1, cylinders + 1) if n not in numbered]
        problems += [f"cylinder {n} is listed twice" for n in sorted(set(numbered)) if numbered.count(n) > 1]
        problems += [f"cylinder {n} does not exist" for n in sorted(set(numbered)) if not 1 <= n <= cylinders]
        raise error(where, "banks", wrong="; ".join(problems), count=cylinders)
    return replace(engine, cylinders=cylinders)


def _check_once(names: list[str], table: str, key: str, what: str, one: str, error: ErrorAt) -> None:
    for index, name in enumerate(names):
        if name in names[:index]:
            raise error((table, index, key), "twice", name=name, what=what, one=one)


def _check_cams(cams: tuple[Cam, ...], engine: Engine, error: ErrorAt) -> None:
    _check_once([c.id for c in cams], "cam", "id", "is described twice", "[[cam]] for each cam", error)
    for index, cam in enumerate(cams):
        low, high = cam.range_deg or (0.0, 1.0)
        if low >= high or not low <= 0.0 <= high:
            name = "range_order" if low >= high else "range_without_rest"
            raise error(("cam", index, "range_deg"), name, low=low, high=high)
        _check_bank(cam.id, ("cam", index, "id"), engine, error)


def _check_bank(cam: str, where: tuple, engine: Engine, error: ErrorAt) -> None:
    if engine.banks is not None and bank_of(cam) > len(engine.banks):
        raise error(where, "no_bank", cam=cam, bank=bank_of(cam), count=len(engine.banks))


def _check_place(definition: SignalDefinition, where: tuple, engine: Engine, error: ErrorAt) -> None:
    """Check that the value's place in the response is possible and that this engine has the signal."""
    cam, service, bits = cam_of(definition.name), definition.service, definition.length_bits
    if cam:
        _check_bank(cam, (*where, "name"), engine, error)
    cylinder = definition.name.removeprefix(signals.MISFIRE)
    if engine.cylinders is not None and cylinder.isdigit() and int(cylinder) > engine.cylinders:
        raise error((*where, "name"), "no_cylinder", count=engine.cylinders)
    largest = LARGEST_IDENTIFIER[service]
    if definition.identifier > largest:
        values = {"identifier": definition.identifier, "service": service, "largest": largest}
        raise error((*where, "identifier"), "large_identifier", **values)
    if definition.end_byte > MAX_DATA_BYTES:
        raise error((*where, "start_byte"), "beyond_response", byte=definition.end_byte - 1)
    if definition.byte_order == "little" and definition.start_bit == 0 and bits % 8 == 0:
        # Some tables count from the least significant bit, which would silently give another value.
        raise error((*where, "start_bit"), "straddles", bits=bits)


def _check_scaling(definition: SignalDefinition, where: tuple, error: ErrorAt) -> None:
    """Check that the scaling suits the signal."""
    name, standard = definition.name, signals.SIGNALS[definition.name]
    if definition.factor == 0.0:
        raise error((*where, "factor"), "factor_zero")
    try:
        units.conversion(definition.unit or standard.unit, standard.unit)
    except (ValueError, ArithmeticError) as wrong:
        raise error((*where, "unit"), "other_unit", unit=definition.unit, name=name, known=standard.unit) from wrong
    for key, default in (("angle", "crank"), ("positive", "advance")):
        if not definition.is_cam_angle and getattr(definition, key) != default:
            raise error((*where, key), "no_meaning", name=name)
    low, high = definition.value_range
    if high < standard.low or low > standard.high:
        raise error((*where, "factor"), "impossible", name=name, low=low, high=high, unit=standard.unit)


def _check_overlaps(definitions: tuple[SignalDefinition, ...], error: ErrorAt) -> None:
    owners: dict[tuple, str] = {}
    for index, definition in enumerate(definitions):
        for byte, bit in sorted(definition.bits):
            other = owners.setdefault((*definition.source, byte, bit), definition.name)
            if other != definition.name:
                values = {"name": definition.name, "other": other, "byte": byte, "identifier": definition.identifier}
                raise error(("signal", index, "start_byte"), "overlaps", **values)


def _complete_cams(profile: VehicleProfile, error: ErrorAt) -> tuple[Cam, ...]:
    """The declared cams, then those known from signals only. Raises an error unless each has both angles."""
    defined = {definition.name: index for index, definition in enumerate(profile.signals)}
    places = {cam.id: ("cam", index, "id") for index, cam in enumerate(profile.cams)}
    for name, index in defined.items():
        if cam := cam_of(name):
            places.setdefault(cam, ("signal", index, "name"))
    for cam, where in places.items():
        for signal in (signals.commanded(cam), signals.actual(cam)):
            if signal not in defined:
                raise error(where, "half_a_cam", cam=cam, signal=signal)
    return tuple(profile.cam(cam) or Cam(cam) for cam in places)
