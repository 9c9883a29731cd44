"""The demonstration: a simulated car with an invented fault, recorded for real through python-obd."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from camlog.analysis.do_not_run import LiveCare
from camlog.capture.live import LiveSource
from camlog.capture.record import Recording, record
from camlog.demo_job import play_job
from camlog.demo_repair import play
from camlog.drive import drive_path, read_drive
from camlog.limits import limits_for
from camlog.profile import read_profile
from camlog.replay import replay
from camlog.report.samples import write_sample_reports
from camlog.sinks import KeyReader, view_for
from camlog.stream import Batch
from camlog.trace import read_trace

CONDITION, SEVERITY = "stick_slip", 0.8
MINUTES = 0.2


def demo(folder: Path, say: Callable[[str], None] = print) -> Recording:
    """Record an invented drive into `folder` over a virtual port and replay it, write the reports of the sample
    recordings, and play a repair to its proof and its job to the page that is handed over.

    Needs no hardware and takes about a minute.
    """
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
    again = sum(isinstance(item, Batch) for item in replay(trace, drive, speed="max"))
    say(f"Recorded {done.rows} rows in {trace.duration_s:.0f} s, and replayed {again}: {done.trace}")
    say("")
    say("The sample recordings, each of an invented condition:")
    pages = write_sample_reports(folder / "samples", say)
    say(f"Their {len(pages)} reports lie in {folder / 'samples'}; open one in a browser.")
    say("")
    (folder / "repair").mkdir(parents=True, exist_ok=True)
    story = play(folder / "repair", say)
    say("")
    play_job(folder / "repair", story.full, say)
    return done
