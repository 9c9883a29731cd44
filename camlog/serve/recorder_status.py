"""The state of the recorder, for a page."""

from __future__ import annotations

from dataclasses import dataclass

from camlog.capture.too_slow import Expected

IDLE, CONNECTING, CONNECTED = "idle", "connecting", "connected"
RECORDING, ENDING, FINISHED, FAILED = "recording", "ending", "finished", "failed"
TRYING, TRIED = "trying", "tried"  # a vehicle profile
GROWING = (RECORDING, ENDING)  # a trace is being written
BUSY = (CONNECTING, CONNECTED, TRYING, *GROWING)


@dataclass(frozen=True, slots=True)
class RecorderStatus:
    """What the recorder does, for a page. `lines` are what connecting said and the probe found, `tried` what a trial of
    the profile found (see `recorder.try_profile`), `profile_sha256` which profile is in use. `offered` are the signals
    that can be recorded, `signals` those that are, `expected` how often each cam's pair of them."""

    state: str = IDLE
    lines: tuple[str, ...] = ()
    port: str | None = None
    vehicle: str | None = None
    name: str | None = None
    rows: int = 0
    elapsed_s: float = 0.0
    error: str | None = None
    warnings: tuple[str, ...] = ()
    report_job: str | None = None
    tried: tuple[tuple[str, str, str, list[str]], ...] = ()
    profile_sha256: str | None = None
    offered: tuple[str, ...] = ()
    signals: tuple[str, ...] = ()
    expected: Expected | None = None

    @property
    def recording(self) -> str | None:
        """Name of the trace that is being written; None if there is none."""
        return self.name if self.state in GROWING else None
