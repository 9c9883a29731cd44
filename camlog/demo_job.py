"""The job of the demonstration's repair: from the complaint to the page that is handed over. All invented."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from camlog.analysis import analyze
from camlog.drive import drive_path, read_drive
from camlog.job.found import understand
from camlog.job.pages import write_pages
from camlog.job.record import PEOPLE_KEYS, VEHICLE_KEYS, Job
from camlog.job.shop import ShopFile
from camlog.job.work import add_found, add_recording, close, make_quote, make_sheet, next_steps, set_fields
from camlog.profile import read_profile
from camlog.trace import read_trace
from camlog.verify.verification import Verification

COMPLAINT = "Rattles for a moment when it is started cold, and the lamp came on (invented)"
DONE = "Screen of the intake cam's oil control valve cleaned, oil changed (invented)"
# What the technician of the story finds, one after the other, until the cause shows.
FOUND = ("oil level ok", "screen blocked")


def play_job(folder: Path, proof: Verification, say: Callable[[str], None] = print) -> Job:
    """Play the job of the repair in `folder` (`before.csv`, `after.csv`), telling it line by line; writes its pages."""
    profile, shop = read_profile("demo"), ShopFile()
    job = Job(folder / "repair.job.json")
    job.put("complaint", COMPLAINT, "complaint")
    set_fields(job, "vehicle", {"name": profile.name, "mileage_km": 96_000.0, "oil_grade": profile.oil_grade}, VEHICLE_KEYS)
    set_fields(job, "people", {"shop": "Invented workshop", "technician": "Invented"}, PEOPLE_KEYS)
    before = folder / "before.csv"
    add_recording(job, analyze(read_trace(before), read_drive(drive_path(before)), profile))
    for words in FOUND:
        steps = next_steps(job, shop, profile.layout)
        likely = steps["causes"][0]
        say(f"Most likely {likely['cause']} ({likely['probability']:.0%}); next: {steps['checks'][0]['check']}")
        add_found(job, understand(words), words)
        say(f"  Found: {words}.")
    quote = make_quote(job, shop, profile.layout)
    say(f"Quoted: {quote['choices'][0]['repair']}, which cures with {quote['choices'][0]['cures']:.0%}.")
    make_sheet(job, profile.layout)
    close(job, proof, DONE)
    job.save()
    for page in write_pages(job, next_steps(job, shop, profile.layout), folder, replace=True):
        say(f"Page: {page}")
    return job
