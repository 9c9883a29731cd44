"""Evidence that adds up: the table, how figures are weighed, and what follows when evidence is taken away.

The table's numbers are fitted on simulated cars; these tests are of mechanics (sums, bounds, use), not of truth.
"""

import dataclasses
import math
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import norm

from camlog import analyze, read_trace
from camlog.analysis.analyze import examine_drive
from camlog.analysis.estimate import Estimate, missing
from camlog.analysis.figures import BY_NAME, CONDITIONS, FAULTS, FIGURES, Measured, view
from camlog.analysis.verdict.judge import judge_all
from camlog.analysis.verdict.weigh import KNOTS, hats, log_times, probabilities, table, weigh, weigh_figure
from camlog.errors import InputError
from camlog.limits import LIMITS, limits_for
from camlog.questions import QUESTIONS

SAMPLES = Path(__file__).parent.parent / "sample_logs"
NAMES = ("healthy", "sticking", "stuck", "timing-offset", "leaking-hot", "slow-cold", "cold-rattle")


@pytest.fixture(scope="module")
def examined():
    return {name: examine_drive(read_trace(SAMPLES / f"{name}.csv")) for name in NAMES}


def test_the_probabilities_of_every_sample_sum_to_one_and_the_confidence_is_one_of_them(examined):
    for known in examined.values():
        for verdict in judge_all(known.cams, known.covered.per_cam, known.limits).values():
            assert set(verdict.probabilities) == set(CONDITIONS)
            assert sum(verdict.probabilities.values()) == pytest.approx(1.0)
            if verdict.condition != "insufficient_data":
                assert verdict.confidence == verdict.probabilities[verdict.condition]


def test_every_question_is_answered_and_says_what_it_needs_where_it_cannot_be(examined):
    for known in examined.values():
        for verdict in judge_all(known.cams, known.covered.per_cam, known.limits).values():
            assert list(verdict.questions) == list(QUESTIONS)
            for answer in verdict.questions.values():
                assert answer.answer in ("yes", "no", "cannot_tell")
                assert 0.5 <= answer.probability <= 1.0


def test_no_evidence_leaves_the_prior():
    prior = table().prior
    found = probabilities((), prior, 1.0)
    for fault in FAULTS:
        assert math.log(found[fault] / found["healthy"]) == pytest.approx(prior[fault])


def test_taking_evidence_away_moves_the_answer_toward_the_prior(examined):
    numbers = table()
    at_first = probabilities((), numbers.prior, 1.0)
    for known in examined.values():
        for cam in known.cams:
            evidence = weigh(view(known.cams, cam), known.limits, numbers)
            full = probabilities(evidence, numbers.prior, 1.0)
            best = max(full, key=full.get)
            apart = []
            for kept in (1.0, 0.5, 0.2, 0.0):
                thinned = [dataclasses.replace(w, says={c: kept * v for c, v in w.says.items()}) for w in evidence]
                apart.append(math.log(probabilities(thinned, numbers.prior, 1.0)[best]) - math.log(at_first[best]))
            assert apart == sorted(apart, reverse=True) or apart[0] < 0


def test_of_one_group_only_one_figure_counts(examined):
    for known in examined.values():
        for cam in known.cams:
            groups = [w.figure.group for w in weigh(view(known.cams, cam), known.limits, table())]
            assert len(groups) == len(set(groups))


def test_every_row_of_the_table_belongs_to_a_figure_and_rises_for_what_the_figure_speaks_for():
    for name, rows in table().weights.items():
        assert name in BY_NAME and rows
        for condition, row in rows.items():
            assert condition in FAULTS and len(row) == len(KNOTS)
            if condition in BY_NAME[name].speaks_for:
                assert list(row) == sorted(row), (name, condition)


def test_every_number_of_the_table_is_used():
    # A figure wholly at one knot with full weight says exactly that number.
    for rows in table().weights.values():
        for row in rows.values():
            for place, number in enumerate(row):
                assert float(hats(KNOTS[place], 1e-9) @ np.asarray(row)) == pytest.approx(number, abs=1e-6)


def test_zeroing_a_figures_rows_changes_some_finding_of_the_samples(examined):
    numbers = table()
    measured = set()
    for known in examined.values():
        for cam in known.cams:
            for w in weigh(view(known.cams, cam), known.limits, numbers):
                if any(abs(v) > 1e-6 for v in w.says.values()):
                    measured.add(w.figure.name)
    assert measured
    for name in measured:
        without = dataclasses.replace(numbers, weights={f: r for f, r in numbers.weights.items() if f != name})
        changed = False
        for known in examined.values():
            a = judge_all(known.cams, known.covered.per_cam, known.limits)
            b = judge_all(known.cams, known.covered.per_cam, known.limits, numbers=without)
            if any(a[c].probabilities != b[c].probabilities for c in a):
                changed = True
                break
        assert changed, name


# ---------------------------------------------------------------- how one figure is read


def test_hats_are_the_mean_of_straight_lines_over_the_uncertainty():
    # Against numerical integration of the normal density (scipy.stats.norm).
    row = np.array([0.0, 1.0, -1.0, 2.0, 0.5, 3.0, 3.5])
    x = np.linspace(-9.0, 9.0, 20_001)
    for at, sigma in ((-0.4, 0.3), (1.2, 0.8), (2.9, 0.5)):
        density = norm.pdf(x, at, sigma)
        exact = (
            float(np.trapezoid(np.interp(x, KNOTS, row) * density, x))
            if hasattr(np, "trapezoid")
            else float(np.trapz(np.interp(x, KNOTS, row) * density, x))
        )
        assert float(hats(at, sigma) @ row) == pytest.approx(exact, abs=0.12)
        assert hats(at, sigma).sum() == pytest.approx(1.0)


def test_a_wide_interval_says_less_than_a_narrow_one():
    figure = BY_NAME["t63_s"]
    narrow = log_times(figure, Estimate(1.8, 1.7, 1.9, 10), 0.45)
    wide = log_times(figure, Estimate(1.8, 0.2, 3.4, 3), 0.45)
    row = np.array([-2.0, -1.5, -1.0, 0.0, 2.0, 4.0, 5.0])
    assert hats(*narrow[:2]) @ row > hats(*wide[:2]) @ row


def test_signs_and_sides_of_a_limit():
    assert log_times(BY_NAME["rest_offset_deg"], Estimate(-5.0, -5.2, -4.8, 9), 2.5)[0] == pytest.approx(1.0)
    assert log_times(BY_NAME["travel_share"], Estimate(0.15, 0.15, 0.15, 9), 0.3)[0] == pytest.approx(1.0)
    assert log_times(BY_NAME["t63_s"], missing("no steps"), 0.45) is None
    # Known only to be more than 0.9 s.
    assert log_times(BY_NAME["t63_s"], Estimate(None, 0.9, None, 4), 0.45)[0] == pytest.approx(1.0)


def test_too_little_data_says_nothing_and_more_data_says_more(examined):
    known = examined["sticking"]
    seen = view(known.cams, "intake_b1")
    figure = BY_NAME["stuck_time_fraction"]
    sizes = []
    for moving_s in (1.0, 6.0, 60.0, 600.0):
        sticking = dataclasses.replace(seen.x.sticking, moving_s=moving_s)
        short = dataclasses.replace(seen, x=dataclasses.replace(seen.x, sticking=sticking))
        found = weigh_figure(figure, short, known.limits, table())
        sizes.append(0.0 if found is None else float(found.hats.sum()))
    assert sizes[0] == 0.0
    assert sizes == sorted(sizes) and sizes[-1] > 0.9 > sizes[1]


# ---------------------------------------------------------------- limits


def test_every_limit_of_a_figure_exists_in_every_window():
    for figure in FIGURES:
        for limit in figure.limit.split() if figure.limit else ():
            for word in ("cold", "warm", "hot", "very_hot"):
                assert limit.replace("*", word) in LIMITS, (figure.name, limit)
        assert bool(figure.limit) == bool(figure.question)


@pytest.mark.parametrize("figure", [f for f in FIGURES if f.question], ids=lambda f: f.name)
def test_a_limit_of_the_service_information_acts_whatever_the_probability(examined, monkeypatch, figure):
    """A figure surely beyond the maker's own limit answers its question with no, and is said first."""
    known = examined["healthy"]
    names = [figure.limit.replace("*", w) for w in ("cold", "warm", "hot", "very_hot")]
    limits = limits_for({n: 0.5 * LIMITS[n].value for n in dict.fromkeys(names) if LIMITS[n].unit != "count"})
    if not any(limit.from_profile for limit in limits.values()):
        limits = limits_for({n: 1.0 for n in dict.fromkeys(names)})
    value = 0.1 * limits[names[0]].value if figure.bad == "below" else 40.0 * limits[names[0]].value
    beyond = dataclasses.replace(
        figure, measure=lambda view: [Measured(Estimate(value, 0.99 * value, 1.01 * value, 99), 1000.0)]
    )
    shown = tuple(beyond if f is figure else f for f in FIGURES)
    monkeypatch.setattr("camlog.analysis.verdict.weigh.FIGURES", shown)
    verdict = judge_all(known.cams, known.covered.per_cam, limits)["intake_b1"]
    assert verdict.questions[figure.question].answer == "no"
    if verdict.condition != "insufficient_data":
        assert "beyond the maker's limit" in verdict.reasons[0] and "vehicle profile" in verdict.reasons[0]


@pytest.mark.parametrize(
    "limits",
    [{"t63_hot_s": -3.0}, {"needed_steps": 0}, {"hold_error_deg": 1e9}, {"warm_oil_degc": 20.0}, {"nonsense": 1.0}],
)
def test_limits_out_of_range_are_refused(limits):
    with pytest.raises(InputError):
        limits_for(limits)


def test_beyond_the_makers_limit_is_said_as_that():
    found = analyze(read_trace(SAMPLES / "healthy.csv"), profile=None)
    assert found.cams["intake_b1"].verdict.condition == "healthy"
    known = examine_drive(read_trace(SAMPLES / "healthy.csv"))
    limits = limits_for({"rest_offset_deg": 0.3})
    verdict = judge_all(known.cams, known.covered.per_cam, limits)["intake_b1"]
    assert verdict.questions["rests"].answer == "no"
    assert "beyond the maker's limit 0.3 deg (vehicle profile)" in verdict.reasons[0]
