"""What there is one of while the page is served: the folder, the recorder, the players, the jobs."""

from __future__ import annotations

from pathlib import Path

from camlog.serve.converting import Conversions
from camlog.serve.folder import Folder
from camlog.serve.jobs import Jobs
from camlog.serve.playing import Players
from camlog.serve.recording import DriveRecorder
from camlog.serve.worker import Workers


class Desk:
    """Everything the pages work with. `adapter` and `vehicle` are what the Record page offers first.

    Raises InputError where the folder cannot be used.
    """

    def __init__(self, folder: str | Path = ".", *, adapter: str | None = None, vehicle: str | None = None):
        self.folder = Folder(folder)
        self.adapter = adapter
        self.vehicle = vehicle
        self._workers = Workers()
        self.jobs = Jobs(workers=self._workers)
        self.recorder = DriveRecorder(self.folder, self.jobs, given=(adapter, vehicle))
        self.players = Players(self.folder, self._workers)
        self.conversions = Conversions(self.folder, self._workers)

    def close(self) -> None:
        """End what runs: a recording ends cleanly, with its closing codes."""
        self.recorder.close()
        self.players.close()
        self.conversions.close()
        self.jobs.close()
        self._workers.close()
