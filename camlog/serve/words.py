"""What this package says to a person, by name: the sentences of `messages.toml`."""

from __future__ import annotations

from pathlib import Path

from camlog.errors import InputError
from camlog.messages import Messages

sentence = Messages("camlog.serve")


def problem(name: str, file: str | Path | None = None, /, **values: object) -> InputError:
    """The error of that name, to be raised: what is wrong with `file`, and what to do."""
    what, remedy = (sentence(f"error.{name}.{part}", **values) for part in ("what", "remedy"))
    return InputError(what, remedy=remedy, file=file)
