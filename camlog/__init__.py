"""camlog: logs OBD-II test drives and judges how each cam follows its command.

The public names below are loaded on first use, so that `import camlog` stays fast."""

from __future__ import annotations

import importlib

__version__ = "0.1.0"

_PUBLIC = {
    "Trace": "camlog.trace",
    "read_trace": "camlog.trace",
    "Drive": "camlog.drive",
    "read_drive": "camlog.drive",
    "VehicleProfile": "camlog.profile",
    "read_profile": "camlog.profile",
    "analyze": "camlog.analysis",
    "InputError": "camlog.errors",
}

__all__ = [*_PUBLIC, "__version__"]


def __getattr__(name: str):
    if name in _PUBLIC:
        return getattr(importlib.import_module(_PUBLIC[name]), name)
    raise AttributeError(f"module 'camlog' has no attribute {name!r}")
