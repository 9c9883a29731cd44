"""A job and the drives that lie in files: take one in later, and close the job with the drive after the repair."""

from __future__ import annotations

from typing import TYPE_CHECKING

from camlog.job.record import read_job
from camlog.job.work import add_recording, close, drive_before, next_steps
from camlog.profile.model import layout_of

if TYPE_CHECKING:
    from camlog.analysis.findings import Findings


def take_drive(job: str, trace: str, vehicle: str | None) -> None:
    """Analyse a recording of before the repair, and take it into the job; files by their paths."""
    findings = _analysed(trace, vehicle)
    record = read_job(job)  # only now: a job may change while a drive is analysed
    add_recording(record, findings)
    record.save()


def finish(job: str, after: str | None, vehicle: str | None, done: str) -> None:
    """Close a job, with the proof where there is a drive after the repair; writes the customer's page and the workshop file anew."""
    from camlog.job.pages import write_pages
    from camlog.job.shop import read_shop
    from camlog.profile import read_profile

    before = drive_before(read_job(job)) if after else None
    second, first = (_analysed(str(path), vehicle) if path else None for path in (after, before))
    record = read_job(job)  # only now, as above
    close(record, done, second, first)
    record.save()
    folder, layout = record.path.parent, layout_of(read_profile(vehicle) if vehicle else None)
    write_pages(record, next_steps(record, read_shop(None, folder), layout), folder, replace=True)


def _analysed(trace: str, vehicle: str | None) -> Findings:
    from camlog.analysis import analyze
    from camlog.drive import drive_beside
    from camlog.profile import read_profile
    from camlog.trace import read_trace

    return analyze(read_trace(trace), drive_beside(trace), read_profile(vehicle) if vehicle else None)
