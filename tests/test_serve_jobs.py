"""Analyses for the page: one process apart, which outlives no server and stops no recording."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from typer.testing import CliRunner

from camlog.cli import build_app
from camlog.errors import InputError
from camlog.serve import jobs as jobs_module
from camlog.serve.jobs import Jobs
from camlog.serve.tasks import make_comparison, make_report, make_verification, provisional
from camlog.serve.worker import NICENESS

ROOT = Path(__file__).resolve().parent.parent
SAMPLES = ROOT / "sample_logs"
WAIT_S = 120.0  # of a busy computer: these processes give way to all others


@pytest.fixture(scope="module")
def jobs():
    """One for all tests that leave it as they found it: a worker takes a moment to begin."""
    found = Jobs()
    yield found
    found.close()


@pytest.fixture
def own():
    found = Jobs()
    yield found
    found.close()


def over(jobs, id_):
    end = time.monotonic() + WAIT_S
    while not (look := jobs.look(id_)).over:
        assert time.monotonic() < end, look
        time.sleep(0.01)
    return look


def running(jobs, id_):
    end = time.monotonic() + WAIT_S
    while jobs.look(id_).state == "waiting":
        assert time.monotonic() < end
        time.sleep(0.01)
    return jobs.look(id_)


def noted_pid(path):
    """The worker's process, once `noted` runs in it."""
    end = time.monotonic() + WAIT_S
    while not path.exists() or not path.read_text():
        assert time.monotonic() < end
        time.sleep(0.01)
    return int(path.read_text().split()[0])


def alive(pid):
    """Whether a process is there and no mere remainder."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] not in "ZX"
    except OSError:
        return False


# ---- what the worker is asked to do in these tests: top of a module, so that it finds them


def nothing():
    return os.getpid()


def about_itself():
    modules = {name: name in sys.modules for name in ("dash", "flask", "h11")}
    return {
        "nice": os.nice(0),
        "ignores": signal.getsignal(signal.SIGINT) is signal.SIG_IGN,
        "modules": modules,
    }


def dies(status):
    os._exit(status)


def killed():
    os.kill(os.getpid(), signal.SIGKILL)


def noted(path, seconds):
    with open(path, "a") as file:
        file.write(f"{os.getpid()}\n")
        file.flush()
        time.sleep(seconds)
        file.write("end\n")
    return {"pid": os.getpid()}


def fails(error):
    raise error


def no_answer():
    return lambda: None


# ---- one after another


def test_a_job_is_waiting_then_running_then_done(own, tmp_path):
    assert own.look("none") is None and own.look(None) is None and own.look("job-1") is None
    first = own.submit("First", noted, str(tmp_path / "a"), 0.3)
    second = own.submit("Second", nothing)
    assert first != second and own.look(second).state == "waiting" and own.look(second).title == "Second"
    look = running(own, first)
    assert look.state == "running" and not look.over and look.result is None
    assert own.look(second).state == "waiting"
    pid = over(own, first).result["pid"]
    assert over(own, second).result == pid != os.getpid()
    assert own.look(first).seconds >= 0.3 and own.look(first).error == ""


def test_asked_again_with_the_same_key_it_is_the_same_job_while_it_lasts(own, tmp_path):
    first = own.submit("Report", noted, str(tmp_path / "a"), 0.2, key="report x")
    waiting = own.submit("Report", nothing, key="report y")
    assert own.submit("Report", nothing, key="report x") == first
    assert own.submit("Report", nothing, key="report y") == waiting
    assert own.submit("Report", nothing) != own.submit("Report", nothing)
    over(own, waiting)
    again = own.submit("Report", nothing, key="report x")
    assert again not in (first, waiting) and own.latest("report x") == again and own.latest("none") is None
    over(own, again)
    assert (tmp_path / "a").read_text().count("end") == 1


def test_its_process_is_niced_and_leaves_ctrl_c_to_the_server(jobs):
    said = over(jobs, jobs.submit("About", about_itself)).result
    assert said["nice"] == min(19, os.nice(0) + NICENESS) and said["ignores"]  # 19: the nicest there is
    # What serves pages has no place in what analyses drives.
    assert not any(said["modules"].values()), said


def test_what_fails_is_one_line_without_a_place_on_this_computer(jobs, tmp_path):
    place = str(tmp_path / "x.csv")
    for error, words in (
        (
            InputError("is no trace", file=place, line=3, remedy="Choose another."),
            "x.csv, line 3: is no trace. Choose",
        ),
        (MemoryError(), "not enough memory"),
        (OSError(28, "No space left on device", place), "No space left on device"),
        (ValueError("x\ny"), "fault of camlog (ValueError"),
    ):
        look = over(jobs, jobs.submit("Fails", fails, error))
        assert look.state == "failed" and look.result is None and words in look.error, look
        assert str(tmp_path) not in look.error
    for function, args in ((no_answer, ()), (lambda: 1, ()), (nothing, (lambda: 1,))):
        assert over(jobs, jobs.submit("Cannot be sent", function, *args)).state == "failed"
    assert over(jobs, jobs.submit("Goes on", nothing)).state == "done"


def test_too_many_waiting_are_refused(own, tmp_path, monkeypatch):
    monkeypatch.setattr(jobs_module, "MOST_WAITING", 3)
    for i in range(3):
        own.submit(f"Job {i}", noted, str(tmp_path / "a"), 60.0)
    with pytest.raises(InputError, match="too many"):
        own.submit("One more", nothing)


def test_of_finished_jobs_only_the_last_are_kept(own, monkeypatch):
    monkeypatch.setattr(jobs_module, "KEPT", 3)
    ids = []
    for _ in range(6):
        ids.append(own.submit("Short", nothing))
        over(own, ids[-1])
    ids.append(own.submit("Last", nothing))
    assert own.look(ids[0]) is None and own.look(ids[1]) is None
    assert [own.look(i) is not None for i in ids[-4:]] == [True] * 4


# ---- what goes wrong with the process


def test_a_worker_that_crashed_is_replaced(own):
    first = over(own, own.submit("Works", nothing)).result
    for function, args, word in (
        (dies, (7,), "status 7"),
        (killed, (), "signal 9"),
        (dies, (0,), "status 0"),
    ):
        look = over(own, own.submit("Crashes", function, *args))
        assert look.state == "failed" and word in look.error and "recording is not affected" in look.error
    last = over(own, own.submit("Works again", nothing))
    assert last.state == "done" and last.result != first and not alive(first)


def test_a_worker_that_was_killed_while_it_had_nothing_to_do_is_replaced_unseen(own):
    pid = over(own, own.submit("Works", nothing)).result
    os.kill(pid, signal.SIGKILL)
    look = over(own, own.submit("Works again", nothing))
    assert look.state == "done" and look.result != pid


def test_what_takes_too_long_is_given_up(tmp_path):
    jobs = Jobs()
    try:
        pid = over(jobs, jobs.submit("Short", nothing)).result
        jobs._limit_s = 0.3
        look = over(jobs, jobs.submit("Long", noted, str(tmp_path / "a"), 60.0))
        assert look.state == "failed" and "too long" in look.error
        assert (tmp_path / "a").read_text() == f"{pid}\n" and not alive(pid)
    finally:
        jobs.close()


def test_a_cancelled_job_ends_and_the_next_one_is_done(own, tmp_path):
    first = own.submit("Long", noted, str(tmp_path / "a"), 60.0, key="report x")
    waits = own.submit("Waits", noted, str(tmp_path / "b"), 0.0)
    next_ = own.submit("Next", nothing)
    pid = noted_pid(tmp_path / "a")
    own.cancel(waits)
    assert own.look(waits).state == "failed" and own.look(waits).error == jobs_module.CANCELLED
    own.cancel(first)
    again = own.submit("Long", nothing, key="report x")  # asked for anew, it is not the one being given up
    assert again != first
    assert over(own, first).error == jobs_module.CANCELLED
    assert over(own, next_).result not in (pid, os.getpid()) and over(own, again).state == "done"
    assert not alive(pid) and (tmp_path / "a").read_text() == f"{pid}\n" and not (tmp_path / "b").exists()
    own.cancel(next_)
    own.cancel("none")
    assert own.look(next_).state == "done"


def test_closing_ends_the_worker_and_what_waited_has_failed(tmp_path):
    jobs = Jobs()
    first = jobs.submit("Long", noted, str(tmp_path / "a"), 60.0)
    second = jobs.submit("Waits", nothing)
    pid = noted_pid(tmp_path / "a")
    began = time.monotonic()
    jobs.close()
    jobs.close()
    assert time.monotonic() - began < 3.0 and not alive(pid)
    assert [jobs.look(i).state for i in (first, second)] == ["failed", "failed"]
    with pytest.raises(InputError):
        jobs.submit("Too late", nothing)
    Jobs().close()  # that never had one


SERVER = """
import sys, time
from camlog.serve.jobs import Jobs
from tests.test_serve_jobs import noted
if __name__ == "__main__":
    jobs = Jobs()
    jobs.submit("Long", noted, sys.argv[1], 60.0)
    jobs.submit("Waits", noted, sys.argv[1], 60.0)
    time.sleep(60)
"""


def test_the_process_is_gone_when_the_server_is_killed(tmp_path):
    (tmp_path / "server.py").write_text(SERVER)
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    server = subprocess.Popen([sys.executable, tmp_path / "server.py", tmp_path / "a"], env=environment)
    try:
        end = time.monotonic() + WAIT_S
        while not (tmp_path / "a").exists() or not (tmp_path / "a").read_text():
            assert time.monotonic() < end and server.poll() is None
            time.sleep(0.02)
        pid = int((tmp_path / "a").read_text())
        assert alive(pid)
        server.send_signal(signal.SIGKILL)
        server.wait()
        end = time.monotonic() + 5.0
        while alive(pid):
            assert time.monotonic() < end, "the worker outlived its server"
            time.sleep(0.02)
        assert (tmp_path / "a").read_text() == f"{pid}\n"  # in the middle of it, and without the next
    finally:
        server.kill()
        server.wait()


# ---- the analyses themselves, where the page calls them


@pytest.fixture(scope="module")
def work(tmp_path_factory):
    folder = tmp_path_factory.mktemp("work")
    for name in ("repair-before", "repair-after", "too-short"):
        for ending in (".csv", ".drive.json"):
            shutil.copy(SAMPLES / (name + ending), folder)
    return folder


def test_a_report_is_made_and_made_again(jobs, work):
    trace = work / "too-short.csv"
    before = trace.read_bytes()
    for _ in range(2):  # it overwrites its own
        look = over(jobs, jobs.submit("Report", make_report, str(trace), "demo"))
        assert look.state == "done", look
    assert look.result["report"] == "too-short.report.html" and look.result["headline"] and look.result["cautions"]
    assert (work / "too-short.report.html").read_text().startswith("<!DOCTYPE html>")
    assert json.loads((work / "too-short.findings.json").read_text())["schema"] == "camlog.findings/1"
    assert trace.read_bytes() == before
    assert not [p.name for p in work.iterdir() if "partial" in p.name]
    assert json.loads(json.dumps(look.result)) == look.result


def test_two_drives_are_compared_and_a_repair_verified_as_the_commands_do(jobs, work):
    before, after = str(work / "repair-before.csv"), str(work / "repair-after.csv")
    compared = jobs.submit("Comparison", make_comparison, before, after, "demo")
    verified = jobs.submit("Verification", make_verification, after, before, "demo", "order <12>", ("P0442",))
    found = over(jobs, compared).result
    assert found["comparison"] == "repair-after.comparison.html" and (work / found["comparison"]).exists()
    assert len(found["headline"]) > 1
    proof = over(jobs, verified).result
    assert proof["page"] == "repair-after.verification.html" and proof["headline"]
    page = (work / proof["page"]).read_text()
    assert "order &lt;12&gt;" in page and "order <12>" not in page
    assert proof["verified"] is all(gate["state"] == "passed" for gate in proof["gates"])
    told = CliRunner().invoke(
        build_app(),
        ["verify", after, "--before", before, "--vehicle", "demo", "--job", "order <12>", "--json"],
    )
    assert (told.exit_code == 0) is proof["verified"]
    assert json.loads(told.stdout)["headline"] == proof["headline"][0]


def test_a_drive_is_not_verified_against_itself(jobs, work):
    shutil.copy(work / "too-short.csv", work / "copy.csv")
    look = over(
        jobs,
        jobs.submit("V", make_verification, str(work / "copy.csv"), str(work / "too-short.csv"), "demo", "", ()),
    )
    assert look.state == "failed" and "same recording" in look.error and str(work) not in look.error
    assert not (work / "copy.verification.html").exists()


def test_the_provisional_verdict_reads_a_trace_that_is_still_being_written(jobs, work):
    whole = (work / "repair-before.csv").read_bytes()
    growing = work / "growing.csv"
    growing.write_bytes(whole[: len(whole) // 4])  # broken off within a row
    before = sorted(p.name for p in work.iterdir())
    look = over(jobs, jobs.submit("Provisional", provisional, str(growing), "demo"))
    assert look.state == "done", look
    assert set(look.result["cams"]) == {"intake_b1", "exhaust_b1"} and look.result["seconds"] > 60
    assert all({"condition", "confidence", "reason"} <= set(cam) for cam in look.result["cams"].values())
    assert sorted(p.name for p in work.iterdir()) == before  # it writes nothing


def test_a_result_that_is_a_link_is_replaced_and_what_it_led_to_is_not_written(jobs, work, tmp_path):
    outside = tmp_path / "outside.html"
    outside.write_text("untouched")
    shutil.copy(work / "too-short.csv", work / "linked.csv")
    (work / "linked.report.html").symlink_to(outside)
    look = over(jobs, jobs.submit("Report", make_report, str(work / "linked.csv"), None))
    assert outside.read_text() == "untouched" and look.state == "done", look
    assert not (work / "linked.report.html").is_symlink()


def test_what_cannot_be_analysed_is_said(jobs, work):
    (work / "empty.csv").write_bytes(b"")
    for function, args in (
        (make_report, (str(work / "empty.csv"), None)),
        (make_report, (str(work / "gone.csv"), None)),
        (make_report, (str(work / "too-short.csv"), str(work / "gone.toml"))),
        (provisional, (str(work / "gone.csv"), "demo")),
    ):
        look = over(jobs, jobs.submit("Fails", function, *args))
        assert look.state == "failed" and look.error and "fault of camlog" not in look.error, look
        assert str(work) not in look.error and "\n" not in look.error
