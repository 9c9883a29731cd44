"""What the values of a column show a person who is asked about it: range, some values, how it moves, its likely partner."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from camlog.cams import is_angle
from camlog.convert.evidence import Series, fit, series_of
from camlog.convert.model import ColumnLook, ColumnMatch
from camlog.convert.sentences import say
from camlog.convert.table import Table

_VALUES = 10
_LINE_POINTS = 200
_PARTNER_R2 = 0.5
_ONE_WAY = 0.9  # of its whole way up and down: a column that goes this share one way climbs or falls


def look_at(table: Table, match: ColumnMatch, matches: Sequence[ColumnMatch] = ()) -> ColumnLook | None:
    """What a column shows, beside the cam columns among `matches`; None where it holds no values."""
    places = {c.index: place for place, c in enumerate(table.columns, start=1)}
    if match.index not in places:
        return None
    own = series_of(table, places[match.index])
    if not len(own.values):
        return None
    shown = np.linspace(0, len(own.values) - 1, min(_VALUES, len(own.values))).astype(int)
    drawn = np.linspace(0, len(own.values) - 1, min(_LINE_POINTS, len(own.values))).astype(int)
    moves, turns = _moves(own)
    partner = {}
    if _is_of_cam(match):
        others = [m for m in matches if m.index != match.index and m.index in places and _is_of_cam(m)]
        fits = [
            (f, m)
            for m in others
            if (f := fit(series_of(table, places[m.index]), own)) and f.r2 >= _PARTNER_R2
        ]
        if fits:
            best, other = max(fits, key=lambda pair: pair[0].r2)
            partner = {"partner": other.label, "lag_s": best.lag_s, "gain": best.gain, "r2": best.r2}
    return ColumnLook(
        match.index, match.label, float(own.values.min()), float(own.values.max()), tuple(own.values[shown].tolist()), moves,
        turns, tuple(zip(own.time_s[drawn].tolist(), own.values[drawn].tolist(), strict=True)), **partner,
    )  # fmt: skip


def _is_of_cam(match: ColumnMatch) -> bool:
    return match.speaks_of_cam or (match.signal is not None and is_angle(match.signal))


def _moves(series: Series) -> tuple[str, int]:
    steps = np.diff(series.values)
    with np.errstate(over="ignore"):
        way = float(np.abs(steps).sum())
    if not way or not np.isfinite(way):
        return "stands", 0
    up = float(steps[steps > 0].sum()) / way
    return ("climbs" if up > _ONE_WAY else "falls" if up < 1 - _ONE_WAY else "turns"), series.moves


def in_words(look: ColumnLook) -> str:
    """A look as a sentence or two."""
    values = ", ".join(f"{v:g}" for v in look.values)
    text = say(f"look_{look.moves}", low=look.low, high=look.high, turns=look.turns, values=values)
    if look.partner is None:
        return text
    name = "look_follows" if look.lag_s >= 0 else "look_leads"
    return f"{text} {say(name, partner=repr(look.partner), lag=abs(look.lag_s), gain=look.gain)}"
