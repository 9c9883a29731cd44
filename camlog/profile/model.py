"""The vehicle profile, and every key of its file (TOML, schema `camlog.vehicle/1`).

Each annotation is the check of its key: type, bounds, and the expected value in words. A default applies if the file
leaves a key out."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Annotated, Literal

from annotated_types import Ge, Le, MinLen, Predicate

from camlog.cams import CAM_IDS
from camlog.signals import MAX_CYLINDERS
from camlog.toml_file import Expected

if TYPE_CHECKING:
    from camlog.profile.scaling import SignalDefinition

SCHEMA = "camlog.vehicle/1"
LARGEST_IDENTIFIER = {0x22: 0xFFFF, 0x21: 0xFF, 0x01: 0xFF}
# The longest message of ISO 14230 has 255 bytes; values of CAN vehicles do not lie beyond this either.
MAX_DATA_BYTES = 252

# pint evaluates a unit as an expression. Only texts of this form reach it: no brackets, powers of powers or long
# numbers, which could keep it busy for ever.
_UNIT = re.compile(r"(?!.*[0-9][0-9.^ ])[A-Za-zµμ°Ω%#0-9 ./^-]{1,24}\Z")

Text = Annotated[str, Predicate(str.strip), Expected("text in quotes")]
Number = Annotated[float, Ge(-1e9), Le(1e9), Expected("a finite number")]
Degrees = Annotated[float, Ge(-360.0), Le(360.0), Expected("a number of crankshaft degrees from -360 to 360")]
Cylinder = Annotated[int, Ge(1), Le(MAX_CYLINDERS)]
Bank = Annotated[tuple[Cylinder, ...], MinLen(1)]
_EACH_BANK = Expected("lists of cylinder numbers from 1, one list a bank, as in [[1, 2, 3], [4, 5, 6]]")
Banks = Annotated[tuple[Bank, ...], MinLen(1), _EACH_BANK]
_LOWEST_FIRST = Expected("two numbers of crankshaft degrees, lowest first, as in [0.0, 50.0]")
Travel = Annotated[tuple[Degrees, Degrees], _LOWEST_FIRST]
Litres = Annotated[float, Ge(0.05), Le(30.0), Expected("a number of litres from 0.05 to 30")]


@dataclass(frozen=True)
class Vehicle:
    """The table `[vehicle]`; `kind` is the shop's own name for a kind of engine, whose known-good cars are compared."""

    name: Text | None = None
    kind: Text | None = None


@dataclass(frozen=True)
class Engine:
    """The engine's geometry; None where the profile has no value.

    `banks` holds the cylinder numbers of bank 1, bank 2 and so on. `crank_sprocket_teeth` and `loaded_chain_links`
    (links of the loaded strand between crank and cam) turn a base-timing offset into teeth and chain elongation."""

    cylinders: Cylinder | None = None
    banks: Banks | None = None
    displacement_l: Litres | None = None
    crank_sprocket_teeth: Annotated[int, Ge(8), Le(120)] | None = None
    loaded_chain_links: Annotated[int, Ge(2), Le(500)] | None = None


@dataclass(frozen=True)
class Oil:
    """The table `[oil]`."""

    grade: Text | None = None


@dataclass(frozen=True)
class Cam:
    """One camshaft with a phaser.

    `rest_deg` is the angle that the module reports at the phaser's rest (locked) position, in crankshaft degrees,
    advance positive. `range_deg` is the travel (lowest, highest) from rest in the same degrees, or None if not in the
    profile.
    """

    id: Annotated[str, Predicate(CAM_IDS.__contains__), Expected("one of " + ", ".join(f'"{c}"' for c in CAM_IDS))]
    rest_deg: Degrees = 0.0
    range_deg: Travel | None = None


@dataclass(frozen=True)
class Layout:
    """The table `[layout]`, from service information, for the checks, times, quote and cautions of this engine. `lock`
    is

    where the phaser locks; `interference`: valves and pistons meet if timing is wrong."""

    valve: Literal["front_cover", "under_valve_cover", "centre_bolt", "unknown"] = "unknown"
    drive: Literal["chain", "belt", "gear"] = "chain"
    interference: Annotated[bool, Expected("true or false")] = True
    lock: Literal["retard_stop", "advance_stop", "middle", "unknown"] = "unknown"
    screen: Text | None = None
    torque_reference: Text | None = None
    procedure_reference: Text | None = None
    relearn: Text | None = None


@dataclass(frozen=True, kw_only=True)
class SignalKeys:
    """One `[[signal]]`: a value's place in a response and its scaling, as explained in `scaling`."""

    name: Text
    service: Annotated[Literal[0x22, 0x21, 0x01], Expected("0x22, 0x21 or 0x01")] = 0x22
    identifier: Annotated[int, Ge(0), Le(0xFFFF), Expected("a whole number from 0x0 to 0xFFFF")]
    request_header: Annotated[int, Ge(1), Le(0x1FFFFFFF), Expected("a whole number from 0x1 to 0x1FFFFFFF")] | None = (
        None  # 29 bits, ISO 15765-4
    )
    start_byte: Annotated[int, Ge(0), Le(MAX_DATA_BYTES - 1)] = 0
    start_bit: Annotated[int, Ge(0), Le(7)] = 7
    length_bits: Annotated[int, Ge(1), Le(32)]
    byte_order: Literal["big", "little"] = "big"
    signed: Annotated[bool, Expected("true or false")] = False
    factor: Number = 1.0
    offset: Number = 0.0
    unit: Annotated[str, Predicate(_UNIT.match), Expected('the name of a unit, as in "deg"')] | None = None
    angle: Literal["crank", "cam"] = "crank"
    positive: Literal["advance", "retard"] = "advance"


@dataclass(frozen=True)
class ProfileFile:
    """The whole file, in the order of the template."""

    schema: str
    vehicle: Vehicle = Vehicle()
    engine: Engine = Engine()
    oil: Oil = Oil()
    cam: tuple[Cam, ...] = ()
    signal: tuple[SignalKeys, ...] = ()
    layout: Layout = Layout()
    limits: dict[str, Number] = field(default_factory=dict)


@dataclass(frozen=True)
class VehicleProfile:
    """A vehicle profile, read and checked; `file` and `sha256` are those of its file."""

    name: str
    engine: Engine = Engine()
    oil_grade: str | None = None
    cams: tuple[Cam, ...] = ()
    signals: tuple[SignalDefinition, ...] = ()
    limits: Mapping[str, float] = field(default_factory=dict)
    layout: Layout = Layout()
    kind: str = ""
    file: str = ""
    sha256: str = ""

    def cam(self, id: str) -> Cam | None:
        """The cam of that id (`intake_b1`); None if this vehicle has none."""
        return next((cam for cam in self.cams if cam.id == id), None)

    def definition(self, signal_name: str) -> SignalDefinition | None:
        """The definition of the signal of that name; None if the profile has none."""
        return next((d for d in self.signals if d.name == signal_name), None)


def layout_of(profile: VehicleProfile | None) -> Layout:
    """The engine's layout; without a profile the defaults."""
    return Layout() if profile is None else profile.layout
