"""Shows a person the values of a column in question, and a whole conversion on one screen."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from camlog.cams import CAM_IDS, actual, cam_words, commanded, is_angle
from camlog.convert.evidence import Series, fit, series_of
from camlog.convert.model import ColumnLook, ColumnMatch, Conversion
from camlog.convert.table import Table
from camlog.convert.words import and_more, say
from camlog.limits import LIMITS
from camlog.questions import titles
from camlog.signals import SIGNALS

_OWN_SHOWN = 20
_VALUES = 10
_LINE_POINTS = 200
_PARTNER_R2 = 0.5
_ONE_WAY = 0.9  # share of its travel in one direction, from which a column climbs or falls


def look_at(table: Table, match: ColumnMatch, matches: Sequence[ColumnMatch] = ()) -> ColumnLook | None:
    """The values of a column, compared with the cam columns among `matches`; None if it has no values."""
    indices = {c.index for c in table.columns}
    own = series_of(table, match.index) if match.index in indices else Series(np.empty(0), np.empty(0))
    if not len(own.values):
        return None
    places = np.linspace(0, len(own.values) - 1, min(_VALUES, len(own.values))).astype(int)
    look = ColumnLook(
        match.index, match.label, float(own.values.min()), float(own.values.max()), tuple(own.values[places].tolist()),
        *_moves(own), _line(own),
    )  # fmt: skip
    best = look
    for other in matches if _is_of_cam(match) else ():
        if other.index == match.index or other.index not in indices or not _is_of_cam(other):
            continue
        partner = series_of(table, other.index)
        how = fit(partner, own)
        if how and how.r2 >= _PARTNER_R2 and how.r2 > best.r2:
            line = _line(partner)
            best = replace(look, partner=other.label, lag_s=how.lag_s, gain=how.gain, r2=how.r2, partner_line=line)
    return best


def _line(series: Series) -> tuple[tuple[float, float], ...]:
    places = np.linspace(0, len(series.values) - 1, min(_LINE_POINTS, len(series.values))).astype(int)
    return tuple(zip(series.time_s[places].tolist(), series.values[places].tolist(), strict=True))


def _is_of_cam(match: ColumnMatch) -> bool:
    return match.speaks_of_cam or is_angle(match.signal)


def _moves(series: Series) -> tuple[str, int]:
    steps = np.diff(series.values)
    with np.errstate(over="ignore"):
        travel = float(np.abs(steps).sum())
    if not travel or not np.isfinite(travel):
        return "stands", 0
    up = float(steps[steps > 0].sum()) / travel
    return ("climbs" if up > _ONE_WAY else "falls" if up < 1 - _ONE_WAY else "turns"), series.moves


def in_words(look: ColumnLook) -> str:
    """A look in one or two sentences."""
    values = ", ".join(f"{v + 0.0:.4g}" for v in look.values)
    text = say(f"look_{look.moves}", low=look.low, high=look.high, turns=look.turns, values=values)
    return f"{text} {partner_in_words(look)}".strip()


def partner_in_words(look: ColumnLook) -> str:
    """How a column follows its likely partner, in words; "" without one."""
    if look.partner is None:
        return ""
    name = "look_follows" if look.lag_s >= 0 else "look_leads"
    alike = 0.95 <= look.gain <= 1.05
    return say(name, partner=repr(look.partner), lag=abs(look.lag_s), gain=look.gain, alike=alike)


# ---------------------------------------------------------------- the whole conversion


def made(done: Conversion) -> Iterator[str]:
    """A line for every signal with its readings per second, one for the other columns, and one for the whole file."""
    certain = [c for c in done.columns if c.certain and c.signal not in ("", "time")]
    for c in certain:
        rate = rate_hz(done, c.written_as)
        rate_text, title = say("rate_of", rate=rate) if rate else say("too_few_for_a_rate"), SIGNALS[c.signal].title
        yield say("taken", signal=c.signal, title=title, name=repr(c.label), unit=c.unit, rate=rate_text)
    own = [c.written_as for c in done.columns if not c.signal and c.written_as]
    if own:
        yield say("under_own_name", names=and_more(own, _OWN_SHOWN))
    yield say("made", trace=done.trace_path, rows=done.rows, signals=len(certain), span=done.duration_s)


def rate_hz(done: Conversion, name: str) -> float:
    """Readings per second of a column of the trace; 0 if it has too few."""
    count = done.readings.get(name, 0)
    return (count - 1) / done.duration_s if count > 1 and done.duration_s else 0.0


def missing(done: Conversion) -> Iterator[str]:
    """Sentences on what the recording lacks for a verdict, and how to log it."""
    signals = {c.signal for c in done.columns if c.certain}
    if not any(map(is_angle, signals | {c.signal for c in done.doubtful})):
        yield say("no_cam_angles")
    for cam in CAM_IDS:
        names = {"commanded": commanded(cam), "actual": actual(cam)}
        lacking = [role for role, name in names.items() if name not in signals]
        if len(lacking) == 1:
            yield say("half_a_cam", cam=cam_words(cam), role=lacking[0])
        if not lacking and (rate := min(rate_hz(done, name) for name in names.values())):
            yield from _too_slow(done, cam, rate)
    if "engine_speed" not in signals:
        yield say("no_engine_speed_column")
    if not signals & {"oil_temp", "coolant_temp"}:
        yield say("no_temperature_column")


def _too_slow(done: Conversion, cam: str, rate: float) -> Iterator[str]:
    """Which questions of the verdict can be answered by angles at `rate` readings per second, and what the others
    need."""
    least = 1.0 / LIMITS["needed_pair_interval_s"].value
    if rate >= least:
        return
    total = sum(rate_hz(done, name) for name in done.readings)
    yield say(
        "too_slow", cam=cam_words(cam), rate=rate, least=least, answered=titles("sampling", False),
        open=titles("sampling"), total=total, channels=int(total / least),
    )  # fmt: skip
