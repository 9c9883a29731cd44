"""A shop's own figures (TOML, schema `camlog.shop/1`): labour, currency, priors of causes, times and prices of repairs.

    schema = "camlog.shop/1"
    [shop]
    name = "Workshop to be named"
    currency = "EUR"
    labour_per_hour = 95.0
    [priors]                 # how often this shop sees each cause, as weights
    chain_stretched = 9.0
    [[repair]]
    key = "phaser"
    minutes = 300.0
    parts = 240.0
    part = "own part number"
    supplier = "who delivers"

Everything but `schema` is optional.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Annotated

from annotated_types import Gt, Le, Predicate

from camlog.analysis.causes.causes import BY_KEY
from camlog.analysis.causes.checks import REPAIRS, Repair
from camlog.analysis.causes.troubleshoot import Rates
from camlog.profile.model import Layout
from camlog.toml_file import Expected, TomlFile

SCHEMA = "camlog.shop/1"
FILE_NAME = "shop.toml"
_REPAIR_KEYS = tuple(r.key for r in REPAIRS)
Amount = Annotated[float, Gt(0.0), Le(1e6), Expected("a number above 0")]
Text = Annotated[str, Expected("text in quotes")]
# Factor on the time of a step by the place of the valve. Common practice, no source.
VALVE_TIMES = {"front_cover": 1.0, "under_valve_cover": 3.0, "centre_bolt": 5.0, "unknown": 1.0}


@dataclass(frozen=True)
class Shop:
    """The table `[shop]`."""

    name: Text = ""
    currency: Text = ""
    labour_per_hour: Amount = 100.0


@dataclass(frozen=True)
class ShopRepair:
    """One `[[repair]]`: the shop's own time, price, part and supplier."""

    key: Annotated[str, Predicate(_REPAIR_KEYS.__contains__), Expected("one of " + ", ".join(_REPAIR_KEYS))]
    minutes: Amount | None = None
    parts: Annotated[float, Le(1e6), Expected("a number")] | None = None
    part: Text = ""
    supplier: Text = ""

    def applied(self, usual: Repair) -> Repair:
        """The repair with the shop's own time and price, if it has them."""
        parts = usual.parts if self.parts is None else self.parts
        return replace(usual, minutes=self.minutes or usual.minutes, parts=parts)


@dataclass(frozen=True)
class ShopFile:
    """The whole file."""

    schema: str = SCHEMA
    shop: Shop = Shop()
    priors: dict[str, Amount] = field(default_factory=dict)
    repair: tuple[ShopRepair, ...] = ()

    def rates(self, layout: Layout) -> Rates:
        """What the shop's time costs on an engine of this layout."""
        return Rates(self.shop.labour_per_hour, {"valve": VALVE_TIMES[layout.valve]})

    @property
    def repairs(self) -> tuple[Repair, ...]:
        """The repairs with the shop's own minutes and prices."""
        own = {r.key: r for r in self.repair}
        return tuple(own[r.key].applied(r) if r.key in own else r for r in REPAIRS)


def read_shop(path: str | Path | None, beside: Path | None = None) -> ShopFile:
    """A shop's figures from `path`, else from `shop.toml` in the folder `beside`, else camlog's own.

    Raises InputError with file, line and key.
    """
    if path is None:
        if beside is None or not (beside / FILE_NAME).exists():
            return ShopFile()
        path = beside / FILE_NAME
    toml = TomlFile.open(path, "shop file", "The manual shows one.")
    read = toml.load(ShopFile, SCHEMA)
    for key in read.priors:
        if key not in BY_KEY:
            raise toml.unknown(("priors", key), key, BY_KEY, "unknown cause")
    return read
