"""A new vehicle profile to fill in: the commented template, then the names it may use."""

from __future__ import annotations

from pathlib import Path

from camlog.new_files import CHECK_FOLDER, refusals, write_text
from camlog.profile.reader import TEMPLATE
from camlog.signals import SIGNALS


def template_text() -> str:
    """The commented template, with the limits, their defaults and the signal names camlog knows."""
    from camlog.limits import LIMITS

    text = TEMPLATE.read_text(encoding="utf-8").rstrip("\n")
    lines = [text]
    for limit in LIMITS.values():
        if f"#{limit.name} = " not in text:
            lines.append(f"#{limit.name} = {limit.value!r}  # {limit.title}")
    lines += ["", "# Signal names, with camlog's unit:"]
    lines += [f"#   {signal.name} [{signal.unit}]" for signal in SIGNALS.values()]
    return "\n".join(lines) + "\n"


def write_template(path: str | Path, force: bool = False) -> Path:
    """Write the commented template to a new file.

    Raises InputError where the file exists and `force` is not set, or cannot be written.
    """
    path = Path(path)
    with refusals(path, CHECK_FOLDER):
        write_text(template_text(), path, replace=force)
    return path
