"""A job and its recorded drives: add a drive later, and close the job with the drive after the repair."""

from __future__ import annotations

from typing import TYPE_CHECKING

from camlog.job.record import read_job
from camlog.job.work import add_recording, close, drive_before, next_steps
from camlog.profile.model import layout_of

if TYPE_CHECKING:
    from camlog.analysis.findings import Findings


def take_drive(job: str, trace: str, vehicle: str | None) -> None:
    """Analyse a recording from before the repair and add it to the job; all arguments are paths of files."""
    findings = _analysed(trace, vehicle)
    record = read_job(job)  # read after the analysis, because the job may change meanwhile
    add_recording(record, findings)
    record.save()


def finish(job: str, after: str | None, vehicle: str | None, done: str) -> None:
    """Close a job, with the proof if there is a drive after the repair; rewrites the customer's page and the workshop
    file."""
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
