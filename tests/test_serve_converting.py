"""Somebody else's trace converted for the page: the questions wait for whoever answers them, or gives up."""

from __future__ import annotations

import shutil
import threading
import time
from pathlib import Path

import pytest

from camlog.drive import read_drive
from camlog.errors import InputError
from camlog.serve import converting
from camlog.serve.converter import convert_file
from camlog.serve.converting import AT_ONCE, ConversionLook, Conversions
from camlog.serve.folder import Folder
from camlog.serve.worker import Workers
from camlog.trace import read_trace

FOREIGN = Path(__file__).parent / "foreign"
OVER = ("done", "failed", "cancelled")
HOSTILE = ["<img src=x onerror=1>.csv", "a\"b'.csv", "%2e%2e%2fx.csv", "ä ö — 20 %.csv"]


@pytest.fixture
def folder(tmp_path: Path) -> Folder:
    (tmp_path / "work").mkdir()
    return Folder(tmp_path / "work")


@pytest.fixture(scope="module")
def workers():
    """For all tests: a worker takes a moment to begin."""
    made = Workers(idle=AT_ONCE)
    yield made
    made.close()


@pytest.fixture
def conversions(folder, workers):
    made = Conversions(folder, workers)
    yield made
    made.close()


def bring(folder: Folder, name: str, as_: str | None = None) -> str:
    shutil.copy(FOREIGN / name, folder.root / (as_ or name))
    return as_ or name


def when(conversions: Conversions, id_: str, *states: str) -> ConversionLook:
    """The conversion once it is in one of these states."""
    until = time.monotonic() + 60
    while time.monotonic() < until:
        look = conversions.look(id_)
        if look.state in states:
            return look
        assert look.state not in OVER, look
        time.sleep(0.005)
    raise AssertionError(f"still {look}")


def answered(conversions: Conversions, id_: str, answers: dict[str, str | None]) -> tuple[ConversionLook, list[str]]:
    """Answer every question by what it is about; gives the end, and what was asked."""
    asked = []
    while (look := when(conversions, id_, "asking", *OVER)).state == "asking":
        asked.append(look.question.about)
        conversions.answer(id_, look.question_number, answers[look.question.about])
    return look, asked


def written(folder: Folder) -> set[str]:
    return {path.name for path in folder.root.iterdir()}


# ---------------------------------------------------------------- without a doubt


def test_what_is_certain_is_taken_without_a_question(folder, conversions):
    name = bring(folder, "cam_two_banks.csv")
    look, asked = answered(conversions, conversions.start(name), {})
    assert asked == [] and look.state == "done" and look.share == 1.0
    assert look.result["trace"] == "cam_two_banks.camlog.csv" and look.result["rows"] == 3
    assert look.result["cam_angles"] and look.result["mapping"] is None
    trace = read_trace(folder.root / look.result["trace"])
    assert list(trace.columns["cam_intake_b1_actual"]) == [0.2, 5, 18.5]
    taken = {c["signal"] for c in look.result["columns"] if c["kind"] == "signal"}
    assert taken - {"time"} == set(trace.columns)
    assert conversions.converted(name) == look.result["trace"]
    assert conversions.newest(name).over


def test_what_is_no_table_fails_in_words_of_a_page_without_a_path(folder, conversions):
    for name in ("two_recordings.csv", "empty.csv", "no_headings.csv"):
        look, _ = answered(conversions, conversions.start(bring(folder, name)), {})
        assert look.state == "failed" and look.error.startswith(name), look
        assert str(folder.root) not in look.error and "--" not in look.error
        assert look.result is None
    assert not [n for n in written(folder) if ".camlog." in n]


@pytest.mark.parametrize("name", HOSTILE)
def test_any_name_a_folder_can_hold_is_converted_beside_it(folder, conversions, name):
    look, _ = answered(conversions, conversions.start(bring(folder, "cam_two_banks.csv", name)), {})
    assert look.result["trace"] == name.removesuffix(".csv") + ".camlog.csv"
    assert look.result["trace"] in written(folder)


@pytest.mark.parametrize("name", ["../outside.csv", "/etc/passwd", "none.csv", "a\0b.csv", "", "link.csv"])
def test_nothing_outside_the_folder_is_reached(folder, conversions, name, tmp_path):
    shutil.copy(FOREIGN / "cam_two_banks.csv", tmp_path / "outside.csv")
    (folder.root / "link.csv").symlink_to(tmp_path / "outside.csv")
    with pytest.raises(InputError):
        conversions.start(name)
    assert {p.name for p in tmp_path.iterdir()} == {"outside.csv", "work"}


def test_a_trace_that_would_be_written_through_a_link_is_refused(folder, conversions, tmp_path):
    (tmp_path / "elsewhere.csv").write_text("kept")
    (folder.root / "cam_two_banks.camlog.csv").symlink_to(tmp_path / "elsewhere.csv")
    with pytest.raises(InputError, match="link"):
        conversions.start(bring(folder, "cam_two_banks.csv"), again=True)
    assert (tmp_path / "elsewhere.csv").read_text() == "kept"


@pytest.mark.parametrize("name", ["car.toml", "cam_two_banks.drive.json", "x.map.toml", "x.report.html"])
def test_only_traces_are_converted(folder, conversions, name):
    bring(folder, "cam_two_banks.csv", name)
    with pytest.raises(InputError, match="recording"):
        conversions.start(name)
    assert written(folder) == {name}


# ---------------------------------------------------------------- questions


def test_a_doubtful_cam_column_waits_for_its_answer_and_is_turned_into_crank_degrees(folder, conversions):
    name = bring(folder, "cam_says_nothing.csv")
    id_ = conversions.start(name)
    look = when(conversions, id_, "asking")
    assert look.question.about == "angle" and look.question_number == 1
    assert [value for value, _ in look.question.choices] == ["crank", "cam"]
    assert conversions.newest(name).id == id_
    time.sleep(0.1)
    assert conversions.look(id_).state == "asking", "it goes on by itself"
    assert written(folder) == {name}, "something is written before the answer"
    conversions.answer(id_, 1, "cam")
    look = when(conversions, id_, *OVER)
    trace = read_trace(folder.root / look.result["trace"])
    # The cam turns once while the crank turns twice, so a degree of it is two of the crank's.
    assert list(trace.columns["cam_intake_b1_actual"]) == [0.4, 10, 45]
    assert look.result["cam_angles"] and not [c for c in look.result["columns"] if c["kind"] == "doubtful"]


def test_left_open_it_stays_in_doubt_and_a_mapping_file_is_made_ready(folder, conversions):
    name = bring(folder, "cam_says_nothing.csv")
    look, asked = answered(conversions, conversions.start(name), {"angle": None})
    assert asked == ["angle"] and look.state == "done"
    doubtful = [c["heading"] for c in look.result["columns"] if c["kind"] == "doubtful"]
    assert doubtful == ["Intake cam desired (deg)", "Intake cam actual (deg)"]
    assert not look.result["cam_angles"]
    assert look.result["mapping"] == "cam_says_nothing.map.toml" in written(folder)
    assert not [c for c in read_trace(folder.root / look.result["trace"]).columns if c.startswith("cam_")]
    # The mapping file made ready answers nothing by itself: converted again, it is asked again.
    look, asked = answered(conversions, conversions.start(name, again=True), {"angle": "crank"})
    assert asked == ["angle"] and look.result["cam_angles"]


def test_questions_come_one_after_another_and_an_answer_counts_for_its_own_question_only(folder, conversions):
    name = bring(folder, "cam_no_side.csv")
    id_ = conversions.start(name)
    first = when(conversions, id_, "asking")
    assert first.question.about == "signal"
    conversions.answer(id_, 7, "-")  # of a page that shows something else
    conversions.answer(id_, 0, "-")
    assert conversions.look(id_).state == "asking" and conversions.look(id_).question_number == 1
    conversions.answer(id_, 1, "cam_exhaust_b1_commanded")
    conversions.answer(id_, 1, "-")  # a second click
    look, asked = answered(conversions, id_, {"positive": "retard", "signal": "cam_exhaust_b1_actual"})
    assert asked == ["positive", "signal"] and look.state == "done"
    trace = read_trace(folder.root / look.result["trace"])
    # Retard positive in the file, advance positive in camlog's.
    assert list(trace.columns["cam_exhaust_b1_actual"]) == [-0.2, -5, -22.5]
    assert list(trace.columns["cam_exhaust_b1_commanded"]) == [0, -25, -25]


def test_figures_are_answers_too(folder, conversions):
    name = bring(folder, "cam_not_zero_at_rest.csv")
    id_ = conversions.start(name)
    look = when(conversions, id_, "asking")
    assert look.question.choices == ()
    look, asked = answered(conversions, id_, {"rest_deg": "110"})
    assert asked == ["rest_deg", "rest_deg"]
    assert list(read_trace(folder.root / look.result["trace"]).columns["cam_intake_b1_commanded"]) == [
        0,
        20,
        20,
    ]


def test_a_table_without_a_time_asks_for_its_rate_and_fails_where_nobody_knows(folder, conversions):
    name = bring(folder, "no_time.csv")
    look, asked = answered(conversions, conversions.start(name), {"rate_hz": None})
    assert asked == ["rate_hz"] and look.state == "failed" and "no column tells the time" in look.error
    look, _ = answered(conversions, conversions.start(name), {"rate_hz": "2"})
    assert list(read_trace(folder.root / look.result["trace"]).time_s) == [0, 0.5, 1.0]


def test_an_answer_nobody_asked_for_is_asked_again_not_believed(folder, conversions):
    id_ = conversions.start(bring(folder, "cam_says_nothing.csv"))
    conversions.answer(id_, when(conversions, id_, "asking").question_number, "gearbox")
    look = when(conversions, id_, "asking")
    assert (look.question.about, look.question_number) == ("angle", 2)


def test_the_mapping_file_that_is_there_answers_for_a_person(folder, conversions):
    name = bring(folder, "cam_says_nothing.csv")
    (folder.root / "cam_says_nothing.map.toml").write_text('schema = "camlog.map/1"\n[angles]\nangle = "crank"\n')
    assert conversions.mapping(name) == "cam_says_nothing.map.toml"
    look, asked = answered(conversions, conversions.start(name), {})
    assert asked == [] and look.state == "done", look.error
    assert list(read_trace(folder.root / look.result["trace"]).columns["cam_intake_b1_actual"]) == [
        0.2,
        5,
        22.5,
    ]


def test_a_mapping_file_with_a_slip_is_said_with_its_name(folder, conversions):
    name = bring(folder, "cam_says_nothing.csv")
    (folder.root / "cam_says_nothing.map.toml").write_text('[angles]\nangle = "sideways"\n')
    look, _ = answered(conversions, conversions.start(name), {})
    assert look.state == "failed" and look.error.startswith("cam_says_nothing.map.toml")


# ---------------------------------------------------------------- again, cancelled, closed, bounded


def test_a_second_time_only_when_told_to(folder, conversions):
    name = bring(folder, "cam_says_nothing.csv")
    answered(conversions, conversions.start(name), {"angle": "crank"})
    with pytest.raises(InputError, match="already") as refused:
        conversions.start(name)
    assert "cam_says_nothing.camlog.csv" in str(refused.value) and "--force" not in str(refused.value)
    look, _ = answered(conversions, conversions.start(name, again=True), {"angle": "cam"})
    assert list(read_trace(folder.root / look.result["trace"]).columns["cam_intake_b1_actual"]) == [
        0.4,
        10,
        45,
    ]


def test_the_same_file_at_the_same_time_is_one_conversion(folder, conversions):
    name = bring(folder, "cam_says_nothing.csv")
    id_ = conversions.start(name)
    assert conversions.start(name) == id_ == conversions.start(name, again=True)


def test_two_files_that_would_become_the_same_trace_are_not_converted_at_once(folder, conversions):
    conversions.start(bring(folder, "cam_says_nothing.csv", "drive.csv"))
    with pytest.raises(InputError, match="drive.csv"):
        conversions.start(bring(folder, "cam_says_nothing.csv", "drive.txt"), again=True)


def test_cancelled_at_a_question_the_thread_ends_and_the_trace_from_before_stays(folder, conversions):
    name = bring(folder, "cam_says_nothing.csv")
    answered(conversions, conversions.start(name), {"angle": "crank"})
    before = {n: (folder.root / n).read_bytes() for n in written(folder)}
    id_ = conversions.start(name, again=True)
    when(conversions, id_, "asking")
    conversions.cancel(id_)
    assert when(conversions, id_, *OVER).state == "cancelled"
    assert {n: (folder.root / n).read_bytes() for n in written(folder)} == before
    conversions.answer(id_, 1, "cam")  # too late
    assert conversions.look(id_).state == "cancelled"


def convert_slowly(link, path, *more):
    """`convert_file`, which stands still in the midst of writing; called in the worker."""
    send = link.send

    def slowly(kind, value):
        send(kind, value)
        if kind == "share" and value > 0.6:  # the reading is the part before
            time.sleep(60)

    link.send = slowly
    return convert_file(link, path, *more)


def test_cancelled_in_the_midst_of_writing_nothing_of_it_stays(folder, conversions, monkeypatch):
    name = bring(folder, "cam_two_banks.csv")
    monkeypatch.setattr(converting, "convert_file", convert_slowly)
    id_ = conversions.start(name)
    until = time.monotonic() + 60
    while conversions.look(id_).share <= 0.6:
        assert time.monotonic() < until
        time.sleep(0.01)
    assert written(folder) > {name}, "nothing is being written"
    conversions.cancel(id_)
    assert when(conversions, id_, *OVER).state == "cancelled"
    assert written(folder) == {name}


def test_closing_ends_every_thread_and_nothing_starts_after_it(folder, workers):
    conversions = Conversions(folder, workers)
    ids = [conversions.start(bring(folder, "cam_says_nothing.csv", f"{i}.csv")) for i in range(AT_ONCE)]
    for id_ in ids:
        when(conversions, id_, "asking")
    began = time.monotonic()
    conversions.close()
    assert time.monotonic() - began < 2
    assert not [t for t in threading.enumerate() if t.name.startswith("convert ")]
    assert [conversions.look(id_).state for id_ in ids] == ["cancelled"] * AT_ONCE
    with pytest.raises(InputError):
        conversions.start("0.csv")


def test_only_a_few_at_once_and_a_cancelled_one_makes_room(folder, conversions):
    ids = [conversions.start(bring(folder, "cam_says_nothing.csv", f"{i}.csv")) for i in range(AT_ONCE)]
    bring(folder, "cam_says_nothing.csv", "more.csv")
    with pytest.raises(InputError, match="other"):
        conversions.start("more.csv")
    conversions.cancel(ids[0])
    when(conversions, ids[0], "cancelled")
    assert when(conversions, conversions.start("more.csv"), "asking").name == "more.csv"


def test_what_is_remembered_of_past_ones_is_bounded(folder, conversions, monkeypatch):
    monkeypatch.setattr(converting, "KEPT", 2)
    name = bring(folder, "cam_two_banks.csv")
    ids = []
    for _ in range(5):
        ids.append(conversions.start(name, again=True))
        when(conversions, ids[-1], "done")
    conversions.start(name, again=True)
    assert [conversions.look(id_) is None for id_ in ids] == [True, True, True, False, False]
    assert conversions.look("convert-99") is None and conversions.look(None) is None


def test_a_question_nobody_answers_is_given_up(folder, conversions, monkeypatch):
    monkeypatch.setattr(converting, "UNANSWERED_S", 0.1)
    id_ = conversions.start(bring(folder, "cam_says_nothing.csv"))
    assert when(conversions, id_, *OVER).state == "cancelled"


def test_the_drive_file_says_where_the_trace_came_from(folder, conversions):
    look, _ = answered(conversions, conversions.start(bring(folder, "cam_two_banks.csv")), {})
    drive = read_drive(folder.root / "cam_two_banks.camlog.drive.json")
    assert drive.adapter["source_file"] == "cam_two_banks.csv"
    assert folder.entry(look.result["trace"]).converted_from == "cam_two_banks.csv"
