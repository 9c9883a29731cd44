"""How figures are measured where several of them are measured alike; `figures.toml` names these functions.

Each takes the view of a cam and what the table gives it, and yields one `Measured` a value. A path such as
`rest.shift_deg` is read from the cam's examination.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from operator import attrgetter

from camlog.analysis.estimate import Estimate, missing
from camlog.analysis.figures.figure import Measured, View, messages

COUNT_DOUBT = 0.5  # a count of events is known to a Poisson spread; of none, to less than one


def value(view: View, path: str, amount_path: str, reason: str = "") -> Iterator[Measured]:
    """A number without an interval at `path`; where it is None the `reason`, which may be a path (`=` before
    it)."""
    why = attrgetter(reason[1:])(view.x) if reason.startswith("=") else reason
    yield plain(attrgetter(path)(view.x), attrgetter(amount_path)(view.x), why)


def known(view: View, path: str, amount_path: str) -> Iterator[Measured]:
    """A number without an interval at `path`; nothing where it is None."""
    if attrgetter(path)(view.x) is not None:
        yield from value(view, path, amount_path)


def share(view: View, path: str, amount_path: str, reason: str = "") -> Iterator[Measured]:
    """A share at `path` of so many independent looks; `reason` where it is None."""
    part, looks = attrgetter(path)(view.x), attrgetter(amount_path)(view.x)
    yield plain(None, looks, reason) if part is None else share_of(part, 1.0, looks)


def part_of(view: View, path: str, whole_path: str) -> Iterator[Measured]:
    """A count at `path` as a share of the count at `whole_path`; nothing where that is zero."""
    whole = attrgetter(whole_path)(view.x)
    if whole:
        yield share_of(attrgetter(path)(view.x), whole, whole)


def count(view: View, path: str, amount_path: str) -> Iterator[Measured]:
    """A count of events at `path`."""
    yield count_of(float(attrgetter(path)(view.x)), attrgetter(amount_path)(view.x))


def estimate(view: View, path: str, amount_path: str = "") -> Iterator[Measured]:
    """An estimate at `path`; without `amount_path` its count is what it rests on."""
    e: Estimate = attrgetter(path)(view.x)
    yield Measured(e, attrgetter(amount_path)(view.x) if amount_path else e.count)


def windows(view: View, room: str, name: str, amount: str) -> Iterator[Measured]:
    """An estimate of a part of the examination, of the whole drive and of each oil window."""
    whole = getattr(view.x, room)
    for window, here in ((None, whole), *whole.windows):
        yield Measured(getattr(here, name), getattr(here, amount), window)


def codes(view: View, family: str) -> Iterator[Measured]:
    """How many trouble codes of a family name the cam; nothing where there are none."""
    # That no code is stored says little: most modules store one late, or not at all.
    number = (view.codes or {}).get(family, 0)
    if number:
        yield plain(float(number), 1.0)


# ---------------------------------------------------------------- what other measures are made of


def plain(number: float | None, amount: float, reason: str = "") -> Measured:
    """A number known as it stands; missing, with the reason, where it is None."""
    if number is None:
        return Measured(missing(reason or messages("missing.not_measured")), amount)
    return Measured(Estimate(number, number, number, int(amount)), amount)


def share_of(part: float, whole: float, amount: float) -> Measured:
    """A share of `whole`, with the interval of `amount` independent looks (Agresti & Coull, 1998)."""
    if whole <= 0:
        return Measured(missing(messages("missing.nothing_watched")), 0.0)
    n = max(amount, 1.0) + 4.0
    share = part / whole
    centre = (share * (n - 4.0) + 2.0) / n
    half = 1.96 * math.sqrt(centre * (1.0 - centre) / n)
    low, high = min(max(centre - half, 0.0), share), max(min(centre + half, 1.0), share)
    return Measured(Estimate(share, low, high, int(amount)), amount)


def count_of(number: float, amount: float) -> Measured:
    """A count of events with a Poisson interval."""
    low = max(number - 1.96 * math.sqrt(number), 0.0)
    high = number + 1.96 * math.sqrt(max(number, COUNT_DOUBT))
    return Measured(Estimate(number, low, high, int(number)), amount)


def mapped(e: Estimate, change) -> Estimate:
    """The estimate with value and both ends put through a function that rises."""
    ends = [None if end is None else change(end) for end in (e.value, e.low, e.high)]
    return Estimate(*ends, e.count, e.reason)


def less_noise(e: Estimate, noise_deg: float) -> Estimate:
    """Flutter without the part that is only noise of the reading."""
    return mapped(e, lambda rms: max(rms * rms - noise_deg * noise_deg, 0.0) ** 0.5)
