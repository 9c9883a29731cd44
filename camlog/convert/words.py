"""The words of the trade in `words.toml` as sets and tables, and the sentences in `messages.toml` by name and
values."""

from __future__ import annotations

import tomllib
from importlib import resources
from typing import Literal, get_args

from camlog.messages import Messages

say = Messages("camlog.convert")
TimeUnit = Literal["s", "ms", "us", "ns", "min", "h", "day"]
SECONDS_IN: dict[str, float] = dict(
    zip(get_args(TimeUnit), (1.0, 1e-3, 1e-6, 1e-9, 60.0, 3600.0, 86400.0), strict=True)
)
_DATA = tomllib.loads(resources.files("camlog.convert").joinpath("words.toml").read_text("utf-8"))


def counted(name: str, count: int, /, **values) -> str:
    """The sentence `name` in its form for one thing or for several."""
    return say(f"counted.{name}.{'one' if count == 1 else 'more'}", count=count, **values)


def and_more(names: list[str], shown: int, between: str = ", ") -> str:
    """The first names of a list, and the number of the others."""
    text = between.join(names[:shown])
    return say("and_more", names=text, count=len(names) - shown) if len(names) > shown else text


def words(name: str) -> frozenset[str]:
    """The set of that name."""
    return frozenset(_DATA["sets"][name].split())


def _by_spelling(table: dict[str, str]) -> dict[str, str]:
    return {spelling: meaning for meaning, spellings in table.items() for spelling in spellings.split()}


SAME_WORDS = _by_spelling(_DATA["same"])
UNITS = _by_spelling(_DATA["units"])
PHRASES: dict[str, tuple[tuple[str, float], ...]] = {n: tuple(p.items()) for n, p in _DATA["phrases"].items()}
# signal: unit -> (lowest, highest value, highest value at least to be expected of a running car)
RANGES: dict[str, dict[str, tuple[float, float, float]]] = {
    signal: {unit: tuple(limits) for unit, limits in units.items()} for signal, units in _DATA["ranges"].items()
}
PLACES = words("places")
EMPTY, OTHER_THINGS, QUANTITIES = words("empty") | PLACES, words("other_things"), words("quantities")
OTHER_FOR = {name: frozenset(text.split()) for name, text in _DATA["other_for"].items()}
US_UNITS, METRIC_UNITS = words("us_units"), words("metric_units")
MISSING = words("missing") | frozenset(_DATA["sets"]["missing_phrases"].split(","))
