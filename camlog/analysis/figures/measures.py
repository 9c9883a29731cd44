"""How figures are measured; `figures.toml` names these functions.

Each takes the view of a cam and arguments from the table, and yields one `Measured` a value. First come functions that
several figures share, then those for moving with the command, reaching it, and reaching it in time. A path such as
`rest.shift_deg` is read from the cam's examination."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from camlog.analysis.estimate import Estimate, missing
from camlog.analysis.figures import Measured, View, messages
from camlog.analysis.response.fopdt import FopdtFit
from camlog.analysis.response.measure import Response, ResponseByWindow
from camlog.oil_windows import OilWindow

COUNT_DOUBT = 0.5  # least variance of a count of events, so that a count of zero has an upper bound
LEAST_COMMAND_DEG = 2.0  # a command that moved less requires no travel
REFERENCE_STEP_DEG = 20.0  # T63 by the fit is for this step, because a rate-limited cam's T63 grows with the step
DESCRIBES_R2 = 0.9  # a fit that explains less does not describe the cam
ROUGHLY_R2 = 0.8  # enough to compare lags; a lag that changes as the oil warms leaves some motion unexplained
SHORTEST_LAG_S = 0.05
FEW_STEPS = 3
WAYS = {"advance": 1.0, "retard": -1.0}


def value(view: View, path: str, amount_path: str, reason: str = "") -> Iterator[Measured]:
    """A number without an interval at `path`; if None, missing with `reason`, which may be a path (`=` before it)."""
    reason_text = view.at(reason[1:]) if reason.startswith("=") else reason
    yield plain(view.at(path), view.at(amount_path), reason_text)


def known(view: View, path: str, amount_path: str) -> Iterator[Measured]:
    """A number without an interval at `path`; nothing where it is None."""
    if view.at(path) is not None:
        yield plain(view.at(path), view.at(amount_path))


def share(view: View, path: str, amount_path: str, reason: str = "") -> Iterator[Measured]:
    """A share at `path`, from the number of independent trials at `amount_path`; missing with `reason` if None."""
    part, trials = view.at(path), view.at(amount_path)
    yield plain(None, trials, reason) if part is None else share_of(part, 1.0, trials)


def part_of(view: View, path: str, whole_path: str) -> Iterator[Measured]:
    """A count at `path` as a share of the count at `whole_path`; nothing where that is zero."""
    if whole := view.at(whole_path):
        yield share_of(view.at(path), whole, whole)


def count(view: View, path: str, amount_path: str) -> Iterator[Measured]:
    yield count_of(float(view.at(path)), view.at(amount_path))


def estimate(view: View, path: str, amount_path: str = "") -> Iterator[Measured]:
    """An estimate at `path`; without `amount_path` its count is the amount of data."""
    e: Estimate = view.at(path)
    yield Measured(e, view.at(amount_path) if amount_path else e.count)


def windows(view: View, room: str, name: str, amount: str) -> Iterator[Measured]:
    """An estimate from part `room` of the examination, for the whole drive and each oil window."""
    whole = view.at(room)
    for window, part in ((None, whole), *whole.windows):
        yield Measured(getattr(part, name), getattr(part, amount), window)


def codes(view: View, family: str) -> Iterator[Measured]:
    """The number of trouble codes of a family that name the cam; nothing where there are none."""
    # No stored code says little: most modules store one late, or not at all.
    if number := (view.codes or {}).get(family, 0):
        yield plain(float(number), 1.0)


# ---------------------------------------------------------------- what other measures are made of


def unmeasured(reason: str, window: OilWindow | None = None) -> Measured:
    return Measured(missing(reason), 0.0, window)


def plain(number: float | None, amount: float, reason: str = "") -> Measured:
    """A number without an interval; missing, with the reason, where it is None."""
    if number is None:
        return Measured(missing(reason or messages("missing.not_measured")), amount)
    return Measured(Estimate(number, number, number, int(amount)), amount)


def share_of(part: float, whole: float, amount: float) -> Measured:
    """`part` over `whole`, with the interval for `amount` independent trials (Agresti & Coull, 1998)."""
    if whole <= 0:
        return unmeasured(messages("missing.nothing_watched"))
    n = max(amount, 1.0) + 4.0
    share = part / whole
    centre = (share * (n - 4.0) + 2.0) / n
    half = 1.96 * math.sqrt(centre * (1.0 - centre) / n)
    low, high = min(max(centre - half, 0.0), share), max(min(centre + half, 1.0), share)
    return Measured(Estimate(share, low, high, int(amount)), amount)


def count_of(number: float, amount: float) -> Measured:
    low = max(number - 1.96 * math.sqrt(number), 0.0)
    high = number + 1.96 * math.sqrt(max(number, COUNT_DOUBT))
    return Measured(Estimate(number, low, high, int(number)), amount)


# ---------------------------------------------------------------- does it move, does it reach its command


def travel_share(view: View) -> Iterator[Measured]:
    m = view.x.motion
    if m.command_span_deg < LEAST_COMMAND_DEG:
        yield unmeasured(messages("missing.hardly_commanded"))
    else:
        yield plain(m.actual_span_deg / m.command_span_deg, m.command_span_deg)


def standing_share(view: View) -> Iterator[Measured]:
    s = view.x.sticking
    if s.stuck_time_fraction is None:
        yield unmeasured(s.reason or messages("missing.little_commanded"))
    else:
        yield replace(share_of(s.stuck_time_fraction, 1.0, s.moving_s / 2.0), amount=s.moving_s)


def error_spread(view: View) -> Iterator[Measured]:
    t = view.x.tracking
    for window, part in ((None, t), *t.windows):
        if part.p95_abs_deg.value is None:
            yield unmeasured(part.p95_abs_deg.reason, window)
        else:
            spread = _less(part.p95_abs_deg, abs(part.bias_deg.value or 0.0))
            yield Measured(replace(spread, reason=""), part.settled_s, window)


def _less(e: Estimate, amount: float) -> Estimate:
    return e.mapped(lambda end: max(end - amount, 0.0))


def away_share(view: View) -> Iterator[Measured]:
    excursions = view.x.tracking.excursions
    if excursions.time_over_limit_s is None:
        yield unmeasured(excursions.reason)
    else:
        yield share_of(excursions.time_over_limit_s, excursions.watched_s, excursions.watched_s / 10.0)


def late_share(view: View) -> Iterator[Measured]:
    t = view.x.tracking
    for window, part in t.windows or ((None, t),):
        excursions = part.excursions
        if excursions.beyond_s is None:
            yield unmeasured(excursions.reason, window)
        else:
            yield replace(share_of(excursions.beyond_s, excursions.watched_s, excursions.watched_s), window=window)


def gain_error(view: View) -> Iterator[Measured]:
    fit = view.x.response.fit
    if fit.gain.value is None or (fit.r2 or 0.0) < DESCRIBES_R2:
        yield unmeasured(fit.gain.reason or messages("missing.no_lag"))
    else:
        yield Measured(fit.gain.mapped(lambda end: end - 1.0), fit.blocks)


# ---------------------------------------------------------------- in time


def _by_window(view: View) -> Iterator[tuple[OilWindow | None, ResponseByWindow]]:
    response = view.x.response
    yield from response.by_window.items() or ((None, response),)


def steps(view: View, name: str) -> Iterator[Measured]:
    """A figure of the pooled command steps, in each oil window and direction."""
    for window, response in _by_window(view):
        for part in WAYS:
            pooled = getattr(response, part)
            yield Measured(getattr(pooled, name), pooled.steps, window, part)


def fitted_steps(view: View) -> Iterator[Measured]:
    """T63 (s) of a reference step by the continuous fit, in each oil window and direction."""
    for window, response in _by_window(view):
        for part, sign in WAYS.items():
            yield Measured(fitted_t63(response.fit, sign * REFERENCE_STEP_DEG), response.fit.blocks, window, part)


def fitted_t63(fit: FopdtFit, size_deg: float) -> Estimate:
    """T63 (s) of a step of `size_deg` by the continuous fit, with an interval; missing where the fit cannot say."""
    if fit.r2 is None or fit.r2 < DESCRIBES_R2 or fit.lag.value is None or fit.lag.interval is None:
        return missing(fit.lag.reason or messages("missing.no_limited_lag"))
    value = fit.t63_s(size_deg)
    if value is None or fit.lag.value <= 0.0:
        return missing(messages("missing.no_time_constant"))
    slew = fit.slew_advance if size_deg > 0 else fit.slew_retard
    doubt = max(fit.lag.half_width / fit.lag.value, slew.half_width / slew.value if slew.value else 0.0)
    return Estimate(value, value * max(1.0 - doubt, 0.0), value * (1.0 + doubt), fit.blocks)


def slower_t63(response: Response) -> Iterator[tuple[OilWindow, Estimate]]:
    """T63 (s) of the slower direction in each oil window, from steps or from the fit."""
    for window, part in response.by_window.items():
        estimates = [e for e in (part.advance.t63, part.retard.t63) if e.at_least is not None]
        fits = (fitted_t63(part.fit, sign * REFERENCE_STEP_DEG) for sign in WAYS.values())
        estimates += [f for f in fits if f.value is not None]
        if estimates:
            yield window, max(estimates, key=lambda e: e.at_least or 0.0)


def slowest_other(view: View) -> Iterator[Measured]:
    """T63 (s) of the slowest of the engine's other cams, which share the oil."""
    others = [View(x) for x in view.others]
    measured = [m for v in others for m in (*steps(v, "t63"), *fitted_steps(v)) if m.amount >= FEW_STEPS]
    if with_value := [m for m in measured if m.estimate.value is not None]:
        yield max(with_value, key=lambda m: m.estimate.value or 0.0)


def cold_ratio(view: View) -> Iterator[Measured]:
    by_window = view.x.response.by_window
    fitted_windows = sorted(w for w, r in by_window.items() if _lag(r.fit) is not None)
    if len(fitted_windows) < 2:
        yield unmeasured(messages("missing.cold_and_warm"))
    else:
        yield from _lag_ratio(by_window[fitted_windows[0]].fit, by_window[fitted_windows[-1]].fit, fitted_windows[0])


def bank_ratio(view: View) -> Iterator[Measured]:
    others = view.twin.response.by_window if view.twin is not None else {}
    for window, response in view.x.response.by_window.items():
        if window in others:
            yield from _lag_ratio(response.fit, others[window].fit, window)


def _lag(fit: FopdtFit) -> float | None:
    """The lag (s) of a fit that is good enough for comparison, else None."""
    return fit.lag.value if (fit.r2 or 0.0) >= ROUGHLY_R2 and fit.lag.high is not None else None


def _lag_ratio(slow: FopdtFit, fast: FopdtFit, window: OilWindow) -> Iterator[Measured]:
    slow_s, fast_s = _lag(slow), _lag(fast)
    if slow_s is not None and fast_s is not None:
        # A lag below the sampling resolution cannot be compared.
        least_lag = max(fast_s, 0.5 * (fast.resolution_s or 0.0), SHORTEST_LAG_S)
        ratio = replace(slow.lag.mapped(lambda lag: lag / least_lag), count=slow.blocks, reason="")
        yield Measured(ratio, min(slow.blocks, fast.blocks), window)
