"""From the findings of a recording to its entry in the library and in a screening."""

from __future__ import annotations

from camlog.analysis.figures import FIGURES, view
from camlog.analysis.findings import Findings
from camlog.library.store import Entry, FigureValue


def entry_of(findings: Findings) -> Entry:
    """The entry of a recording from its own data: the engine kind from its profile, the car from its drive file."""
    trace, drive, profile = findings.trace, findings.drive, findings.profile
    named = (drive.vehicle.get("name") if drive is not None else None) or (profile.name if profile is not None else "")
    return Entry(
        sha256=trace.sha256,
        file=trace.name,
        kind=profile.kind if profile is not None else "",
        vehicle=str(named or ""),
        started_at=drive.started_at if drive is not None else None,
        duration_s=trace.duration_s,
        codes=tuple(c.code for c in findings.codes.codes),
        cams={
            cam: (
                f.verdict.condition,
                f.verdict.confidence,
                {c: round(p, 4) for c, p in f.verdict.probabilities.items()},
            )
            for cam, f in findings.cams.items()
        },
        figures=tuple(value for cam in findings.cams for value in figure_values(findings, cam)),
    )


def figure_values(findings: Findings, cam: str) -> list[FigureValue]:
    """Every figure of a cam that could be weighed, with its interval, by part and oil window."""
    cam_view = view(
        {name: cam_findings.examination for name, cam_findings in findings.cams.items()}, cam, findings.codes
    )
    return [
        FigureValue(
            cam, figure.name, float(e.value), e.low, e.high, float(measured.amount), measured.part,
            "" if measured.window is None else measured.window.key,
        )
        for figure in FIGURES if figure.question
        for measured in figure.values(cam_view)
        if (e := measured.estimate).value is not None and measured.amount >= figure.least
    ]  # fmt: skip
