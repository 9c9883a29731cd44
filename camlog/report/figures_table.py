"""Every metric of a cam beside its limit: value, interval, sample count, the limit and where it comes from."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from camlog.analysis.drive.windows import OilWindow
from camlog.analysis.estimate import Estimate
from camlog.analysis.findings import CamFindings, Findings
from camlog.analysis.limits import Limit, slew_limit, t63_limit
from camlog.analysis.response.step_pool import StepSummary
from camlog.report.words import interval_words, with_unit


@dataclass(frozen=True, slots=True)
class Row:
    """One metric. `figure` in `unit`; `oil` the window's label, empty for the whole drive.

    `state` is `within`, `beyond`, `unsure` (the interval spans the limit), `none` (no limit judges it) or
    `missing`. `size` means the limit judges the figure without its sign; `above` False that small is bad.
    `whole` is a count that is what it is, with no interval.
    """

    group: str
    metric: str
    figure: Estimate
    unit: str
    limit: Limit | None = None
    oil: str = ""
    above: bool = True
    size: bool = False
    key: str = ""

    @property
    def state(self) -> str:
        e = self.figure
        if e.value is None and e.low is None and e.high is None:
            return "missing"
        if self.limit is None:
            return "none"
        limit = self.limit.value
        if e.value is None:
            return self._state_of_a_bound(limit)
        sign = -1.0 if self.size and e.value < 0 else 1.0
        ends = [sign * end for end in (e.low, e.high) if end is not None]
        value = sign * e.value
        if len(ends) == 2 and min(ends) <= limit <= max(ends) and min(ends) != max(ends):
            return "unsure"
        return "beyond" if (value > limit if self.above else value < limit) else "within"

    def _state_of_a_bound(self, limit: float) -> str:
        """Of a figure known only to lie beyond a bound: judged where the bound itself is on one side of the limit."""
        low, high = self.figure.low, self.figure.high
        if low is not None and low > limit:
            return "beyond" if self.above else "within"
        if high is not None and high < limit:
            return "within" if self.above else "beyond"
        return "missing"

    @property
    def value_words(self) -> str:
        if self.figure.value is None:
            if self.figure.high is not None and not self.figure.low:
                return f"under {with_unit(self.figure.high, self.unit)}"
            return f"more than {with_unit(self.figure.low, self.unit)}" if self.figure.low else "not measured"
        return with_unit(self.figure.value, self.unit)

    @property
    def interval(self) -> str:
        return interval_words(self.figure) if self.figure.value is not None else ""

    @property
    def reason(self) -> str:
        return self.figure.reason

    @property
    def count(self) -> str:
        return f"{self.figure.count:,}" if self.figure.count else ""

    @property
    def limit_words(self) -> str:
        if self.limit is None:
            return ""
        sign = "within ±" if self.size else "at most " if self.above else "at least "
        return f"{sign}{with_unit(self.limit.value, self.limit.unit)}"

    @property
    def source(self) -> str:
        return "" if self.limit is None else self.limit.source

    @property
    def state_words(self) -> str:
        return {
            "within": "within", "beyond": "beyond the limit", "unsure": "too near to tell", "none": "", "missing": "",
        }[self.state]  # fmt: skip


def rows(findings: Findings, cam: str) -> tuple[Row, ...]:
    """All metrics of a cam: over the whole drive, then by oil window."""
    found = findings.cams[cam]
    return (*_whole(findings, found), *_by_window(findings, found))


def _whole(findings: Findings, found: CamFindings) -> Iterator[Row]:
    x, limits = found.examination, findings.limits
    t = x.tracking
    group = "Tracking at a steady command"
    yield Row(group, "mean error", t.bias_deg, "deg", limits["tracking_bias_deg"], size=True, key="bias_deg")
    yield Row(group, "error, root mean square", t.rms_deg, "deg", limits["tracking_rms_deg"], key="rms_deg")
    yield Row(
        group,
        "error, 95 % of readings within",
        t.p95_abs_deg,
        "deg",
        limits["hold_error_deg"],
        key="p95_abs_deg",
    )
    over = t.excursions
    lasting = f"off by more than {over.limit_deg:g} deg for over {over.limit_time_s:g} s, in all"
    yield Row(
        group,
        lasting,
        _plain(over.time_over_limit_s, over.lasting, over.reason),
        "s",
        key="time_over_limit_s",
    )
    yield Row(group, "longest time off by more than that", _plain(over.longest_s, 0, over.reason), "s",
              limits["hold_error_time_s"])  # fmt: skip
    yield Row(
        "While the command moves", "error, root mean square", t.moving_rms_deg, "deg", key="moving_rms_deg"
    )
    for word, s in (("advance", x.response.advance), ("retard", x.response.retard)):
        yield from _steps(f"Response in {word}", s, findings, None)
    yield Row("Response, whole drive", "static gain", x.response.gain, "deg/deg", key="gain")
    yield Row(
        "Response, whole drive",
        "time constant of the fit",
        x.response.fit.time_constant,
        "s",
        key="time_constant_s",
    )
    yield Row(
        "Response, whole drive", "dead time of the fit", x.response.fit.dead_time, "s", limits["dead_time_s"]
    )
    s = x.sticking
    yield Row(
        "Sticking", "dead band plus stick band", s.stick_band_deg, "deg", limits["stick_band_deg"], key="stick_band_deg"
    )
    yield Row("Sticking", "jump", s.jump_deg, "deg", limits["jump_deg"], key="jump_deg")
    yield Row("Sticking", "share of the time it should move that it stands still",
              _plain(s.stuck_time_fraction, 0, s.reason or "the command moved too little"), "1",
              limits["stuck_time_fraction"], key="stuck_time_fraction")  # fmt: skip
    if s.swings.sticks:
        yield Row("Sticking", "jumps to either side of a command that hardly moves", s.swings.amplitude_deg, "deg",
                  limits["limit_cycle_deg"])  # fmt: skip
    if s.swings.hunts:
        yield Row("Hold", "swings to either side of a command that hardly moves", s.swings.amplitude_deg, "deg",
                  limits["limit_cycle_deg"])  # fmt: skip
    h = x.hold
    yield Row(
        "Hold",
        "flutter, root mean square",
        h.flutter_rms_deg,
        "deg",
        limits["flutter_rms_deg"],
        key="flutter_rms_deg",
    )
    yield Row(
        "Hold",
        "drift",
        h.drift_deg_per_s,
        "deg/s",
        limits["drift_deg_per_s"],
        size=True,
        key="drift_deg_per_s",
    )
    if h.oscillation.found:
        yield Row(
            "Hold", "steady swing", _plain(h.oscillation.amplitude_deg), "deg", limits["limit_cycle_deg"]
        )
    r = x.rest
    yield Row("Rest", "off its rest position, warm idle", r.offset_deg, "deg", limits["rest_offset_deg"], size=True,
              key="offset_deg")  # fmt: skip
    yield Row("Rest", "the same in crank-sprocket teeth", r.teeth, "teeth")
    yield Row("Rest", "chain elongation that would explain it", r.chain_elongation_percent, "%",
              limits["chain_elongation_percent"])  # fmt: skip
    yield Row("Rest", "error while held off rest", r.held_offset_deg, "deg")
    yield Row("Rest", "flutter after the start, root mean square", r.cold_start.flutter_rms_deg, "deg",
              limits["cold_start_flutter_deg"], key="cold_start_flutter_deg")  # fmt: skip
    n = x.sensor
    yield Row(
        "Sensor",
        "noise of the reading, root mean square",
        n.noise.rms_deg,
        "deg",
        limits["sensor_noise_rms_deg"],
    )
    yield Row("Sensor", "readings missing while the command arrives", _plain(n.dropouts.fraction, 0, "not known"), "1",
              limits["sensor_dropout_fraction"])  # fmt: skip
    yield Row("Sensor", "jumps no cam can make", _plain(float(n.spikes.count + n.spikes.jumps)), "count")


def _steps(group: str, s: StepSummary, findings: Findings, window: OilWindow | None) -> Iterator[Row]:
    limits, oil = findings.limits, "" if window is None else window.label
    late = None if window is None else t63_limit(limits, window)
    least = None if window is None else slew_limit(limits, window)
    yield Row(group, "dead time", s.dead_time, "s", limits["dead_time_s"], oil, key="dead_time_s")
    yield Row(group, "T63", s.t63, "s", late, oil, key="t63_s")
    yield Row(group, "T86", s.t86, "s", None, oil, key="t86_s")
    yield Row(group, "overshoot", s.overshoot, "deg", limits["overshoot_deg"], oil, key="overshoot_deg")
    # A command that itself moved slowly asks for no speed: then the speed seen is no limit of the cam.
    yield Row(group, "slew", s.slew, "deg/s", least, oil, above=False, key="slew_deg_per_s")


def _by_window(findings: Findings, found: CamFindings) -> Iterator[Row]:
    x, limits = found.examination, findings.limits
    for window, response in sorted(x.response.by_window.items()):
        for word, s in (("advance", response.advance), ("retard", response.retard)):
            if s.steps:
                yield from _steps(f"Response in {word}", s, findings, window)
    for window, t in x.tracking.windows:
        if t.readings:
            group = "Tracking at a steady command"
            yield Row(
                group,
                "mean error",
                t.bias_deg,
                "deg",
                limits["tracking_bias_deg"],
                window.label,
                size=True,
                key="bias_deg",
            )
            yield Row(
                group,
                "error, root mean square",
                t.rms_deg,
                "deg",
                limits["tracking_rms_deg"],
                window.label,
                key="rms_deg",
            )
            yield Row(group, "error, 95 % of readings within", t.p95_abs_deg, "deg", limits["hold_error_deg"], window.label,
                      key="p95_abs_deg")  # fmt: skip
    for window, s in x.sticking.windows:
        yield Row(
            "Sticking",
            "dead band plus stick band",
            s.stick_band_deg,
            "deg",
            limits["stick_band_deg"],
            window.label,
            key="stick_band_deg",
        )
    for window, h in x.hold.windows:
        yield Row("Hold", "flutter, root mean square", h.flutter_rms_deg, "deg", limits["flutter_rms_deg"], window.label,
                  key="flutter_rms_deg")  # fmt: skip
        yield Row("Hold", "drift", h.drift_deg_per_s, "deg/s", limits["drift_deg_per_s"], window.label, size=True,
                  key="drift_deg_per_s")  # fmt: skip
    for window, offset in x.rest.windows:
        yield Row("Rest", "off its rest position, idle", offset, "deg", limits["rest_offset_deg"], window.label, size=True,
                  key="offset_deg")  # fmt: skip


def misfire_rows(findings: Findings) -> tuple[Row, ...]:
    """Misfires per cylinder beside their limit."""
    limit = findings.limits["misfire_per_1000_rev"]
    return tuple(
        Row(
            "Misfires",
            f"cylinder {c.cylinder}" + (f", bank {c.bank}" if c.bank else ""),
            c.rate,
            "per 1,000 rev",
            limit,
        )
        for c in findings.misfire.per_cylinder
    )


def grouped(all_rows: Iterable[Row]) -> list[tuple[str, list[Row]]]:
    """Rows by their group, in the order they came."""
    groups: dict[str, list[Row]] = {}
    for row in all_rows:
        groups.setdefault(row.group, []).append(row)
    return list(groups.items())


def _plain(value: float | None, count: int = 0, reason: str = "") -> Estimate:
    return Estimate(value, None, None, count, "" if value is not None else reason)
