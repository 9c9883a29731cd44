"""Figures that are shown beside the others; no limit judges them."""

from __future__ import annotations

from collections.abc import Iterator

from camlog.analysis.figures.figure import Figure, Measure, Measured, View
from camlog.analysis.figures.measures import part_of, steps_of, tracking_of


def _fit(name: str) -> Measure:
    def measure(view: View) -> Iterator[Measured]:
        fit = view.x.response.fit
        yield Measured(getattr(fit, name), fit.blocks)

    return measure


FIGURES = (
    Figure("bias_deg", "mean error at a steady command", "deg", "", "", "", (), tracking_of("bias_deg"), ""),
    Figure("moving_rms_deg", "typical error while the command moves", "deg", "", "", "", (),
           tracking_of("moving_rms_deg"), ""),
    Figure("t86_s", "time to 86 % of a step", "s", "", "", "", (), steps_of("t86"), ""),
    Figure("gain", "static gain", "1", "", "", "", (), part_of("response", "gain"), ""),
    Figure("time_constant_s", "time constant of the fit", "s", "", "", "", (), _fit("time_constant"), ""),
    Figure("fit_dead_time_s", "dead time of the fit", "s", "", "", "", (), _fit("dead_time"), ""),
    Figure("teeth", "off rest, in crank-sprocket teeth", "teeth", "", "", "", (), part_of("rest", "teeth"), ""),
    Figure("held_offset_deg", "error while held off rest", "deg", "", "", "", (), part_of("rest", "held_offset_deg"), ""),
)  # fmt: skip
