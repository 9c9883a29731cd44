"""The overview of a screening: one page, sortable, with filters, the worst first."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path

from camlog.library.screen import Row
from camlog.page import render_page, shipped_text, write_page

COLUMNS = (
    ("worst", "Condition"), ("worst_cam", "Cam"), ("confidence", "How sure"), ("path", "Recording"), ("vehicle", "Vehicle"),
    ("first_cause", "First cause"), ("codes", "Codes"), ("started_at", "Recorded"),
)  # fmt: skip
# What stands first: faults by how sure they are, then what could not be read or told, then the healthy.
_RANK = {"": 1.0, "insufficient_data": 0.8, "healthy": 0.0}
MOST_CHOICES = 500


def overview_page(rows: Sequence[Row], links: Mapping[str, str]) -> str:
    """The page as one HTML text; `links` maps a recording's path to its report."""
    rows = sorted(rows, key=_rank, reverse=True)
    counted = Counter(_state(row) for row in rows)
    vehicles = sorted({row.vehicle for row in rows if row.vehicle})
    return render_page(
        "overview.html",
        scripts=[shipped_text("overview.js")],
        total=len(rows),
        summary=", ".join(f"{n} {c.replace('_', ' ')}" for c, n in counted.most_common()),
        conditions=sorted({_state(row).replace("_", " ") for row in rows}),
        vehicles=vehicles[:MOST_CHOICES],
        columns=COLUMNS,
        data={
            "keys": [key for key, _ in COLUMNS],
            "rows": [_cells(row) for row in rows],
            "links": {i: links[row.path] for i, row in enumerate(rows) if row.path in links},
        },
    )


def _cells(row: Row) -> list[object]:
    cells = {key: getattr(row, key) for key, _ in COLUMNS}
    name, folder = os.path.basename(row.path), os.path.dirname(row.path)
    cells["path"] = f"{name}: {row.reason}" if row.reason else f"{name} ({folder})" if folder else name
    cells["worst"] = ("do not run: " if row.do_not_run else "") + _state(row).replace("_", " ")
    cells["started_at"] = (row.started_at or "")[:10]
    return list(cells.values())


def _state(row: Row) -> str:
    return row.worst or ("not read" if row.reason else "no cam angles")


def _rank(row: Row) -> float:
    return 4.0 * row.do_not_run + _RANK.get(row.worst, 2.0) + (row.confidence or 0.0)


def write_overview(rows: Sequence[Row], out: Path) -> Path:
    """Write `overview.html` into `out`, with links to the reports that lie beside the recordings."""
    links = {}
    for row in rows:
        report = Path(row.path).with_suffix("").with_suffix(".report.html")
        if "://" not in row.path and report.exists():
            links[row.path] = Path(os.path.relpath(report, out)).as_posix()
    path = out / "overview.html"
    write_page(overview_page(rows, links), path)
    return path
