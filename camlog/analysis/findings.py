"""Findings: all that is known about a drive, as typed values and as the JSON object `camlog.findings/1`.

A figure `x` in JSON is a number or null; beside it stand `x_interval` ([low, high], 95 %) and `x_count`
where it has them, and `x_reason` where it is null.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from camlog.analysis.cam.examine import Examination
from camlog.analysis.code_evidence import CodeEvidence
from camlog.analysis.drive.conditions import Conditions
from camlog.analysis.drive.coverage import CamCoverage, Coverage
from camlog.analysis.estimate import Estimate
from camlog.analysis.misfire.rates import Misfire
from camlog.analysis.response.step_pool import StepSummary
from camlog.analysis.verdict.causes import Cause
from camlog.analysis.verdict.judge import Verdict
from camlog.analysis.verdict.oil_effect import OilPattern
from camlog.analysis.verdict.weigh import Weighed, table
from camlog.drive import Drive
from camlog.limits import Limit
from camlog.new_files import write_text
from camlog.oil_windows import OilWindow
from camlog.profile import VehicleProfile
from camlog.trace import Trace

SCHEMA = "camlog.findings/1"
DIGITS = 6


@dataclass(frozen=True)
class CamFindings:
    """One cam: the verdict, every figure it rests on, and how its response changes with oil temperature."""

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
            "oil_pattern": self.oil_pattern.to_dict(),
            "windows": [self._window(w, row) for w, row in _by_window(x).items()],
            "missing": [] if self.coverage is None else list(self.coverage.missing),
            "evidence": [_evidence(w) for w in verdict.evidence],
        }  # fmt: skip

    def _window(self, window: OilWindow, row: Mapping[str, Any]) -> dict[str, Any]:
        seconds = None
        if self.coverage is not None:
            seconds = next((w.seconds for w in self.coverage.windows if w.window == window), 0.0)
        return {**window.to_dict(), "seconds": seconds, **row}


@dataclass(frozen=True)
class Findings:
    """What a drive says: per cam, about misfires, codes and causes, and what it did not contain.

    `do_not_run` are the first lines of every result where the engine may not be run or driven: that it may not, why,
    and what to check first; empty otherwise. `cautions` begins with them.
    """

    trace: Trace
    conditions: Conditions
    cams: Mapping[str, CamFindings]
    misfire: Misfire
    codes: CodeEvidence
    causes: tuple[Cause, ...]
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
        return _finite(
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
                "cams": {cam: found.to_dict() for cam, found in self.cams.items()},
                "misfire": self.misfire.to_dict(),
                "codes": self.codes.to_dict(),
                "causes": [cause.to_dict() for cause in self.causes],
                "coverage": self.coverage.to_dict(),
                "cautions": list(self.cautions),
            }
        )

    def to_json(self) -> str:
        return json.dumps(self.to_dict(), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def write_findings(findings: Findings, path: str | Path, *, replace: bool = True) -> None:
    """Write `NAME.findings.json`, whole or not at all. Raises InputError where one is there and `replace` is not set."""
    write_text(findings.to_json(), path, replace=replace)


# ---------------------------------------------------------------- figures


def _evidence(w: Weighed) -> dict[str, Any]:
    """One figure as it was weighed: value, limit, and the log odds it adds to each fault against healthy."""
    window = w.measured.window
    return {
        "figure": w.figure.name, "title": w.figure.title, "question": w.figure.question, "unit": w.figure.unit,
        **figure("value", w.measured.estimate),
        "limit": w.limit.value, "limit_source": w.limit.source, "times_limit": round(w.times_limit, 3),
        "oil": window.words if window is not None else None, "part": w.measured.part or None,
        "log_odds": {c: round(v, 3) for c, v in w.says.items()},
    }  # fmt: skip


def figure(key: str, value: Estimate) -> dict[str, Any]:
    """An Estimate as `key`, with its interval and count, or its reason, beside it."""
    found: dict[str, Any] = {key: _number(value.value)}
    if value.interval is not None:
        found[f"{key}_interval"] = [_number(value.low), _number(value.high)]
    elif value.value is None and value.low is not None:
        found[f"{key}_at_least"] = _number(value.low)
    if value.count:
        found[f"{key}_count"] = value.count
    if value.reason:
        found[f"{key}_reason"] = value.reason
    return found


def _metrics(x: Examination) -> dict[str, Any]:
    rest, sticking, over = x.rest, x.sticking, x.tracking.excursions
    return {
        "tracking": _tracking(x.tracking),
        "response": {
            "advance": _steps(x.response.advance),
            "retard": _steps(x.response.retard),
            **figure("gain", x.response.gain),
            **figure("time_constant_s", x.response.fit.time_constant),
            **figure("fit_dead_time_s", x.response.fit.dead_time),
            "fit_agrees_with_steps": x.response.agreement.agrees,
            "fit_agrees_with_steps_reason": x.response.agreement.reason,
        },
        "sticking": {
            **figure("stick_band_deg", sticking.stick_band_deg),
            **figure("jump_deg", sticking.jump_deg),
            "stuck_time_fraction": _number(sticking.stuck_time_fraction),
            "sticks": sticking.sticks,
            "p_only_slow": sticking.p_smooth,
            "jumps": sticking.jumps,
            "limit_cycle": sticking.limit_cycle.kind,
            "swings": {
                "judged": sticking.swings.judged,
                "standing": sticking.swings.standing,
                "smooth": sticking.swings.smooth,
                **figure("swing_deg", sticking.swings.swing_deg),
                "seconds": _number(sticking.swings.seconds),
                "sticks": sticking.swings.sticks,
                "hunts": sticking.swings.hunts,
            },
            "reason": sticking.reason,
        },
        "hold": {
            **figure("flutter_rms_deg", x.hold.flutter_rms_deg),
            **figure("drift_deg_per_s", x.hold.drift_deg_per_s),
            "oscillation_hz": _number(x.hold.oscillation.frequency_hz) if x.hold.oscillation.found else None,
            "oscillation_amplitude_deg": _number(x.hold.oscillation.amplitude_deg) if x.hold.oscillation.found else None,
            "held_s": _number(x.hold.held_s),
            "note": x.hold.aliasing,
        },
        "rest": {
            **figure("offset_deg", rest.offset_deg),
            **figure("teeth", rest.teeth),
            "nearest_teeth": rest.nearest_teeth,
            **figure("chain_elongation_percent", rest.chain_elongation_percent),
            **figure("held_offset_deg", rest.held_offset_deg),
            "trimmed_under_control": rest.trimmed,
            **figure("cold_start_flutter_rms_deg", rest.cold_start.flutter_rms_deg),
            "conditions": rest.conditions,
        },
        "sensor": {
            **figure("noise_rms_deg", x.sensor.noise.rms_deg),
            "dropout_fraction": _number(x.sensor.dropouts.fraction),
            "impossible_jumps": x.sensor.spikes.count + x.sensor.spikes.jumps,
            "frozen": x.sensor.frozen.kind,
        },
        "travel": {
            "command_span_deg": _number(x.travel.command_span_deg),
            "actual_span_deg": _number(x.travel.actual_span_deg),
        },
        "longest_excursion_s": _number(over.longest_s),
    }


def _tracking(t: Any) -> dict[str, Any]:
    over = t.excursions
    found = {
        **figure("bias_deg", t.bias_deg),
        **figure("rms_deg", t.rms_deg),
        **figure("p95_abs_deg", t.p95_abs_deg),
        "time_over_limit_s": _number(over.time_over_limit_s),
        **figure("moving_rms_deg", t.moving_rms_deg),
        "settled_s": _number(t.settled_s),
    }
    if over.time_over_limit_s is None:
        found["time_over_limit_s_reason"] = over.reason
    return found


def _steps(s: StepSummary) -> dict[str, Any]:
    return {
        **figure("dead_time_s", s.dead_time),
        **figure("t63_s", s.t63),
        **figure("t86_s", s.t86),
        **figure("overshoot_deg", s.overshoot),
        **figure("slew_deg_per_s", s.slew),
        "steps": s.steps,
        "resolution_s": _number(s.resolution_s),
    }


def _by_window(x: Examination) -> dict[OilWindow, dict[str, Any]]:
    rows: dict[OilWindow, dict[str, Any]] = {}
    for window, t in x.tracking.windows:
        rows.setdefault(window, {})["tracking"] = _tracking(t)
    for window, r in x.response.by_window.items():
        rows.setdefault(window, {})["response"] = {
            "advance": _steps(r.advance),
            "retard": _steps(r.retard),
            **figure("gain", r.fit.gain),
            **figure("time_constant_s", r.fit.time_constant),
        }
    for window, s in x.sticking.windows:
        rows.setdefault(window, {})["sticking"] = {
            **figure("stick_band_deg", s.stick_band_deg),
            **figure("jump_deg", s.jump_deg),
            "stuck_time_fraction": _number(s.stuck_time_fraction),
        }
    for window, h in x.hold.windows:
        rows.setdefault(window, {})["hold"] = {
            **figure("flutter_rms_deg", h.flutter_rms_deg),
            **figure("drift_deg_per_s", h.drift_deg_per_s),
        }
    for window, offset in x.rest.windows:
        rows.setdefault(window, {})["rest"] = figure("offset_deg", offset)
    return dict(sorted(rows.items(), key=lambda item: item[0].min_degc))


def _signal(trace: Trace, name: str) -> dict[str, Any]:
    times, _ = trace.samples(name)
    interval = None
    if len(times) > 1:
        import numpy as np

        interval = float(np.median(np.diff(times)))
    return {"samples": len(times), "median_interval_s": _number(interval), "unit": trace.units.get(name, "")}


def _number(value: float | None) -> float | None:
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), DIGITS)


def _finite(value: Any) -> Any:
    """JSON has no infinity: what is not finite is null."""
    if isinstance(value, dict):
        return {k: _finite(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(v) for v in value]
    if isinstance(value, bool) or value is None or isinstance(value, str | int):
        return value
    if hasattr(value, "item"):
        return _finite(value.item())
    return value if math.isfinite(value) else None
