"""Replay in the page: every row once whatever is ordered when, jumps with a past, and replays nobody looks at."""

import dataclasses
import random
import threading
import time
from pathlib import Path

import pytest

from camlog.analysis.drive.coverage import coverage
from camlog.drive import drive_path, read_drive, write_drive
from camlog.errors import InputError
from camlog.profile import DEMO, read_profile
from camlog.serve import playing
from camlog.serve.board import Board
from camlog.serve.folder import Folder
from camlog.serve.playing import Player, Players
from camlog.serve.worker import Workers
from camlog.stream import Batch, CodeSnapshot, Event, TroubleCode
from camlog.trace import read_trace

SAMPLES = Path(__file__).resolve().parent.parent / "sample_logs"


def sample(name):
    return read_trace(SAMPLES / f"{name}.csv"), read_drive(SAMPLES / f"{name}.drive.json")


def until(condition, seconds=60.0):
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "it never came"
        time.sleep(0.01)


@pytest.fixture(scope="module")
def workers():
    """For all tests: a worker takes a moment to begin."""
    made = Workers(idle=4)
    yield made
    made.close()


@pytest.fixture
def player(workers):
    found = Player("healthy.csv", SAMPLES / "healthy.csv", read_profile("demo"), workers)
    yield found
    found.close()
    assert not found._thread.is_alive()


def with_drive(tmp_path, name, **changes):
    """A copy of a sample drive, what its drive file says changed."""
    path = tmp_path / "x.csv"
    path.write_bytes((SAMPLES / f"{name}.csv").read_bytes())
    write_drive(dataclasses.replace(sample(name)[1], **changes), drive_path(path))
    return path


def shown_s(board):
    """Times of the first and last sample a board shows."""
    times, _ = board.update()["samples"]["cam_intake_b1_actual"]
    return times[0], times[-1]


def test_a_saved_drive_plays_to_its_end_and_shows_every_row(player):
    assert (player.state.playing, player.state.ended, player.position_s) == (False, False, player.start_s)
    player.play("max")
    until(lambda: player.state.ended)
    assert player.board.state.batches == len(sample("healthy")[0].time_s)
    assert player.position_s == player.duration_s and not player.state.playing
    # The guide has followed, and says what the coverage of the trace says.
    assert player.guide.coverage() == coverage(sample("healthy")[0], profile=read_profile("demo"))


@pytest.mark.parametrize("seed", range(4))
def test_whatever_is_ordered_when_no_row_or_event_is_lost_or_shown_twice(monkeypatch, tmp_path, workers, seed):
    seen, accept = [], Board.accept

    def note(board, item):
        seen.append(item)
        accept(board, item)

    monkeypatch.setattr(Board, "accept", note)
    trace, _ = sample("too-short")
    # An event at the very time of every row: an order may come between the two.
    events = tuple(Event(float(t), "marker", str(n)) for n, t in enumerate(trace.time_s))
    found = Player("x", with_drive(tmp_path, "too-short", events=events), None, workers)
    order = random.Random(seed)
    end = time.monotonic() + 0.4
    while time.monotonic() < end:
        if order.random() < 0.5:
            found.play(order.choice([200, 500, 1000, 3000]))
        else:
            found.pause()
        time.sleep(order.random() * 0.0005)
    found.play("max")
    until(lambda: found.state.ended)
    found.close()
    assert [i.time_s for i in seen if isinstance(i, Batch)] == trace.time_s.tolist()
    assert [i for i in seen if isinstance(i, Event)] == list(events)
    times = [i.time_s for i in seen]
    assert times == sorted(times)


def test_standing_still_moves_nothing(player):
    player.play(40.0)
    time.sleep(0.15)
    player.pause()
    place, batches = player.position_s, player.board.state.batches
    assert 3.0 < place < 60.0 and not player.state.playing
    until(lambda: player.board.state.batches >= batches)
    time.sleep(0.1)
    assert player.position_s == place and player.board.state.elapsed_s == place
    assert shown_s(player.board)[1] <= place


def test_a_replay_keeps_to_its_pace(player):
    player.play(10.0)
    began = time.monotonic()
    until(lambda: player.position_s >= 6.0)
    assert 0.55 < time.monotonic() - began < 1.6
    assert shown_s(player.board)[1] == pytest.approx(player.position_s, abs=1.5)
    player.play(40.0)
    began = time.monotonic()
    until(lambda: player.position_s >= 22.0)
    assert 0.3 < time.monotonic() - began < 1.3


def test_a_jump_has_a_past_and_another_id(player):
    first = player.board.id
    player.go_to(300.0)
    until(lambda: player.board.state.batches and shown_s(player.board)[1] > 299.0)
    assert player.board.update()["id"] != first
    begins_s, ends_s = shown_s(player.board)
    assert 279.5 <= begins_s <= 281.0 and ends_s <= 300.0 and player.position_s == 300.0
    player.play(20.0)
    until(lambda: shown_s(player.board)[1] > 301.0)
    player.go_to(1e9)
    until(lambda: player.position_s == player.duration_s)
    player.go_to(-5.0)
    assert player.position_s >= player.start_s
    with pytest.raises(InputError, match="no time"):
        player.go_to(float("nan"))


def test_after_a_jump_the_guide_still_counts_from_the_beginning(player):
    profile, trace = read_profile("demo"), sample("healthy")[0]
    for place_s in (400.0, 200.0, 500.0):  # on, back, on
        player.go_to(place_s)
        until(lambda: not player.state.behind)
        player.guide._covered = None
        so_far = coverage(trace.between(trace.time_s[0], place_s), profile=profile)
        assert player.guide.coverage() == so_far


def test_after_a_jump_marks_and_codes_of_before_are_still_known(tmp_path, workers):
    codes = CodeSnapshot(0.0, mil=True, stored=(TroubleCode("P0011", "7E8"),))
    events = (Event(12.0, "marker", "rattle heard"), Event(13.0, "gap", ""), Event(14.0, "reconnect", ""))
    found = Player("x", with_drive(tmp_path, "healthy", code_snapshots=(codes,), events=events), None, workers)
    try:
        until(lambda: found.board.state.last_snapshot is not None)  # read before the first row
        found.go_to(400.0)
        until(lambda: found.board.state.batches > 100)
        told = found.board.update()
        assert "P0011" in told["codes"] and told["markers"] == 1
        assert [e["text"] for e in told["events"]] == ["rattle heard"] and told["gaps"]["count"] == 0
    finally:
        found.close()


def test_the_closing_codes_after_the_last_row_are_shown_too(tmp_path, workers):
    trace, _ = sample("too-short")
    last = CodeSnapshot(float(trace.time_s[-1]) + 2.0, mil=False, stored=())
    found = Player("x", with_drive(tmp_path, "too-short", code_snapshots=(last,)), None, workers)
    try:
        found.go_to(found.duration_s - 0.2)
        found.play(4.0)
        until(lambda: found.state.ended)
        assert found.board.state.last_snapshot == last
        found.go_to(found.start_s)
        assert not found.state.ended
    finally:
        found.close()


def test_a_speed_that_is_none_is_refused_and_changes_nothing(player):
    for speed in (0, -1, float("nan"), "quick"):
        with pytest.raises(InputError, match="no speed"):
            player.play(speed)
    assert not player.state.playing and player.state.speed == 1.0


# ---------------------------------------------------------------- the players of a folder


@pytest.fixture
def folder(tmp_path):
    for name in ("healthy", "too-short"):
        for ending in (".csv", ".drive.json"):
            (tmp_path / (name + ending)).write_bytes((SAMPLES / (name + ending)).read_bytes())
    return Folder(tmp_path)


@pytest.fixture
def players(folder, workers):
    found = Players(folder, workers, most=3)
    yield found
    found.close()
    assert not any(t.name in ("replay", "replays") for t in threading.enumerate())


def test_beyond_the_most_the_one_unseen_longest_is_closed(players):
    opened = [players.open("too-short.csv") for _ in range(3)]
    players.get(opened[0].id)  # a page has just asked
    opened.append(players.open("too-short.csv"))
    assert players.get(opened[1].id) is None and not opened[1]._thread.is_alive()
    assert [players.get(opened[n].id) for n in (0, 2, 3)] == [opened[0], opened[2], opened[3]]
    assert len({p.id for p in opened}) == 4


def test_a_replay_that_no_page_asks_for_is_closed_by_itself(players, monkeypatch):
    monkeypatch.setattr(playing, "UNSEEN_S", 0.3)
    monkeypatch.setattr(playing, "_LOOK_ROUND_S", 0.05)
    found = players.open("too-short.csv")
    found.play(1.0)
    until(lambda: not found._thread.is_alive(), 3.0)
    assert players.get(found.id) is None


def test_the_profile_it_was_recorded_with_is_found_again(players, folder, tmp_path):
    (tmp_path / "mine.toml").write_bytes(DEMO.read_bytes().replace(b"Invented four-cylinder", b"Mine"))
    drive = read_drive(drive_path(tmp_path / "too-short.csv"))
    mine = dataclasses.replace(drive, vehicle={**drive.vehicle, "profile_sha256": folder.profile("mine.toml").sha256})
    write_drive(mine, drive_path(tmp_path / "too-short.csv"))
    assert players.open("too-short.csv").guide._profile.name == "Mine"


def test_what_cannot_be_played_is_refused_in_words(players, tmp_path):
    (tmp_path / "theirs.csv").write_text("t;rpm\n0;800\n1;810\n")
    (tmp_path / "broken.csv").write_text("time [s],engine_speed [rpm]\n0,800\nx,1\n2,3\n")
    (tmp_path / "empty.csv").write_text("time [s],engine_speed [rpm]\n")
    for name, why in (
        ("nothing.csv", "not in this folder"), ("../healthy.csv", "not a name"), ("theirs.csv", "another program"),
        ("broken.csv", "line 3"), ("empty.csv", "no complete row"), ("healthy.drive.json", "not a recording"),
    ):  # fmt: skip
        with pytest.raises(InputError, match=why) as told:
            players.open(name)
        assert str(tmp_path) not in str(told.value)
