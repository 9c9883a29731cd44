"""What the tables of a report say beside the figures: causes, codes, coverage, and where everything came from."""

from __future__ import annotations

from typing import Any

from camlog.analysis.findings import Findings
from camlog.drive import READINESS_MONITORS
from camlog.numbers import number, with_unit
from camlog.report.dashboard import Dashboard
from camlog.report.summary import checks
from camlog.report.words import duration
from camlog.signals import unit_of

LISTS = ("stored", "pending", "permanent")
# Unit of what a freeze frame or a counter holds, by the end of its name, where it is no signal's.
_ENDINGS = {"_km": "km", "_min": "min", "_s": "s", "_deg": "deg"}
MOST_TESTS = 60
SEPARATE_BELOW = 0.05  # support of causes that are told in one line


def causes(findings: Findings) -> list[dict[str, Any]]:
    """Causes, best supported first, with evidence on both sides and the checks in order."""
    return [
        {
            "cause": c.cause[:1].upper() + c.cause[1:], "support": f"{100 * c.support:.0f} %", "share": c.support,
            "evidence_for": c.evidence_for, "evidence_against": c.evidence_against, "next_checks": checks(c.next_checks),
        }
        for c in findings.causes if c.support >= SEPARATE_BELOW or c.evidence_for
    ]  # fmt: skip


def unlikely_causes(findings: Findings) -> str:
    """The other causes, in one line."""
    told = [c.cause for c in findings.causes if c.support < SEPARATE_BELOW and not c.evidence_for]
    return ", ".join(told)


def codes(findings: Findings) -> dict[str, Any]:
    """Codes, lamp, readiness, freeze frame, counters and test results; None for what was not read."""
    found = findings.codes
    state = {True: "yes", False: "no", None: "not read"}
    return {
        "lamp": {True: "on", False: "off", None: "not read"}[found.mil],
        "unread": [name for name in LISTS if name not in found.known],
        "rows": [
            {
                "code": c.code, "sentence": c.sentence, "modules": ", ".join(c.ecus),
                "lists": [state[getattr(c, name)] for name in LISTS],
                "when": "new in this drive" if c.new else "gone by the end" if c.gone else "there from the start" if c.new is False
                else "",
            }
            for c in found.codes
        ],
        "surely_none": found.surely_none,
        "readiness": [(m.replace("_", " "), found.readiness[m]) for m in READINESS_MONITORS if m in found.readiness],
        "freeze_frame": _freeze_frame(findings),
        "since_clear": [(_name(k), _value(k, v)) for k, v in (found.since_clear or {}).items()],
        "tests": [
            {
                "mid": t.test.mid, "tid": t.test.tid, "value": f"{number(t.test.value)} {t.test.unit}".strip(),
                "limits": _limits(t.test.min, t.test.max),
                "state": "outside" if t.over else "not run yet" if not t.run else "inside",
                "about": f"cylinder {t.cylinder}" if t.cylinder else f"cam timing, bank {t.bank}" if t.bank else "",
            }
            for t in sorted(found.tests, key=lambda t: t.over is None)[:MOST_TESTS]
        ],
        "notes": found.notes,
    }  # fmt: skip


def _freeze_frame(findings: Findings) -> dict[str, Any] | None:
    frame = findings.codes.freeze_frame
    if frame is None:
        return None
    return {
        "code": frame.code or "", "sentence": frame.sentence,
        "rows": [(_name(k), _value(k, v)) for k, v in frame.values.items() if k != "code"],
    }  # fmt: skip


def _name(key: str) -> str:
    for ending in _ENDINGS:
        key = key.removesuffix(ending)
    return key.replace("_", " ")


def _value(key: str, value: Any) -> str:
    if value is None:
        return "not read"
    if not isinstance(value, int | float):
        return str(value)
    unit = unit_of(key) or next((u for ending, u in _ENDINGS.items() if key.endswith(ending)), "")
    return with_unit(float(value), unit)


def _limits(low: float | None, high: float | None) -> str:
    if low is None and high is None:
        return "no limits given"
    if low is None:
        return f"up to {number(high)}"
    return f"from {number(low)}" if high is None else f"{number(low)} to {number(high)}"


def coverage(findings: Findings) -> dict[str, Any]:
    """What each oil window held, and what was missing."""
    windows, seconds = findings.conditions.windows.windows, findings.conditions.windows.seconds or ()
    return {
        "missing": findings.coverage.missing, "caution": findings.coverage.caution,
        "windows": [(w.label, duration(s)) for w, s in zip(windows, seconds, strict=False)],
        "per_cam": [
            {
                "cam": cam, "missing": c.missing,
                "rows": [
                    (w.window.label, duration(w.seconds), w.advance_moves, w.retard_moves, duration(w.hold_s), duration(w.rest_s))
                    for w in c.windows
                ],
            }
            for cam, c in findings.coverage.per_cam.items()
        ],
        "warm_up": findings.conditions.warm_up.reason,
        "notes": (*findings.conditions.notes, *findings.misfire.notes),
    }  # fmt: skip


def recording(findings: Findings, dashboard: Dashboard, version: str) -> dict[str, Any]:
    """Provenance: files, hashes, version, profile, limits that were overridden, and every signal."""
    trace, profile, drive = findings.trace, findings.profile, findings.drive
    rows = [
        ("Recording", trace.name or "not from a file"),
        ("SHA-256 of the recording", trace.sha256 or "not from a file"),
    ]
    if drive is not None:
        if drive.trace_sha256:
            same = "the same" if drive.trace_sha256 == trace.sha256 else f"DIFFERENT: {drive.trace_sha256}"
            rows.append(("SHA-256 in the drive file", same if trace.sha256 else drive.trace_sha256))
        rows.append(("Started", drive.started_at or "not known"))
        rows.append(("Vehicle in the drive file", str(drive.vehicle.get("name") or "not named")))
        name = drive.adapter.get("name")
        rows.append(("Adapter", str(name) if name else "not known"))
    else:
        rows.append(("Drive file", "none beside the recording: codes, markers and gaps are not known"))
    if profile is None:
        rows.append(("Vehicle profile", "none"))
    else:
        rows += [("Vehicle profile", f"{profile.name} ({profile.file})"), ("SHA-256 of the profile", profile.sha256),
                 ("Oil grade", profile.oil_grade or "not given")]  # fmt: skip
    rows += [
        ("Dashboard", f"{dashboard.name} ({dashboard.file})"),
        ("SHA-256 of the dashboard", dashboard.sha256),
        ("camlog", version),
    ]
    overridden = dict(profile.limits) if profile is not None else {}
    return {
        "rows": rows,
        "overridden": [
            (findings.limits[n].title, with_unit(v, findings.limits[n].unit), n) for n, v in overridden.items()
            if n in findings.limits
        ],
        "signals": [_signal(findings, name) for name in trace.signals],
        "warnings": trace.warnings,
    }  # fmt: skip


def _signal(findings: Findings, name: str) -> tuple[str, str, str, str]:
    trace = findings.trace
    t, _ = trace.samples(name)
    rate = "" if len(t) < 2 or t[-1] <= t[0] else f"{number((len(t) - 1) / (t[-1] - t[0]))} a second"
    return name, trace.units.get(name, ""), f"{len(t):,}", rate
