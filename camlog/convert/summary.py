"""A conversion in one screen: what it made, and what a verdict on the phaser would take besides."""

from __future__ import annotations

from collections.abc import Iterator

from camlog.cams import CAM_IDS, actual, cam_words, commanded, is_angle
from camlog.convert.model import Conversion
from camlog.convert.sentences import say
from camlog.limits import LIMITS
from camlog.signals import SIGNALS

_OWN_SHOWN = 20


def made(done: Conversion) -> Iterator[str]:
    """A line for every signal with its readings a second, one for the other columns, and one for the whole."""
    taken = [c for c in done.columns if c.certain and c.signal and c.signal != "time"]
    for c in taken:
        rate = rate_hz(done, c.written_as)
        told = say("rate_of", rate=rate) if rate else say("too_few_for_a_rate")
        yield say(
            "taken",
            signal=c.signal,
            title=SIGNALS[c.signal].title,
            name=repr(c.label),
            unit=c.unit,
            rate=told,
        )
    own = [c.written_as for c in done.columns if c.signal is None and c.written_as]
    if own:
        names, more = ", ".join(own[:_OWN_SHOWN]), len(own) - _OWN_SHOWN
        yield say("under_own_name", names=say("and_more", names=names, count=more) if more > 0 else names)
    yield say("made", trace=done.trace_path, rows=done.rows, signals=len(taken), span=done.duration_s)


def rate_hz(done: Conversion, name: str) -> float | None:
    """Readings a second of a column of the trace; None where it has too few to tell."""
    count = done.readings.get(name, 0)
    return (count - 1) / done.duration_s if count > 1 and done.duration_s else None


def missing(done: Conversion) -> Iterator[str]:
    """What the recording lacks for a verdict, a sentence each, and how to log it."""
    signals = {c.signal for c in done.columns if c.certain and c.signal}
    if not any(map(is_angle, signals | {c.signal for c in done.doubtful})):
        yield say("no_cam_angles")
    for cam in CAM_IDS:
        halves = {role: name(cam) in signals for role, name in (("commanded", commanded), ("actual", actual))}
        if any(halves.values()) and not all(halves.values()):
            yield say(
                "half_a_cam",
                cam=cam_words(cam),
                role=next(role for role, there in halves.items() if not there),
            )
        rates = [rate_hz(done, name(cam)) for name in (commanded, actual) if name(cam) in signals]
        least = 1.0 / LIMITS["needed_pair_interval_s"].value
        if all(halves.values()) and None not in rates and min(rates) < least:
            yield say("too_slow", cam=cam_words(cam), rate=min(rates), least=least)
    if "engine_speed" not in signals:
        yield say("no_engine_speed_column")
    if not signals & {"oil_temp", "coolant_temp"}:
        yield say("no_temperature_column")
