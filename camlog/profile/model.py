"""What camlog knows about one vehicle: its engine, oil, cams, signals and limits."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from camlog.profile.scaling import SignalDefinition


@dataclass(frozen=True)
class Engine:
    """The engine's geometry; None where the profile does not say.

    `banks` holds the cylinder numbers of bank 1, bank 2 and so on. `crank_sprocket_teeth`
    and `loaded_chain_links` (links of the loaded strand between crank and cam) turn a
    base-timing offset into teeth and chain elongation.
    """

    cylinders: int | None = None
    banks: tuple[tuple[int, ...], ...] | None = None
    displacement_l: float | None = None
    crank_sprocket_teeth: int | None = None
    loaded_chain_links: int | None = None


@dataclass(frozen=True)
class Cam:
    """One camshaft with a phaser.

    `rest_deg` is the angle the module reports at the phaser's rest (locked) position, in
    crankshaft degrees, advance positive. `range_deg` is the travel (lowest, highest) from
    rest, in crankshaft degrees, advance positive, or None where the profile does not say.
    """

    id: str
    rest_deg: float = 0.0
    range_deg: tuple[float, float] | None = None


@dataclass(frozen=True)
class VehicleProfile:
    """A vehicle profile as read: `file` and `sha256` say from what bytes."""

    name: str
    engine: Engine = Engine()
    oil_grade: str | None = None
    cams: tuple[Cam, ...] = ()
    signals: tuple[SignalDefinition, ...] = ()
    limits: Mapping[str, float] = field(default_factory=dict)
    file: str = ""
    sha256: str = ""

    def cam(self, id: str) -> Cam | None:
        """The cam of that id (`intake_b1`), or None where this vehicle has none."""
        return next((cam for cam in self.cams if cam.id == id), None)

    def definition(self, signal_name: str) -> SignalDefinition | None:
        """Where the signal of that name is read, or None where the profile does not define it."""
        return next((d for d in self.signals if d.name == signal_name), None)
