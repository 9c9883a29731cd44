"""The library: nothing lost, nothing twice, and known-good cars held against a reference library."""

from __future__ import annotations

import inspect
import os
import signal
import sqlite3
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from camlog.analysis.figures import FIGURES, view
from camlog.analysis.verdict.judge import ANSWERED_AT, judge_all
from camlog.cli import main
from camlog.errors import InputError
from camlog.library import store
from camlog.library.compare import change_point, crosses, trends
from camlog.library.known_good import ENOUGH, LOG_ODDS, KnownGood, misfits, pool, pooled
from camlog.library.schema import MIGRATIONS
from camlog.library.store import VERSION, Entry, FigureValue, Library
from camlog.limits import LIMITS
from camlog.units import showing

SAMPLES = Path(__file__).parent.parent / "sample_logs"


def entry(number, value=1.0, vehicle="", kind="k"):
    figures = tuple(
        FigureValue("intake_b1", f"figure_{i}", value + i, value + i - 0.2, value + i + 0.2, 10.0) for i in range(5)
    )
    cams = {"intake_b1": ("healthy", 0.95, {"healthy": 0.95})}
    return Entry(f"{number:064x}", f"drive-{number}.csv", kind, vehicle or f"car {number}", cams=cams, figures=figures)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "library.sqlite"


def test_what_is_added_comes_back_and_adding_it_again_keeps_one(path):
    with Library(path) as library:
        first = library.add(entry(1))
        library.mark_good(first, "somebody", "repair verified")
        again = library.add(entry(1, value=2.0))
        assert first == again and len(library) == 1
        row = library.recording(first)
        assert row["known_good"] == 1 and row["known_good_by"] == "somebody" and row["known_good_at"]
        assert row["cams"] == {"intake_b1": {"condition": "healthy", "confidence": 0.95}}
        assert sorted(f["value"] for f in row["figures"]) == [2.0, 3.0, 4.0, 5.0, 6.0]
        odd = library.add(replace(entry(7), file="\udcff.csv"))  # a name that is no UTF-8
        assert library.recordings(search="\udcff.csv")[0]["id"] == odd
        library.remove(odd)
    with Library(path) as library:
        library.remove(first)
        assert len(library) == 0
        assert library._open.execute("SELECT COUNT(*) FROM figure").fetchone()[0] == 0


def test_nothing_is_known_good_unless_a_person_says_so(path):
    with Library(path) as library:
        number = library.add(entry(1))
        assert library.good_figures("k") == {}
        library.mark_good(number, "somebody")
        assert len(library.good_figures("k")) == 5
        library.mark_good(number, "somebody", good=False)
        assert library.good_figures("k") == {}
        for act in (lambda: library.mark_good(99, "x"), lambda: library.remove(99), lambda: library.recording(99)):
            with pytest.raises(InputError, match="no recording 99"):
                act()


def test_a_file_that_is_no_library_or_of_a_newer_camlog_is_refused(path):
    path.write_text("time [s],engine_speed [rpm]\n0,800\n" * 50)
    with pytest.raises(InputError, match="library"):
        Library(path)
    path.unlink()
    Library(path).close()
    with sqlite3.connect(path) as raw:
        raw.execute(f"PRAGMA user_version = {VERSION + 1}")
    with pytest.raises(InputError, match="newer"):
        Library(path)


def steps_of(library, **question):
    """How many hundred steps of SQLite's machine a question takes."""
    steps = []
    library._open.set_progress_handler(lambda: steps.append(1), 100)
    found = library.recordings(**question)
    library._open.set_progress_handler(None, 0)
    return len(steps), len(found)


def test_a_verdict_that_a_kind_never_has_takes_no_longer_in_a_larger_library(path, monkeypatch):
    monkeypatch.setattr(store, "FEW", 20)
    slow = {"intake_b1": ("slow", 0.9, {})}
    with Library(path) as library:
        library._open.execute("PRAGMA synchronous = OFF")
        taken = []
        for end in (200, 800):
            for number in range(len(library), end):
                library.add(replace(entry(number, kind="never slow"), figures=()))
            for number in range(10_000, 10_000 + end // 8):
                library.add(replace(entry(number, kind="other"), figures=(), cams=slow))
            never, often = ({"kind": kind, "condition": "slow", "most": 10} for kind in ("never slow", "other"))
            taken.append(
                [steps_of(library, **q) for q in (never, often, {"condition": "slow", "most": 10}, {"good": True})]
            )
    (never, often, all_kinds, good), larger = taken
    assert never[1] == good[1] == 0 and often[1] == all_kinds[1] == 10
    assert all(
        after <= 2 * before + 5
        for (before, _), (after, _) in ((never, larger[0]), (often, larger[1]), (good, larger[3]))
    )


ADDER = """
import sys
sys.path.insert(0, {root!r})
from camlog.library.store import Entry, FigureValue, Library
{entry}
with Library({path!r}) as library:
    for number in range({start}, {end}):
        library.add(entry(number))
        print(number, flush=True)
"""


def adder(path, start, end):
    root = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
    code = ADDER.format(root=root, entry=inspect.getsource(entry), path=str(path), start=start, end=end)
    return subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)


def test_two_writers_at_once_lose_nothing(path):
    Library(path).close()
    writers = [adder(path, 0, 40), adder(path, 20, 60)]
    for writer in writers:
        writer.communicate(timeout=120)
        assert writer.returncode == 0
    with Library(path) as library:
        assert len(library) == 60


def test_a_writer_killed_at_any_moment_leaves_whole_recordings(path):
    rng = np.random.default_rng(5)
    Library(path).close()
    said: set[int] = set()
    for turn in range(6):
        writer = adder(path, turn * 1000, turn * 1000 + 1000)
        said.add(int(writer.stdout.readline()))
        time.sleep(float(rng.uniform(0.0, 0.3)))
        writer.send_signal(signal.SIGKILL)
        said |= {int(line) for line in writer.stdout.read().split() if line.isdigit()}
        writer.wait()
        with Library(path) as library:
            rows = library.recordings(most=10_000)
            assert {int(r["sha256"], 16) for r in rows} >= said
            assert library._open.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
            counts = library._open.execute("SELECT COUNT(*) FROM figure GROUP BY recording").fetchall()
            assert {c[0] for c in counts} == {5} and len(counts) == len(rows)


# ---------------------------------------------------------------- known-good cars


def test_pooling_is_that_of_a_reference_library():
    # Outside check: statsmodels' combine_effects (DerSimonian and Laird, one step).
    from statsmodels.stats.meta_analysis import combine_effects

    rng = np.random.default_rng(3)
    for n in (2, 5, 9, 30):
        variance = rng.uniform(0.01, 0.2, n)
        effect = rng.normal(1.0, np.sqrt(variance + 0.1))
        theirs = combine_effects(effect, variance, method_re="chi2")
        mean, var, between = pool(effect, variance)
        assert between == pytest.approx(theirs.tau2, rel=1e-9, abs=1e-12)
        assert mean == pytest.approx(theirs.mean_effect_re, rel=1e-9)
        assert var == pytest.approx(theirs.sd_eff_w_re**2, rel=1e-9)


def good_rows(values, spread=0.05):
    return [
        {"value": v, "low": v - spread, "high": v + spread, "vehicle": f"car {i}", "sha256": str(i)}
        for i, v in enumerate(values)
    ]


def test_a_further_good_car_lies_in_the_interval_as_often_as_it_says():
    rng = np.random.default_rng(8)
    inside = 0
    for _ in range(400):
        cars = rng.normal(1.0, 0.2, 9)
        band = pooled(good_rows(cars))
        inside += band.low <= rng.normal(1.0, 0.2) <= band.high
    assert 0.92 <= inside / 400 <= 0.99


def test_few_are_shown_and_not_weighed_and_many_weigh_more():
    few, some, many = (pooled(good_rows(np.linspace(0.9, 1.1, n))) for n in (ENOUGH - 1, ENOUGH, 40))
    assert not few.weighed and few.share == 0.0
    assert 0.0 < some.share < many.share < 1.0
    assert pooled([]) is None


def test_a_known_good_that_does_not_fit_the_others_is_pointed_out():
    rng = np.random.default_rng(2)
    rows = good_rows([*rng.normal(1.0, 0.05, 9), 3.0])
    assert misfits(rows) == ["9"]
    assert misfits(good_rows(rng.normal(1.0, 0.05, 10))) == []


def test_a_change_is_found_where_it_is_and_only_where_it_is_more_than_chance():
    rng = np.random.default_rng(4)
    values = np.r_[rng.normal(0.3, 0.02, 8), rng.normal(0.5, 0.02, 6)]
    assert change_point(values) == 8
    false = sum(change_point(rng.normal(0.3, 0.02, 14)) is not None for _ in range(100))
    assert false <= 12
    assert change_point(np.full(20, 1.0)) is None and change_point(np.array([1.0, 2.0])) is None


def test_the_day_a_limit_is_reached_is_a_range():
    rows = [{"started_at": f"2026-{m:02d}-01T08:00:00+00:00", "mileage_km": None} for m in range(1, 9)]
    values = 0.2 + 0.02 * np.arange(8) + np.random.default_rng(1).normal(0, 0.002, 8)
    first, last = crosses(rows, values, 0.45)
    assert "2026-11" <= first <= last <= "2027-05"
    assert crosses(rows, values[::-1], 0.45) is None
    assert crosses(rows, 1.0 - values, 1.0 - 0.45, below=True) == (first, last)


def test_a_limit_is_reached_at_a_mileage_where_every_drive_has_one():
    # 0.02 a drive of 1,000 km from 0.2: 0.45 is reached 12.5 drives after the first.
    rows = [{"started_at": "2026-01-01T08:00:00+00:00", "mileage_km": 100_000.0 + 1000.0 * i} for i in range(8)]
    values = 0.2 + 0.02 * np.arange(8) + np.random.default_rng(1).normal(0, 0.002, 8)
    first, last = (float(said.removesuffix(" km").replace(",", "")) for said in crosses(rows, values, 0.45))
    assert 111_500 < first < 112_500 < last < 113_500
    with showing("us"):
        assert crosses(rows, values, 0.45)[0].endswith(" mi")
    rows[3]["mileage_km"] = None
    assert crosses(rows, values, 0.45) is None  # all on one day


def drifting(path, values, figure="t63_s", part="advance", oil="below 40 °C"):
    """A library in which a figure of one car has these values, a drive a month."""
    with Library(path) as library:
        for i, value in enumerate(values):
            kept = FigureValue("intake_b1", figure, value, value - 0.01, value + 0.01, 10.0, part, oil)
            library.add(
                Entry(f"{i:064x}", f"drive-{i}.csv", "k", "red", f"2026-{i + 1:02d}-01T08:00:00+00:00", figures=(kept,))
            )
    return Library(path)


def test_a_figure_with_a_limit_for_each_oil_window_is_followed_to_that_of_its_own(path):
    cold, warm = (LIMITS[f"t63_{word}_s"].value for word in ("cold", "warm"))
    assert cold > 1.3 * warm
    with drifting(path, np.linspace(0.7, 0.95, 8) * warm) as library:
        (line,) = [line for line in trends(library, "red") if "would reach" in line]
        with showing("us"):
            (us,) = [line for line in trends(library, "red") if "would reach" in line]
    assert f"would reach {LIMITS['t63_cold_s']}" in line and "with oil below 40 °C" in line
    assert "Intake cam, bank 1" in line and "with oil below 104 °F" in us and "°C" not in us


def test_a_share_of_good_cars_is_none_beyond_all(path):
    rows = [{"value": v, "low": None, "high": None, "vehicle": str(v), "sha256": str(v)} for v in (0.001, 0.5)]
    key = ("intake_b1", "away_time_fraction", "", "")
    assert KnownGood({key: rows}).place(key, 0.1).band[1] == 1.0


# ---------------------------------------------------------------- the commands


def run(capsys, *words):
    try:
        main(["library", *map(str, words)])
        status = 0
    except SystemExit as end:
        status = end.code or 0
    out = capsys.readouterr()
    return status, out.out, out.err


def test_the_commands_keep_show_and_forget(capsys, path):
    at = ("--library", path)
    status, out, _ = run(
        capsys, "add", "sample_logs/healthy.csv", "--kind", "four", "--known-good", "me", "--vehicle", "demo", *at
    )
    assert status == 0 and "known-good" in out
    assert run(capsys, "add", "sample_logs/slow-cold.csv", "--kind", "four", "--vehicle", "demo", *at)[0] == 0
    status, out, _ = run(capsys, "list", *at)
    assert (
        "healthy.csv: exhaust, bank 1: Healthy; intake, bank 1: Healthy; known-good" in out
        and "intake, bank 1: Slow" in out
    )
    status, out, _ = run(capsys, "show", 2, *at)
    assert "worse than 1 of 1 good ones" in out and "too few to weigh" in out and "with oil below 40 °C" in out
    status, us, _ = run(capsys, "show", 2, "--units", "us", *at)
    assert "with oil below 104 °F" in us and "°C" not in us and us.count("good ones") == out.count("good ones")
    with pytest.raises(SystemExit) as end:
        main(["analyze", "sample_logs/slow-cold.csv", "--json", "--library", str(path)])
    assert end.value.code == 2 and "no kind is given" in capsys.readouterr().err
    assert run(capsys, "remove", 1, *at)[0] == 0
    status, _, err = run(capsys, "show", 1, *at)
    assert status == 2 and "no recording 1" in err


def test_adding_a_recording_again_keeps_what_was_said_of_it(capsys, path):
    add = "add", "sample_logs/healthy.csv", "--library", path
    said = "--car", "A-1", "--kind", "four", "--outcome", "phaser replaced", "--mileage-km", 90_000
    assert run(capsys, *add, *said, "--known-good", "me", "--why", "proved")[0] == 0
    assert run(capsys, *add, "--vehicle", "demo")[0] == 0
    names = "vehicle", "kind", "outcome", "mileage_km", "known_good", "known_good_by", "known_good_why"
    with Library(path) as library:
        kept = library.recording(1)
        assert [kept[n] for n in names] == ["A-1", "four", "phaser replaced", 90_000.0, 1, "me", "proved"]
        assert [r["id"] for r in library.recordings("four", search="a-1 replaced", condition="healthy")] == [1]
    assert run(capsys, *add, "--car", "B-2", "--kind", "six")[0] == 0  # what is said anew counts
    with Library(path) as library:
        assert [library.recording(1)[n] for n in names[:3]] == ["B-2", "six", "phaser replaced"]
        assert library.recordings("four", condition="healthy") == library.recordings(search="a-1") == []
        assert len(library.recordings("six", condition="healthy")) == 1


@pytest.mark.parametrize(
    ("words", "says"),
    [(("trend", "no car"), 'no recording of the car "no car"'), (("trend", "no car"), "Cars that it holds: car 1."),
     (("list", "--kind", "x"), 'no recording of the engine kind "x"'), (("list", "--kind", "x"), "Kinds that it holds: k."),
     (("show", 9), "no recording 9"), (("remove", 9), "no recording 9"), (("good", 9, "--who", "me"), "no recording 9"),
     (("good", 1, "--who", " "), "nobody says so")],
)  # fmt: skip
def test_a_wrong_name_is_said_in_one_line(capsys, path, words, says):
    with Library(path) as library:
        library.add(entry(1))
    status, out, err = run(capsys, *words, "--library", path)
    assert (status, out, err.count("\n")) == (2, "", 1) and says in err


def test_a_library_that_is_not_there_is_asked_nothing_and_not_made(capsys, path):
    for words in (("list",), ("show", 1), ("trend", "x"), ("remove", 1), ("good", 1, "--who", "me")):
        status, _, err = run(capsys, *words, "--library", path)
        assert status == 2 and "no such library" in err and not path.exists()


def test_words_that_no_recording_has_are_no_fault(capsys, path):
    Library(path).close()
    assert run(capsys, "list", "nothing", "--library", path) == (
        0,
        "",
        "camlog: no recording of the library is one of these\n",
    )


# ---------------------------------------------------------------- known-good cars in the verdict


@pytest.fixture(scope="module")
def slow_drive():
    """A drive of a car that is slow with cold oil, measured once."""
    from camlog.analysis.analyze import examine_drive
    from camlog.convert import read_any

    return examine_drive(read_any(SAMPLES / "slow-cold.csv", prepare=False)[0])


def good_cars(drive, number, times=1.0, spread=0.05):
    """So many known-good cars, each figure `times` that of the drive, a few percent apart."""
    rng = np.random.default_rng(7)
    rows: dict = {}
    for cam in drive.cams:
        for figure in FIGURES:
            for m in figure.values(view(drive.cams, cam)) if figure.question else ():
                if m.estimate.value is not None:
                    key = cam, figure.name, m.part, "" if m.window is None else m.window.words
                    better = times if figure.bad != "below" else 1.0 / times
                    for car in range(number):
                        value = m.estimate.value * better * float(rng.normal(1.0, spread))
                        row = {
                            "value": value,
                            "low": value * 0.97,
                            "high": value * 1.03,
                            "vehicle": str(car),
                            "sha256": str(car),
                        }
                        rows.setdefault(key, []).append(row)
    return KnownGood(rows)


def judged(drive, good=None):
    return judge_all(drive.cams, dict(drive.covered.per_cam), drive.limits, known_good=good)


def test_enough_known_good_cars_join_the_evidence_with_a_share_that_grows(slow_drive):
    alone, few, five, nine = (
        judged(slow_drive, good)["intake_b1"]
        for good in (None, *(good_cars(slow_drive, n, 0.5) for n in (ENOUGH - 1, ENOUGH, 9)))
    )
    assert few.probabilities == alone.probabilities and not any(p.says for p in few.places)
    odds = [v.probabilities["slow"] / v.probabilities["healthy"] for v in (alone, five, nine)]
    assert odds[0] < odds[1] < odds[2]
    assert any("slower than 9 of 9 known-good cars" in r and "47 %" in r for r in nine.reasons)
    assert any("too few to weigh" in r for r in few.reasons)


def test_being_as_good_as_known_good_cars_makes_no_cam_healthier(slow_drive):
    alone = judged(slow_drive)
    for times in (1.0, 4.0):  # as good as the known-good cars, and far better
        for cam, verdict in judged(slow_drive, good_cars(slow_drive, 40, times)).items():
            assert verdict.probabilities["healthy"] <= alone[cam].probabilities["healthy"] + 1e-12
            assert times == 1.0 or verdict.probabilities == pytest.approx(alone[cam].probabilities)
    placed = [p for v in judged(slow_drive, good_cars(slow_drive, 40, 0.05)).values() for p in v.places]
    assert max(p.says for p in placed) == pytest.approx(0.8 * LOG_ODDS)  # 40 of 50, however far away


def test_the_shops_units_do_not_change_what_known_good_cars_say(slow_drive):
    good = good_cars(slow_drive, 9, 0.5)
    metric = judged(slow_drive, good)["intake_b1"]
    with showing("us"):
        us = judged(slow_drive, good)["intake_b1"]
        assert any("°F" in place.oil for place in us.places)
    assert len(us.places) == len(metric.places) and us.probabilities == metric.probabilities


def test_without_a_library_nothing_of_it_is_in_the_verdict(slow_drive):
    assert all(not v.places and not any("known-good" in r for r in v.reasons) for v in judged(slow_drive).values())


@pytest.mark.parametrize("sample", ["stuck", "too-short", "sticking"])
def test_known_good_cars_alone_answer_nothing_and_excuse_no_stuck_cam(sample):
    from camlog.analysis.analyze import examine_drive
    from camlog.convert import read_any

    drive = examine_drive(read_any(SAMPLES / f"{sample}.csv", prepare=False)[0])
    alone = judged(drive)
    for times in (0.05, 1.0, 20.0):  # far better ones, ones exactly like it, far worse ones
        for cam, verdict in judged(drive, good_cars(drive, 60, times)).items():
            assert sum(verdict.probabilities.values()) == pytest.approx(1.0)
            if alone[cam].condition == "insufficient_data":
                assert verdict.condition != "healthy" and verdict.confidence <= ANSWERED_AT
            if alone[cam].condition not in ("healthy", "insufficient_data"):
                assert verdict.condition != "healthy"


def test_an_older_library_is_brought_up_to_date_and_found_by_its_words(path):
    with sqlite3.connect(path) as raw:
        raw.executescript(MIGRATIONS[0] + "PRAGMA user_version = 1;")
        raw.execute(
            "INSERT INTO recording (sha256, file, added_at, vehicle) VALUES ('ab', 'old.csv', '2020-01-01', 'red car')"
        )
        raw.execute("INSERT INTO cam VALUES (1, 'intake_b1', 'slow', 0.9, '{}')")
    with Library(path) as library:
        library.add(entry(2, vehicle="blue car 9"))
        found = {
            word: [r["file"] for r in library.recordings(search=word)]
            for word in ("RED", "slow", "car 9", "x9", 'a "b')
        }
    assert found == {"RED": ["old.csv"], "slow": ["old.csv"], "car 9": ["drive-2.csv"], "x9": [], 'a "b': []}


def test_a_full_disk_says_so_and_loses_nothing(path):
    with Library(path) as library:
        library.add(entry(1))
        pages = library._open.execute("PRAGMA page_count").fetchone()[0]
        library._open.execute(f"PRAGMA max_page_count = {pages}")  # SQLite then answers as on a full disk
        with pytest.raises(InputError, match="full"):
            for number in range(2, 60):
                library.add(entry(number))
        kept = len(library)
    with Library(path) as library:
        assert len(library) == kept >= 1
        library.add(entry(1000))


# ---------------------------------------------------------------- published examples


def test_pooling_gives_the_published_figures_of_nine_laboratories():
    # Data: Kacker, "Combining information from interlaboratory evaluations using a random effects model", Metrologia 41
    # (2004) 132-136. Figures: R's package metafor, method DL, as statsmodels' own tests keep them (results_meta, exk1_dl).
    values = [61.00, 61.40, 62.21, 62.30, 62.34, 62.60, 62.70, 62.84, 65.90]
    variances = [0.2025, 1.2100, 0.0900, 0.2025, 0.3844, 0.5625, 0.0676, 0.0225, 1.8225]
    mean, variance, between = pool(values, variances)
    kept = pytest.importorskip("statsmodels.stats.tests.results.results_meta").exk1_dl
    assert (mean, between) == pytest.approx((kept.b, kept.tau2), rel=1e-9)
    assert np.sqrt(variance) == pytest.approx(kept.se, rel=1e-9)
    assert (mean, np.sqrt(variance), between) == pytest.approx((62.3901, 0.2457, 0.2880), abs=6e-5)


def test_the_change_in_the_flow_of_the_nile_is_found_where_it_was_published():
    # Cobb, "The problem of the Nile: conditional solution to a changepoint problem", Biometrika 65 (1978) 243-251: the
    # yearly flow at Aswan is less from 1899 on. The data are those of statsmodels.datasets.nile, public domain.
    from statsmodels.datasets import nile

    flow = nile.load_pandas().data
    assert flow["year"].iloc[change_point(flow["volume"].to_numpy())] == 1899


def test_the_change_in_the_signals_of_rupturess_documentation_is_found():
    # ruptures, "Piecewise constant (pw_constant)": signals with a known change, here one each with its seed.
    import ruptures

    for seed in range(20):
        signal, ends = ruptures.pw_constant(60, 1, 1, noise_std=0.5, seed=seed, delta=(2, 5))
        assert abs(change_point(signal[:, 0]) - ends[0]) <= 1


@pytest.mark.parametrize("steps", [40, 400, 1500, 4000, 20_000])
def test_a_migration_that_is_cut_midway_is_done_again(path, steps):
    with sqlite3.connect(path) as raw:
        raw.executescript(MIGRATIONS[0] + "PRAGMA user_version = 1;")
        raw.executemany(
            "INSERT INTO recording (sha256, file, added_at, vehicle) VALUES (?, ?, '2020-01-01', 'red car')",
            [(f"{i:064x}", f"old-{i}.csv") for i in range(200)],
        )
    raw.close()
    child = os.fork()
    if not child:
        connect = sqlite3.connect

        def cut(*words, **more):
            opened = connect(*words, **more)
            opened.set_progress_handler(lambda: os.kill(os.getpid(), signal.SIGKILL), steps)
            return opened

        sqlite3.connect = cut
        Library(path)
        os._exit(0)
    assert os.waitpid(child, 0)[1] == signal.SIGKILL
    with Library(path) as library:
        assert library._open.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
        assert library._open.execute("PRAGMA user_version").fetchone()[0] == VERSION
        assert (
            len(library.recordings(search="red", most=500)) == 200 and len(library.recordings(search="old-17.csv")) == 1
        )
