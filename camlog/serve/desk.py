"""The single objects of a running server: the folder, the recorder, the players, the jobs."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from pathlib import Path

from camlog.library.store import Library, default_path
from camlog.serve.converting import Conversions
from camlog.serve.folder import Folder
from camlog.serve.jobs import Jobs
from camlog.serve.playing import Players
from camlog.serve.recording import DriveRecorder
from camlog.serve.tasks import make_report
from camlog.serve.words import sentence
from camlog.serve.worker import Workers


class Desk:
    """Everything that the pages work with. `adapter` and `vehicle` are the first choices on the Record page.

    Raises InputError if the folder cannot be used.
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

    def profile_choices(self, none: str) -> list[tuple[str, str, bool]]:
        """The profiles to choose from: value, label, and whether it is unusable; `none` is the label of no profile."""
        known = self.folder.profiles()
        named_at_start = [] if not self.vehicle or self.vehicle in [p.file for p in known] else [self.vehicle]
        return [
            *((file, sentence("given_at_start", what=file), False) for file in named_at_start),
            *((p.file, p.title if p.error is None else f"{p.file}: {p.error}", p.error is not None) for p in known),
            ("", none, False),
        ]

    def profile_path(self, chosen: str | None) -> str | None:
        """The name of a chosen profile for the analysis. Raises InputError unless it is in the folder or given at the
        start."""
        return chosen if chosen and chosen == self.vehicle else self.folder.profile_path(chosen)

    def report(self, name: str, vehicle: str | None) -> str:
        """Start the report of a recording with a chosen profile; returns the job's id. Raises InputError."""
        trace, profile = str(self.folder.existing(name)), self.profile_path(vehicle)
        key = f"report {trace}\n{profile!r}"
        return self.jobs.submit(sentence("report_of", file=name), make_report, trace, profile, key=key)

    @contextmanager
    def library(self) -> Iterator[Library | None]:
        """The open library; None if there is none yet. Raises InputError if it cannot be used."""
        with Library() if default_path().exists() else nullcontext() as kept:
            yield kept

    def close(self) -> None:
        """End everything that runs; a recording ends cleanly, with its closing codes."""
        self.recorder.close()
        self.players.close()
        self.conversions.close()
        self.jobs.close()
        self._workers.close()
