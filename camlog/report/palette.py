"""Colours, dashes and marker shapes of the charts.

Colours are names of variables in `dashboards/style.css`, which has values for light, dark and print. They are the Okabe
and Ito palette (Color Universal Design, 2008), darkened or lightened if text needs contrast. Colour is never the only
difference: every role also has its own dash or marker.
"""

from __future__ import annotations

from dataclasses import dataclass

from camlog.oil_windows import OilWindow, window_word


@dataclass(frozen=True, slots=True)
class Role:
    """How one kind of line or point is drawn: `color` is a style-sheet variable, written `@name` in a chart."""

    color: str
    dash: str = "solid"
    symbol: str = "circle"


COMMAND = Role("@command", "dash", "line-ew-open")
ACTUAL = Role("@actual")
ERROR = Role("@error", "solid", "square")
LIMIT = Role("@ink", "dot")
SERIES = (
    Role("@actual"), Role("@error", "dash", "square"), Role("@third", "dot", "diamond"),
    Role("@fourth", "dashdot", "triangle-up"), Role("@fifth", "longdash", "cross"), Role("@ink", "longdashdot", "x"),
)  # fmt: skip
_WINDOWS = {
    "cold": Role("@cold"), "warm": Role("@warm", "dash", "square"), "hot": Role("@hot", "dot", "diamond"),
    "very_hot": Role("@very_hot", "dashdot", "triangle-up"),
}  # fmt: skip
# The style-sheet variables that charts may use.
COLORS = (
    "@ground", "@panel", "@ink", "@soft", "@rule", "@grid", "@good", "@bad", "@unknown", "@command", "@actual", "@error",
    "@third", "@fourth", "@fifth", "@cold", "@warm", "@hot", "@very_hot", "@shade", "@band", "@before", "@after",
)  # fmt: skip


def window_role(window: OilWindow) -> Role:
    """How an oil window is drawn, the same in every chart."""
    return _WINDOWS[window_word(window)]
