"""Where the stream of readings goes: the trace file, which must not fail, and the views, which may.

The public names load on first use, so that a recording without a terminal needs no terminal library.
"""

from __future__ import annotations

import importlib

from camlog.messages import Messages

messages = Messages(__name__)
_PUBLIC = {
    "TraceFileSink": "camlog.sinks.trace_file",
    "TerminalView": "camlog.sinks.terminal",
    "LineSink": "camlog.sinks.lines",
    "KeyReader": "camlog.sinks.keys",
    "view_for": "camlog.sinks.terminal",
    "DriveState": "camlog.sinks.state",
}

__all__ = list(_PUBLIC)


def __getattr__(name: str):
    if name in _PUBLIC:
        return getattr(importlib.import_module(_PUBLIC[name]), name)
    raise AttributeError(f"module 'camlog.sinks' has no attribute {name!r}")
