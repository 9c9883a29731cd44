"""Figures set against their limits: for each kind of fault, the chance that its figures are really beyond
them.

Every mark carries a sentence with the figure, the limit and where the limit comes from.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy.special import ndtr

from camlog.analysis.drive.windows import OilWindow
from camlog.analysis.estimate import Estimate
from camlog.analysis.limits import Limit

SOFTNESS = 0.10  # one standard deviation of a limit, as a share of it
Z95 = 1.96
LOW_CHANCE, HIGH_CHANCE = 0.005, 0.995
LIKELY = 0.5
SPAN_DEG = 8.0  # a command that never moved farther than this shows neither a stuck nor a slow cam


@dataclass(frozen=True, slots=True)
class Mark:
    """One figure beside its limit.

    `condition` is the fault it speaks for (empty: the cam is not where it should be, whatever the reason),
    `chance` (0 to 1) the chance that the figure is really beyond the limit, `oil` the oil window in words
    (empty for the whole drive).
    """

    name: str
    condition: str
    value: float | None
    limit: Limit
    chance: float
    sentence: str
    oil: str = ""


def chance_beyond(figure: Estimate | float | None, limit: float, *, above: bool = True) -> float:
    """Chance that a figure lies beyond a limit, from its 95 % interval and the limit's softness.

    A figure that is only bounded (a step that had not arrived when watching ended) counts by its bound.
    """
    if figure is None:
        return LOW_CHANCE
    if not isinstance(figure, Estimate):
        figure = Estimate(float(figure))
    sign = 1.0 if above else -1.0
    value, toward = figure.value, figure.low if above else figure.high
    if value is None:
        if toward is None:
            return LOW_CHANCE
        value = toward
    if not math.isfinite(value):
        return LOW_CHANCE
    near = 0.0 if toward is None or not math.isfinite(toward) else max(sign * (value - toward), 0.0)
    spread = ((near / Z95) ** 2 + (SOFTNESS * limit) ** 2) ** 0.5
    chance = float(ndtr(sign * (value - limit) / spread)) if spread else float(sign * (value - limit) > 0)
    return min(max(chance, LOW_CHANCE), HIGH_CHANCE)


def oil_words(window: OilWindow | None) -> str:
    """An oil window in words: `below 40 °C`, `40 to 70 °C`, `above 100 °C`; empty where every window is
    meant."""
    if window is None:
        return ""
    low, high = window.min_degc, window.max_degc
    if math.isinf(low) and math.isinf(high):
        return ""
    if math.isinf(low):
        return f"below {high:g} °C"
    return f"above {low:g} °C" if math.isinf(high) else f"{low:g} to {high:g} °C"


def mark(
    name: str,
    condition: str,
    value: float | None,
    limit: Limit,
    chance: float,
    words: str,
    window: OilWindow | None = None,
) -> Mark:
    """A mark whose sentence ends with the oil window and the limit."""
    oil = oil_words(window)
    where = f" with oil {oil}" if oil else ""
    return Mark(name, condition, value, limit, chance, f"{words}{where}; the limit is {limit}.", oil)


def marks_of(
    name: str,
    condition: str,
    figure: Estimate,
    limit: Limit,
    words: str,
    window: OilWindow | None = None,
    *,
    above: bool = True,
    size: bool = False,
) -> list[Mark]:
    """The mark of an Estimate, none where it was not measured; `words` has a place {} for the value.

    `size` judges the value without its sign.
    """
    if size and figure.value is not None and figure.value < 0:
        low, high = figure.low, figure.high
        figure = Estimate(
            -figure.value,
            None if high is None else -high,
            None if low is None else -low,
            figure.count,
            figure.reason,
        )
    value = figure.value if figure.value is not None else figure.low if above else figure.high
    if value is None:
        return []
    said = f"{value:.3g}" if figure.value is not None else f"{'more' if above else 'less'} than {value:.3g}"
    chance = chance_beyond(figure, limit.value, above=above)
    return [mark(name, condition, value, limit, chance, words.format(said), window)]


def likely(marks: list[Mark] | tuple[Mark, ...], condition: str | None = None) -> bool:
    """Is any mark (of a condition) more likely beyond its limit than not?"""
    return any(m.chance > LIKELY and (condition is None or m.condition == condition) for m in marks)
