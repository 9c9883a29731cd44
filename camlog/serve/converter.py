"""The worker's side of a conversion: it sends `("share", share)` and `("question", question)`, and gets the order
`(answer,)`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from camlog.cams import is_angle
from camlog.convert import Conversion, Question, convert, offer_mapping
from camlog.convert.summary import missing
from camlog.messages import capital
from camlog.serve.worker import Link
from camlog.signals import SIGNALS

_SHARE_STEP = 0.01


def convert_file(link: Link, path: Path, mapping: Path | None, again: bool) -> dict[str, Any]:
    """Convert in a worker; questions go to the server. Returns `ConversionLook.result`. Raises InputError."""
    shown = 0.0

    def ask(question: Question) -> str | None:
        link.send("question", question)
        return link.receive()[0]

    def progress(share: float) -> None:
        nonlocal shown
        if share >= shown + _SHARE_STEP:
            shown = min(1.0, share)
            link.send("share", shown)

    return result_of(path, convert(path, mapping=mapping, ask=ask, progress=progress, force=again))


def result_of(path: Path, found: Conversion) -> dict[str, Any]:
    """A conversion as `ConversionLook.result`; prepares a mapping file if there are doubts."""
    columns = []
    for c in found.columns:
        taken, own = "doubtful" if c.doubtful else "signal", "own" if c.written_as else "left_out"
        title = SIGNALS[c.signal].title if c.signal in SIGNALS else ""
        known = {"heading": c.label, "kind": taken if c.signal else own, "signal": c.signal, "title": title}
        columns.append(known | {"unit": c.unit, "written_as": c.written_as, "reason": c.reason})
    mapping = offer_mapping(path, found.mapping_text, elsewhere=False)[0] if found.doubtful else None
    angles = any(c["kind"] == "signal" and is_angle(c["signal"]) for c in columns)
    return {
        "trace": found.trace_path.name if found.trace_path else "", "rows": found.rows, "notes": list(found.notes),
        "mapping": mapping.name if mapping else None, "cam_angles": angles, "columns": columns,
        "missing": [capital(text) for text in missing(found)],
    }  # fmt: skip
