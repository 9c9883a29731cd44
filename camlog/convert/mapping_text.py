"""A mapping file for one foreign file, ready to edit: what is in doubt as lines to complete, the rest as
comments."""

from __future__ import annotations

from collections.abc import Sequence

from camlog.convert.cams import is_cam_angle
from camlog.convert.layout import Layout
from camlog.convert.mapping import SCHEMA, quoted
from camlog.convert.model import ColumnMatch
from camlog.convert.ranges import possible_units
from camlog.convert.table import Clock
from camlog.convert.timing import Timing
from camlog.signals import CAM_IDS, actual, commanded


def mapping_text(
    name: str, layout: Layout, timing: Timing | None, clock: Clock | None, columns: Sequence[ColumnMatch]
) -> str:
    """The text of a mapping file for the file `name`. What is in doubt stands as a comment: nothing is
    answered by passing it back as it is."""
    lines = [
        f"# What the columns of {_plain(name)} are, for camlog. Correct it, and pass it with --map.",
        "# Lines that begin with # are comments. In doubt are those marked <-- : choose one, and "
        "take its # away.",
        f"schema = {quoted(SCHEMA)}",
        "",
    ]
    lines += _time(layout, timing, clock)
    doubts = {d for c in columns if c.doubtful for d in c.doubts}
    if doubts & {"angle", "positive"}:
        lines += ["[angles]                 # of every cam angle that does not say it itself"]
        if "angle" in doubts:
            lines += [
                '# angle = "crank"        # <--',
                '# angle = "cam"          # <-- camshaft degrees, which count double',
            ]
        if "positive" in doubts:
            lines += [
                '# positive = "advance"   # <-- a positive angle is advance',
                '# positive = "retard"    # <--',
            ]
        lines.append("")
    for column in columns:
        lines += _column(column)
    return "\n".join(lines) + "\n"


def _time(layout: Layout, timing: Timing | None, clock: Clock | None) -> list[str]:
    lines = ["[time]"]
    if timing is None:
        lines += [
            '# column = "Time"         # its heading, or its number from 1',
            "# rate_hz = 10.0         # <-- how many rows a second",
        ]
    elif timing.kind == "rate":
        lines.append(f"rate_hz = {timing.rate_hz:g}")
    else:
        by_index = {c.index: c for c in layout.columns}
        column = by_index[timing.columns[-1]]
        told = quoted(column.heading) if column.heading else str(column.index + 1)
        lines.append(f"column = {told}          # {_plain(timing.reason)}")
        if timing.kind == "number":
            if clock is not None and clock.factor is None:
                lines.append(f"# {_plain(clock.reason)}")
                lines += [f'# unit = "{unit}"            # <--' for unit in ("s", "ms")]
            elif clock is not None:
                lines.append(f"unit = {quoted(clock.unit)}")
        elif timing.form is not None and timing.form.kind == "date" and timing.form.day_first is not None:
            lines.append(f"# day_first = {str(timing.form.day_first).lower()}")
    return [*lines, ""]


def _column(column: ColumnMatch) -> list[str]:
    key = f"heading = {quoted(column.name)}" if column.name else f"number = {column.index + 1}"
    reason = f"# {_plain(column.reason)} (score {column.score:.2f})"
    if not column.doubtful:
        what = column.signal or "its own name"
        return [
            f"# {_plain(column.name) or column.index + 1}: {what} {_plain(column.unit)}".rstrip()
            + f" - {_plain(column.reason)}",
            "",
        ]
    lines = ["[[column]]", reason, key]
    if "signal" in column.doubts:
        lines.append(f"# signal = {quoted(column.signal)}   # <--")
        if is_cam_angle(column.signal):
            lines += [f'# signal = "{s}"   # <--' for s in _other_angles(column.signal)]
        lines.append('# signal = ""   # <-- none of these: keeps its own name')
    if "unit" in column.doubts:
        lines += [f'# unit = "{unit}"   # <--' for unit in possible_units(column.signal)]
    if "factor" in column.doubts:
        lines += [
            "# The value is number * factor + offset; take both from the service information.",
            "# factor = 1.0   # <--", "# offset = 0.0   # <--",
        ]  # fmt: skip
    if "rest_deg" in column.doubts:
        lines.append("# rest_deg = 0.0   # <-- what it reads, in degrees, at the locked position")
    return [*lines, ""]


def _other_angles(signal: str) -> list[str]:
    return [s for cam in CAM_IDS for s in (commanded(cam), actual(cam)) if s != signal]


def _plain(text: str) -> str:
    """Text for a comment: one line, nothing that TOML forbids there."""
    return "".join(c if c.isprintable() else " " for c in text)
