"""The demonstration: a simulated car with an invented fault, recorded for real through python-obd; then a repair and
its job."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from camlog.analysis.do_not_run import LiveCare
from camlog.analysis.findings import Findings
from camlog.capture.live import LiveSource
from camlog.capture.record import Recording, record
from camlog.demo_repair import play
from camlog.drive import drive_path, read_drive
from camlog.job import work
from camlog.job.found import understand
from camlog.job.pages import write_pages
from camlog.job.record import Job
from camlog.job.sheet import enter, row_words
from camlog.job.shop import ShopFile
from camlog.limits import limits_for
from camlog.numbers import percent
from camlog.profile import read_profile
from camlog.replay import replay
from camlog.report.samples import write_sample_reports
from camlog.sinks.keys import KeyReader
from camlog.sinks.terminal import view_for
from camlog.stream import Batch
from camlog.trace import read_trace
from camlog.verify.verification import Verification

CONDITION, SEVERITY = "stick_slip", 0.8
MINUTES = 0.2
COMPLAINT = "Rattles for a moment when it is started cold, and the lamp came on (invented)"
DONE = "Screen of the intake cam's oil control valve cleaned, oil changed (invented)"
# The technician's findings in the story, in order until the cause is found; then the entries of the work sheet.
FOUND = ("oil level ok", "screen blocked")
TYPED = ("screen blocked 70 limit 20", "oil control valve bolt 10 N*m")
TECHNICIAN = "Invented"


def demo(folder: Path, say: Callable[[str], None] = print) -> Recording:
    """Record an invented drive into `folder` over a virtual port and replay it, write the reports of the sample
    recordings, and play a repair up to its proof and a job up to its final page. Needs no hardware and takes about a
    minute."""
    from camlog.simulate.adapter import SimulatedAdapter
    from camlog.simulate.vehicle.car import SimulatedCar
    from camlog.simulate.vehicle.conditions import Condition
    from camlog.simulate.vehicle.draw import demo_setup

    profile = read_profile("demo")
    car = SimulatedCar(demo_setup(Condition(CONDITION, SEVERITY, cams=("intake_b1",))), "demo")
    say("A simulated car, invented: its intake cam phaser sticks. No hardware is used.")
    with SimulatedAdapter(car, profile) as adapter:
        port = adapter.start_tcp()
        say(f"Connecting to its adapter on {port} ...")
        source = LiveSource(port, profile, baud=115_200)
        with KeyReader(source.now_s, on_marker=source.put, on_end=source.stop) as keys:
            care = LiveCare(limits_for(profile))
            view = view_for(title="Recording the simulated car", clock=source.now_s, keys=keys, care=care)
            done = record(source, folder / "demo.csv", views=[view], minutes=MINUTES)
    trace = read_trace(done.trace)
    drive = read_drive(drive_path(done.trace))
    replayed = sum(isinstance(item, Batch) for item in replay(trace, drive, speed="max"))
    say(f"Recorded {done.rows} rows in {trace.duration_s:.0f} s, and replayed {replayed}: {done.trace}")
    say("")
    say("The sample recordings, each of an invented condition:")
    pages = write_sample_reports(folder / "samples", say)
    say(f"Their {len(pages)} reports lie in {folder / 'samples'}; open one in a browser.")
    say("")
    (folder / "repair").mkdir(parents=True, exist_ok=True)
    job = Job(folder / "repair" / "repair.job.json")
    story = play(folder / "repair", say, mend=lambda before: open_job(job, before, say))
    hand_over(job, story.full, say)
    return done


def open_job(job: Job, before: Findings, say: Callable[[str], None] = print) -> None:
    """Play a job from the complaint to the filled work sheet; `say` gets each line of the story."""
    profile, shop = read_profile("demo"), ShopFile()
    job.put("complaint", COMPLAINT, "complaint")
    work.set_fields(job, "vehicle", {"mileage_km": 96_000.0, **work.profile_fields(profile)})
    work.set_fields(job, "people", {"shop": "Invented workshop", "technician": TECHNICIAN})
    work.add_recording(job, before)
    say(f"The job: {COMPLAINT}.")
    for words in FOUND:
        steps = work.next_steps(job, shop, profile.layout)
        likely = steps["causes"][0]
        say(f"  Most likely {likely['cause']} ({percent(likely['probability'])}); next: {steps['checks'][0]['check']}")
        work.add_found(job, understand(words), words, TECHNICIAN)
        say(f"  Found: {words}.")
    quote = work.make_quote(job, shop, profile.layout)["choices"][0]
    say(
        f"  Quoted: {quote['repair']}, which cures with {percent(quote['cures'])} and costs {quote['labour'] + quote['parts']:,}."
    )
    sheet = work.make_sheet(job, profile.layout)
    for words in TYPED:
        say(f"  Work sheet: {row_words(enter(sheet, words))}.")
    work.use_measurements(job)
    for row in sheet["before"] + sheet["fasteners"] + sheet["after"]:
        work.tick_row(job, row, TECHNICIAN)


def hand_over(job: Job, proof: Verification, say: Callable[[str], None] = print) -> None:
    """Close the job with its proof, and write the pages that are handed over."""
    for row in job.get("sheet")["afterwards"]:
        work.tick_row(job, row, TECHNICIAN)
    work.close(job, DONE, proof.after, proof.before)
    job.save()
    for page in write_pages(
        job, work.next_steps(job, ShopFile(), read_profile("demo").layout), job.path.parent, replace=True
    ):
        say(f"Page: {page}")
