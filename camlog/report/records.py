"""What the tables of a report show beside the figures: causes, codes, and where everything came from."""

from __future__ import annotations

from typing import Any

from camlog.analysis.findings import Findings
from camlog.drive import READINESS_MONITORS
from camlog.numbers import number, with_unit
from camlog.report.dashboard import Dashboard
from camlog.report.summary import checks, coverage_words
from camlog.signals import unit_of

LISTS = ("stored", "pending", "permanent")
# Unit of what a freeze frame or a counter holds, by the end of its name, where it is no signal's.
_ENDINGS = {"_km": "km", "_min": "min", "_s": "s", "_deg": "deg"}
MOST_TESTS = 60
SEPARATE_BELOW = 0.05  # support of causes that are told in one line


def records(findings: Findings, dashboard: Dashboard) -> dict[str, Any]:
    """What the templates need beside the findings themselves."""
    codes, limits = findings.codes, findings.limits
    likely = [c for c in findings.causes if c.support >= SEPARATE_BELOW or c.evidence_for]
    overridden = findings.profile.limits if findings.profile is not None else {}
    return {
        "findings": findings, "dashboard": dashboard, "covered": coverage_words(findings),
        "causes": [(c, checks(c.next_checks)) for c in likely],
        "unlikely": ", ".join(c.cause for c in findings.causes if c not in likely),
        "unread": [name for name in LISTS if name not in codes.known],
        "readiness": [(m.replace("_", " "), codes.readiness[m]) for m in READINESS_MONITORS if m in codes.readiness],
        "freeze_frame": [reading(*item) for item in (codes.freeze_frame or {}).items() if isinstance(item[1], int | float)],
        "since_clear": [reading(*item) for item in (codes.since_clear or {}).items()],
        "tests": sorted(codes.tests, key=lambda t: t.over is None)[:MOST_TESTS],
        "overridden": [(limits[n].title, with_unit(v, limits[n].unit), n) for n, v in overridden.items() if n in limits],
        "signals": [_signal(findings, name) for name in findings.trace.signals],
    }  # fmt: skip


def reading(key: str, value: Any) -> tuple[str, str | None]:
    """Name and value with its unit of what a freeze frame or a counter holds; None for what was not read."""
    ending = next((e for e in _ENDINGS if key.endswith(e)), "")
    name = key.removesuffix(ending).replace("_", " ")
    if not isinstance(value, int | float):
        return name, value
    return name, with_unit(float(value), unit_of(key) or _ENDINGS.get(ending, ""))


def _signal(findings: Findings, name: str) -> tuple[str, str, int, str]:
    """Name, unit, count and rate a second of a signal's readings."""
    t, _ = findings.trace.samples(name)
    rate = "" if len(t) < 2 or t[-1] <= t[0] else number((len(t) - 1) / (t[-1] - t[0]))
    return name, findings.trace.units.get(name, ""), len(t), rate
