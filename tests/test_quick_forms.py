"""What the analysis works out by a quicker way gives what the plain way gives.

References here are the general libraries' own functions (SciPy), on invented data: mechanics only.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import isotonic_regression
from scipy.signal import lombscargle

from camlog.analysis.cam.hold import spectrum
from camlog.analysis.drive.ticks import trailing
from camlog.analysis.estimate import median, t_quantile
from camlog.analysis.misfire.poisson import rate as poisson_rate
from camlog.analysis.response.fit_blocks import LENGTHS, fit_blocks
from camlog.analysis.response.fopdt_search import products
from camlog.analysis.response.step_curves import monotone_crossings
from camlog.analysis.response.steps import command_moves
from camlog.analysis.sticking.model import candidates, simulate
from tests.response_plants import Command, LinearPlant, Recording, first_order, record

LEVELS = np.array([0.1, 0.3, 0.632, 0.865])


def crossings_by_pooling(count, time, value):
    """The same by scipy's pool-adjacent-violators: between the last bin below and the first bin above."""
    here = count > 0
    if here.sum() < 2:
        return np.full(len(LEVELS), np.nan)
    middle = time[here] / count[here]
    fitted = isotonic_regression(value[here] / count[here], weights=count[here]).x
    found = np.full(len(LEVELS), np.nan)
    for j, level in enumerate(LEVELS):
        k = int(np.searchsorted(fitted, level))
        if 0 < k < len(fitted):
            part = (level - fitted[k - 1]) / (fitted[k] - fitted[k - 1])
            found[j] = middle[k - 1] + part * (middle[k] - middle[k - 1])
    return found


@pytest.mark.parametrize("readings_a_bin", [0.3, 1.0, 5.0])
@pytest.mark.parametrize("noise", [0.01, 0.3])
def test_monotone_crossings_are_those_of_isotonic_regression(readings_a_bin, noise):
    rng = np.random.default_rng(3)
    for bins in (2, 3, 20, 120):
        count = rng.poisson(readings_a_bin, (25, bins)).astype(float)
        at = np.linspace(-0.3, 1.7, bins)
        time = count * (at + rng.uniform(-0.001, 0.001, count.shape))
        answer = 1.0 - np.exp(-np.maximum(at, 0.0) / 0.3)
        value = count * (answer + noise * rng.standard_normal(count.shape))
        found = monotone_crossings(count, time, value, LEVELS)
        plain = np.array([crossings_by_pooling(*rows) for rows in zip(count, time, value, strict=True)])
        np.testing.assert_allclose(found, plain, atol=1e-9)


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("level", LEVELS)
def test_bins_that_all_lie_at_the_level_give_a_time_among_them_or_none(level):
    rng = np.random.default_rng(8)
    count = rng.integers(1, 9, (300, 12)).astype(float)
    found = monotone_crossings(count, count * np.arange(12.0), count * level, np.array([level]))
    met = found[np.isfinite(found)]
    assert len(met) and met.min() >= 0.0 and met.max() <= 11.0


def test_no_readings_cross_nothing():
    nothing = np.zeros((3, 10))
    assert np.isnan(monotone_crossings(nothing, nothing, nothing, LEVELS)).all()


def test_spectrum_is_the_normalised_lomb_scargle_power():
    rng = np.random.default_rng(5)
    time = np.sort(rng.uniform(0.0, 12.0, 300))
    value = np.sin(2 * np.pi * 0.8 * time) + rng.standard_normal(300)
    value -= value.mean()
    frequency = np.arange(0.2, 5.0, 0.03)
    plain = lombscargle(time, value, 2 * np.pi * frequency, normalize=True)
    np.testing.assert_allclose(spectrum(time, value, frequency), plain, atol=1e-10)


def test_quantiles_are_those_of_scipy_stats():
    for freedom in (1.0, 2.7, 30.0, 1e6):
        assert t_quantile(freedom) == pytest.approx(stats.t.ppf(0.975, freedom))
    for events in (0, 1, 7, 400):
        rate = poisson_rate(events, 2.0)
        low, high = stats.chi2.ppf(0.025, 2 * events) / 4.0, stats.chi2.ppf(0.975, 2 * events + 2) / 4.0
        assert (rate.low, rate.high) == (pytest.approx(low if events else 0.0), pytest.approx(high))
    for count in range(6, 400):
        # Whole numbers in order are their own ranks.
        found = median(np.arange(1.0, count + 1.0))
        rank = int(stats.binom.ppf(0.025, count, 0.5))
        assert (found.low, found.high) == (rank, count - rank + 1)


def test_a_limit_that_never_acts_is_no_limit():
    cam = record(LinearPlant(first_order(0.2), 0.1), Command(), Recording(), np.random.default_rng(1))
    blocks = fit_blocks(cam, command_moves(cam), LENGTHS[0])
    tau, never, far = np.array([0.05, 0.4]), np.full(2, np.inf), np.full(2, 1e9)
    for jumped in (False, True):
        filtered, stepped = (blocks.propagate(tau, limit, limit, jumped) for limit in (never, far))
        np.testing.assert_allclose(filtered, stepped, atol=1e-9)


def test_products_in_pieces_are_products():
    rng = np.random.default_rng(2)
    rows, weight = rng.standard_normal((5, 15_001)), rng.uniform(0.1, 1.0, 15_001)
    np.testing.assert_allclose(products(rows, weight), (rows * weight) @ rows.T)


def test_candidates_answer_alike_alone_and_together():
    rng = np.random.default_rng(4)
    command = np.cumsum(rng.standard_normal((3, 200)), axis=1)
    command[:, 80:120] = command[:, 80:81]
    first, moving = command[:, 0] + np.array([3.0, -2.0, 0.0]), np.array([0, 1, -1])
    cams = candidates([0.0, 2.0, 6.0], [0.4, 1.0], [0.1, 0.8], [0.0, 0.12], [20.0, np.inf])
    together = simulate(command, first, 0.05, cams, moving)
    assert together.shape == (200, len(cams), 3)
    for c in range(len(cams)):
        alone = simulate(command, first, 0.05, cams[[c]], moving)
        np.testing.assert_allclose(together[:, c], alone[:, 0], atol=1e-9)


def test_trailing_range_is_that_of_each_window():
    rng = np.random.default_rng(6)
    value = rng.standard_normal(150)
    value[rng.random(150) < 0.05] = np.nan
    index = np.cumsum(rng.choice([1, 1, 1, 1, 1, 1, 1, 4], 150))
    for width in (1, 2, 7, 12):
        low, high = trailing(value, index, width)
        for k in range(150):
            window = value[max(k - width + 1, 0) : k + 1]
            whole = k >= width - 1 and index[k] - index[k - width + 1] == width - 1
            known = whole and not np.isnan(window).any()
            assert np.array_equal(low[k], window.min() if known else np.nan, equal_nan=True)
            assert np.array_equal(high[k], window.max() if known else np.nan, equal_nan=True)
