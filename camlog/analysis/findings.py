"""Findings: the results of a drive as typed values and as the JSON object `camlog.findings/1`. In JSON a figure `x` is
a number or null, with `x_interval` ([low, high], 95 %) and `x_count` beside it, if any, and `x_reason` if it is
null."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from operator import attrgetter
from pathlib import Path
from typing import Any

import numpy as np

from camlog.analysis.cam.examine import Examination
from camlog.analysis.causes.rank import Cause, Diagnosis
from camlog.analysis.code_evidence import CodeEvidence
from camlog.analysis.drive.conditions import Conditions
from camlog.analysis.drive.coverage import CamCoverage, Coverage
from camlog.analysis.estimate import Estimate
from camlog.analysis.misfire.rates import Misfire
from camlog.analysis.verdict.judge import Verdict
from camlog.analysis.verdict.oil_effect import OilPattern
from camlog.analysis.verdict.weigh import Weighed, table
from camlog.drive import Drive
from camlog.limits import Limit
from camlog.new_files import write_text
from camlog.numbers import finite
from camlog.oil_windows import OilWindow
from camlog.profile import VehicleProfile
from camlog.trace import Trace
from camlog.units import METRIC, showing, shown_units

SCHEMA = "camlog.findings/1"


@dataclass(frozen=True)
class CamFindings:
    """One cam: the verdict, every figure behind it, and how its response changes with oil temperature."""

    cam: str
    verdict: Verdict
    examination: Examination
    coverage: CamCoverage | None
    oil_pattern: OilPattern

    def to_dict(self) -> dict[str, Any]:
        x, verdict = self.examination, self.verdict
        return {
            "condition": verdict.condition,
            "confidence": round(verdict.confidence, 3),
            "reasons": list(verdict.reasons),
            "probabilities": {name: round(p, 4) for name, p in verdict.probabilities.items()},
            "unlike": verdict.unlike or None,
            "questions": {name: answer.to_dict() for name, answer in verdict.questions.items()},
            **_metrics(x),
            "strip": x.strip.to_dict(),
            "oil_pattern": self.oil_pattern.to_dict(),
            "windows": [self._window(w, row) for w, row in _by_window(x).items()],
            "missing": [] if self.coverage is None else list(self.coverage.missing),
            "evidence": [_evidence(w) for w in verdict.evidence],
            **({"known_good": [place.to_dict() for place in verdict.places]} if verdict.places else {}),
        }  # fmt: skip

    def _window(self, window: OilWindow, row: Mapping[str, Any]) -> dict[str, Any]:
        seconds = None
        if self.coverage is not None:
            seconds = next((w.seconds for w in self.coverage.windows if w.window == window), 0.0)
        return {**window.to_dict(), "seconds": seconds, **row}


@dataclass(frozen=True)
class Findings:
    """The results of a drive: cams, misfires, codes, causes, and what the drive did not contain.
    If the engine may not be run or driven, `do_not_run` are the first lines of every result: that, why, and what to
    check first; else empty. `cautions` begins with them."""

    trace: Trace
    conditions: Conditions
    cams: Mapping[str, CamFindings]
    misfire: Misfire
    codes: CodeEvidence
    causes: tuple[Cause, ...]
    diagnosis: Diagnosis
    coverage: Coverage
    cautions: tuple[str, ...]
    do_not_run: tuple[str, ...] = ()
    limits: Mapping[str, Limit] = field(default_factory=dict)
    profile: VehicleProfile | None = None
    drive: Drive | None = None

    def to_dict(self) -> dict[str, Any]:
        """The JSON object of `NAME.findings.json`; JSON values only."""
        from camlog import __version__

        profile = self.profile
        return _json(
            {
                "schema": SCHEMA,
                "version": __version__,
                "trace": {
                    "file": self.trace.name,
                    "sha256": self.trace.sha256,
                    "duration_s": round(self.trace.duration_s, 3),
                    "signals": {name: _signal(self.trace, name) for name in self.trace.signals},
                    "warnings": list(self.trace.warnings),
                },
                "do_not_run": list(self.do_not_run),
                "profile": None
                if profile is None
                else {"name": profile.name, "sha256": profile.sha256, "limits": dict(profile.limits)},
                "conditions": self.conditions.to_dict(),
                "confidence_tested_on": table().tested,
                "cams": {cam: of_cam.to_dict() for cam, of_cam in self.cams.items()},
                "misfire": self.misfire.to_dict(),
                "codes": self.codes.to_dict(),
                "causes": [cause.to_dict() for cause in self.causes],
                "plan": self.diagnosis.to_dict(),
                "coverage": self.coverage.to_dict(),
                "cautions": list(self.cautions),
            }
        )

    def to_json(self) -> str:
        return json.dumps(self.to_dict(), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def write_findings(
    findings: Findings, path: str | Path, recompute: Callable[[], Findings], *, replace: bool = True
) -> None:
    """Write `NAME.findings.json`, whole or not at all, in metric units because the file is read again. If other units
    are shown, `recompute` computes the findings again for metric sentences. Raises InputError if the file exists and
    `replace` is False."""
    units = shown_units()
    with showing(METRIC):
        write_text((findings if units == METRIC else recompute()).to_json(), path, replace=replace)


# ---------------------------------------------------------------- figures


def _evidence(w: Weighed) -> dict[str, Any]:
    """One weighed figure: value, limit, and the log odds it adds to each fault against healthy."""
    window = w.measured.window
    return {
        "figure": w.figure.name,
        **{name: getattr(w.figure, name) for name in ("title", "question", "unit")},
        **figure("value", w.measured.estimate),
        "limit": w.limit.value, "limit_source": w.limit.source, "times_limit": round(w.times_limit, 3),
        "oil": window.words if window is not None else None, "part": w.measured.part or None,
        "log_odds": {c: round(v, 3) for c, v in w.says.items()},
    }  # fmt: skip


def figure(key: str, value: Estimate) -> dict[str, Any]:
    """An Estimate as `key`, with its interval and count, or its reason, beside it."""
    row: dict[str, Any] = {key: finite(value.value)}
    if value.interval is not None:
        row[f"{key}_interval"] = [finite(value.low), finite(value.high)]
    elif value.value is None and value.low is not None:
        row[f"{key}_at_least"] = finite(value.low)
    if value.count:
        row[f"{key}_count"] = value.count
    if value.reason:
        row[f"{key}_reason"] = value.reason
    return row


# The parts of a cam's findings: `key`, or `key=path` where the path in the examination differs. An Estimate becomes a
# number with its interval beside it.
_STEPS = """dead_time_s=dead_time t63_s=t63 t86_s=t86 overshoot_deg=overshoot slew_deg_per_s=slew steps
    resolution_s"""
_BY_WINDOW = {
    "tracking": """bias_deg rms_deg p95_abs_deg moving_rms_deg settled_s
        time_over_limit_s=excursions.time_over_limit_s""",
    "response": "gain=fit.gain time_constant_s=fit.time_constant",
    "sticking": "stick_band_deg jump_deg stuck_time_fraction",
    "hold": "flutter_rms_deg drift_deg_per_s",
}
_WHOLE = {
    "response": """gain fit_dead_time_s=fit.dead_time fit_agrees_with_steps=agrees
        fit_agrees_with_steps_reason=agreement""",
    "sticking": "sticks p_only_slow=p_smooth jumps limit_cycle=limit_cycle.kind reason",
    "hold": """oscillation_hz=oscillation.frequency_hz oscillation_amplitude_deg=oscillation.amplitude_deg
        held_s note=aliasing""",
    "rest": """offset_deg teeth nearest_teeth chain_elongation_percent held_offset_deg
        cold_start_flutter_rms_deg=cold_start.flutter_rms_deg conditions""",
    "sensor": "noise_rms_deg=noise.rms_deg dropout_fraction=dropouts.fraction frozen=frozen.kind",
}
_SWINGS = "judged standing smooth swing_deg seconds sticks hunts"


def _row(source: Any, entries: str) -> dict[str, Any]:
    row: dict[str, Any] = {}
    for entry in entries.split():
        key, _, path = entry.partition("=")
        value = attrgetter(path or key)(source)
        if isinstance(value, float) and key != "p_only_slow":  # not rounded: a probability may be tiny
            value = finite(value)
        row |= figure(key, value) if isinstance(value, Estimate) else {key: value}
    return row


def _part(name: str, source: Any) -> dict[str, Any]:
    if name == "rest":
        return figure("offset_deg", source)
    row = _row(source, _BY_WINDOW[name])
    if name == "response":
        row |= {"advance": _row(source.advance, _STEPS), "retard": _row(source.retard, _STEPS)}
    if name == "tracking" and source.excursions.time_over_limit_s is None:
        row["time_over_limit_s_reason"] = source.excursions.reason
    return row


def _metrics(x: Examination) -> dict[str, Any]:
    rows: dict[str, Any] = {name: {} for name in ("tracking", *_WHOLE)}
    for name in _BY_WINDOW:
        source = getattr(x, name)
        # For the whole drive the gain comes from the held steps.
        rows[name] = {k: v for k, v in _part(name, source).items() if not k.startswith("gain")}
    for name, entries in _WHOLE.items():
        rows[name] |= _row(getattr(x, name), entries)
    rows["sticking"]["swings"] = _row(x.sticking.swings, _SWINGS)
    if not x.hold.oscillation.found:
        rows["hold"] |= {"oscillation_hz": None, "oscillation_amplitude_deg": None}
    rows["sensor"]["impossible_jumps"] = x.sensor.spikes.count + x.sensor.spikes.jumps
    rows["travel"] = _row(x.motion, "command_span_deg actual_span_deg")
    return rows | {"longest_excursion_s": finite(x.tracking.excursions.longest_s)}


def _by_window(x: Examination) -> dict[OilWindow, dict[str, Any]]:
    parts = {name: getattr(x, name).windows for name in ("tracking", "sticking", "hold", "rest")}
    parts["response"] = x.response.by_window.items()
    rows: dict[OilWindow, dict[str, Any]] = {}
    for name, windows in parts.items():
        for window, part in windows:
            rows.setdefault(window, {})[name] = _part(name, part)
    return dict(sorted(rows.items(), key=lambda item: item[0].min_degc))


def _signal(trace: Trace, name: str) -> dict[str, Any]:
    times, _ = trace.samples(name)
    interval = float(np.median(np.diff(times))) if len(times) > 1 else None
    return {"samples": len(times), "median_interval_s": finite(interval), "unit": trace.units.get(name, "")}


def _json(value: Any) -> Any:
    """The value as JSON: NumPy numbers become plain ones, and numbers that are not finite become null."""
    if isinstance(value, dict):
        return {k: _json(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_json(v) for v in value]
    if isinstance(value, bool | str | int) or value is None:
        return value
    return _json(value.item()) if hasattr(value, "item") else value if math.isfinite(value) else None
