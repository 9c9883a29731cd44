"""Before and after: differences with intervals, over shared conditions only, and whether by chance."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from scipy import stats

from camlog.analysis.changes.change import Change, Compared, change_of, corrected
from camlog.analysis.changes.shared import cells_of, shared
from camlog.analysis.estimate import Estimate
from camlog.oil_windows import OIL_WINDOWS
from camlog.verify import verify
from tests.verify_help import repair


def figure(before: Estimate, after: Estimate, **more) -> Compared:
    return Compared("rms_deg", "error", "deg", before, after, **more)


def t_estimate(sample: np.ndarray) -> Estimate:
    """Mean of a sample with Student's interval."""
    n = len(sample)
    half = stats.t.ppf(0.975, n - 1) * sample.std(ddof=1) / math.sqrt(n)
    return Estimate(float(sample.mean()), float(sample.mean() - half), float(sample.mean() + half), n)


def test_the_interval_of_a_difference_agrees_with_welchs():
    """`scipy.stats.ttest_ind` (Welch) as an independent reading; MOVER after Zou & Donner 2008."""
    rng = np.random.default_rng(3)
    a, b = rng.normal(3.0, 1.0, 200), rng.normal(2.5, 2.0, 150)
    found = change_of(figure(t_estimate(a), t_estimate(b)))
    welch = stats.ttest_ind(b, a, equal_var=False)
    interval = welch.confidence_interval(0.95)
    assert found.value == pytest.approx(b.mean() - a.mean())
    assert found.low == pytest.approx(interval.low, abs=0.01) and found.high == pytest.approx(interval.high, abs=0.01)
    assert found.p_value == pytest.approx(welch.pvalue, abs=0.003)


def test_the_interval_covers_the_true_difference_as_often_as_it_says():
    rng = np.random.default_rng(5)
    covered = 0
    for _ in range(600):
        c = change_of(figure(t_estimate(rng.normal(3.0, 1.0, 12)), t_estimate(rng.normal(2.0, 2.0, 9))))
        covered += c.low <= -1.0 <= c.high
    assert 0.93 <= covered / 600 <= 0.99


def test_a_rate_of_events_is_compared_by_the_e_test():
    """Krishnamoorthy & Thomson 2004 by `scipy.stats.poisson_means_test`."""
    none = Estimate(1.0)
    found = change_of(figure(none, none, events=(20.0, 3.0), exposure=(5.0, 6.0)))
    assert found.kind == "ratio" and found.value == pytest.approx((3 / 6) / (20 / 5))
    assert found.p_value == pytest.approx(stats.poisson_means_test(3, 6.0, 20, 5.0).pvalue)
    assert found.low < found.value < found.high < 1.0


def test_many_figures_by_chance_are_not_a_change():
    """Holm 1979: of 20 figures one at p = 0.03 is what chance gives."""
    some = figure(Estimate(2.0, 1.0, 3.0, 9), Estimate(1.0, 0.5, 1.5, 9))
    changes = [Change(some, "difference", -1.0, -2.0, -0.1, p, None) for p in [0.03] + [0.5] * 19]
    assert not any(c.beyond_chance for c in corrected(changes))
    assert corrected(changes[:1])[0].beyond_chance
    one_sure = corrected([dataclasses.replace(changes[0], p_value=0.001), *changes[1:]])
    assert [c.beyond_chance for c in one_sure[:2]] == [True, False] and one_sure[0].better


def test_what_was_measured_in_one_drive_only_cannot_be_compared():
    found = change_of(figure(Estimate(None, reason="no step was seen"), Estimate(0.2, 0.1, 0.3, 5)))
    assert found.value is None and found.beyond_chance is None
    assert "cannot be compared" in found.sentence and "no step was seen" in found.sentence


def test_steps_that_never_arrived_are_a_bound():
    found = corrected([change_of(figure(Estimate(None, 1.5, None, 5), Estimate(0.2, 0.1, 0.3, 8)))])[0]
    assert found.beyond_chance and found.better and found.value is None and found.high == pytest.approx(-1.2)
    assert "more than 1.5 deg before" in found.sentence


def test_a_sure_difference_too_small_to_matter_says_so():
    found = corrected([change_of(figure(Estimate(0.70, 0.69, 0.71, 40), Estimate(0.67, 0.66, 0.68, 40), limit=3.0))])[0]
    assert found.beyond_chance and found.small and "small beside the limit" in found.sentence


def test_only_cells_both_drives_visited_count_and_weigh_alike():
    command, speed = np.array([5.0, 15.0, 15.0, 25.0]), np.full(4, 1200.0)
    one = cells_of(command, speed)
    two = cells_of(np.array([15.0, 15.0, 25.0, 35.0]), speed)
    found = shared(one, np.full(4, 2.0), two, np.array([2.0, 2.0, 8.0, 2.0]))
    assert found.before.tolist() == [0.0, 1.0, 1.0, 1.0] and found.after.tolist() == [1.0, 1.0, 0.25, 0.0]
    assert found.seconds == pytest.approx(6.0) and "command 10 to 30 deg, 1000 to 1500 rpm" in found.words
    unknown = cells_of(np.array([np.nan, 15.0]), np.array([1200.0, np.nan]))
    assert unknown.tolist() == [-1, -1]
    assert not len(shared(one, np.full(4, 2.0), unknown, np.full(2, 9.0)).cells)


def test_the_repaired_cam_lags_less_in_every_window_and_the_healthy_one_as_before():
    changes = verify(repair().after, repair().before).changes
    lag = {c.figure.window: c for c in changes if c.figure.cam == "intake_b1" and c.figure.name == "moving_rms_deg"}
    assert set(lag) == set(OIL_WINDOWS[:3])
    assert all(c.better and c.high < 0.0 for c in lag.values())
    other = [c for c in changes if c.figure.cam == "exhaust_b1"]
    assert len(other) >= 8 and not any(c.better is False and not c.small for c in other)
    misfire = [c for c in changes if c.figure.name == "misfire"]
    assert any(c.better for c in misfire) and all(c.figure.shared for c in misfire)


def test_two_drives_of_the_unchanged_car_show_no_change_that_matters():
    found = verify(repair().before, repair().first).changes
    assert len(found) > 15 and not any(c.beyond_chance and not c.small for c in found)
    assert all("chance" in c.sentence or "cannot be compared" in c.sentence for c in found)
