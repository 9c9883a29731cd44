"""What a screening gives: tables, and an overview: one page, sortable, with filters, the worst first."""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict
from functools import cache
from hashlib import sha256
from pathlib import Path

from camlog.cams import short
from camlog.library import say
from camlog.library.screen import CAMS, OVERVIEW, RECORDINGS, STATE, Row, check_own
from camlog.new_files import whole_file
from camlog.page import render_page, shipped_text
from camlog.report.words import CONDITION_WORDS, cause_words

COLUMNS = say.table("overview.column")
STATES = CONDITION_WORDS | say.table("overview.state")
_SIMULATED = say("overview.simulated")
_cause = cache(cause_words)


@cache
def _condition(do_not_run: bool, words: str) -> str:
    return say("overview.do_not_run", words=words.lower()) if do_not_run else words


# What stands first: faults by how sure they are, then what could not be read or told, then the healthy.
_RANK = {"": 1.0, "insufficient_data": 0.8, "healthy": 0.0}
MOST_CHOICES = 500


def overview_page(rows: Sequence[Row], out: Path) -> str:
    """The page for the folder `out` as one HTML text, with links to the reports that lie beside the recordings."""
    links = {}
    for row in rows:
        report = Path(row.path).with_suffix("").with_suffix(".report.html")
        if "://" not in row.path and report.exists():
            links[row.path] = Path(os.path.relpath(report, out)).as_posix()
    rows = sorted(rows, key=_rank, reverse=True)
    counted = Counter(_state(row) for row in rows)
    vehicles = sorted({row.vehicle for row in rows if row.vehicle})
    return render_page(
        "overview.html",
        scripts=[shipped_text("overview.js")],
        total=len(rows),
        summary=say("overview.summary", counted=counted.most_common()),
        conditions=sorted(counted),
        vehicles=vehicles[:MOST_CHOICES],
        columns=COLUMNS.items(),
        data={
            "keys": [*COLUMNS, "state"],
            "rows": [_cells(row) for row in rows],
            "links": {i: links[row.path] for i, row in enumerate(rows) if row.path in links},
        },
    )


def _cells(row: Row) -> list[object]:
    folder, name = os.path.split(row.path)
    more = f": {row.reason}" if row.reason else f" ({folder})" if folder else ""
    return [
        _condition(row.do_not_run, _state(row)), short(row.worst_cam) if row.worst_cam else "",
        row.confidence if row.worst != "insufficient_data" else None, name + more + _SIMULATED * row.simulated, row.vehicle,
        _cause(row.first_cause), row.codes, (row.started_at or "")[:10], _state(row),
    ]  # fmt: skip


def _state(row: Row) -> str:
    key = row.worst or ("not_read" if row.reason else "no_cams")
    return STATES.get(key, key)


def _rank(row: Row) -> float:
    return 4.0 * row.do_not_run + _RANK.get(row.worst, 2.0) + (row.confidence or 0.0)


def write_results(rows: Sequence[Row], out: Path, *, force: bool = False) -> list[Path]:
    """Write the tables (a row a recording, and a row a cam and oil window) and the overview into `out`; their paths.

    What a screening wrote there before is replaced, anything else only with `force`. Raises InputError where that is there.
    """
    import pandas as pd

    check_own(out, force)
    recordings = pd.DataFrame([{k: v for k, v in asdict(row).items() if k != "cams"} for row in rows])
    cams = pd.DataFrame([{"path": row.path, "sha256": row.sha256, **cam} for row in rows for cam in row.cams])
    contents = {
        RECORDINGS: recordings.to_parquet(index=False),
        CAMS: cams.to_parquet(index=False),
        OVERVIEW: overview_page(rows, out).encode("utf-8", "replace"),
    }
    with open(out / STATE, "a", encoding="utf-8") as state:  # first, so that a kill leaves no result that nobody knows
        hashes = [sha256(content).hexdigest() for content in contents.values()]
        print(json.dumps({"results": hashes}), file=state)
    for name, content in contents.items():
        with whole_file(out / name, replace=True) as file:
            file.write(content)
    return [out / name for name in contents]
