"""Oil: the pattern over oil windows that names a cause."""

import json
import math

import numpy as np
import pytest

from camlog.analysis.estimate import Estimate, missing
from camlog.analysis.verdict.oil_effect import WindowMetric, oil_pattern
from camlog.limits import LIMITS
from camlog.oil_windows import OIL_WINDOWS, t63_limit

COLD, WARM, HOT, VERY_HOT = OIL_WINDOWS


def t63(window, value, relative=0.1):
    return WindowMetric(
        window, Estimate(value, value * (1 - relative), value * (1 + relative), 12), t63_limit(LIMITS, window)
    )


@pytest.mark.parametrize(
    "times, kind, words",
    [
        ((3.0, 0.5, 0.25), "cold_only", "viscosity or oil grade"),
        ((3.0, 1.6, 0.25), "cold_only", "viscosity or oil grade"),
        ((0.7, 0.5, 1.2), "hot_only", "oil pressure or internal leakage"),
        ((3.0, 1.8, 1.2), "everywhere", "sticking or a blocked screen"),
        ((0.7, 0.5, 0.25), "none", "Within the limit"),
        ((3.0, 0.4, 1.2), "unknown", "do not agree"),
    ],
)
def test_the_pattern_over_oil_windows(times, kind, words):
    found = oil_pattern([t63(w, v) for w, v in zip((COLD, WARM, HOT), times, strict=True)])
    assert found.kind == kind and words in found.reason
    assert kind == "unknown" or found.probability > 0.8


def test_a_weakness_that_begins_above_a_hundred_degrees_is_hot_only():
    assert oil_pattern([t63(HOT, 0.25), t63(VERY_HOT, 1.3)]).kind == "hot_only"


def test_one_window_makes_no_pattern():
    found = oil_pattern([t63(HOT, 2.0)])
    assert found.kind == "unknown" and "second oil window" in found.reason


def test_bad_in_every_hot_window_is_not_called_everywhere_when_cold_was_not_seen():
    found = oil_pattern([t63(HOT, 2.0), t63(VERY_HOT, 2.0)])
    assert found.kind == "unknown" and "only warm oil was seen" in found.reason


def test_wide_intervals_leave_the_pattern_open():
    found = oil_pattern([t63(COLD, 0.95, 0.6), t63(WARM, 0.4, 0.4), t63(HOT, 0.36, 0.6)])
    assert found.kind == "unknown"


def test_a_window_without_a_figure_is_left_out():
    none = WindowMetric(WARM, missing("too few steps"), t63_limit(LIMITS, WARM))
    found = oil_pattern([t63(COLD, 3.0), none, t63(HOT, 0.25)])
    assert found.kind == "cold_only" and [w for w, _ in found.p_bad] == [COLD, HOT]


def test_a_cam_that_had_not_arrived_when_the_command_moved_on_counts_as_late():
    late = WindowMetric(COLD, Estimate(None, 2.5, None, 5, "had not arrived"), t63_limit(LIMITS, COLD))
    found = oil_pattern([late, t63(WARM, 0.4), t63(HOT, 0.25)])
    assert found.kind == "cold_only" and "over 2.5 s" in found.reason


def test_nothing_measured_is_unknown():
    found = oil_pattern([WindowMetric(w, missing("no steps"), t63_limit(LIMITS, w)) for w in OIL_WINDOWS])
    assert found.kind == "unknown" and found.probability is None
    json.dumps(found.to_dict(), allow_nan=False)


def test_named_patterns_are_right_at_least_as_often_as_they_claim():
    """True times anywhere about the limits, measured with error: the pattern named is mostly the true one."""
    rng = np.random.default_rng(8)
    windows = (COLD, WARM, HOT)
    claimed, right = [], []
    for _ in range(600):
        shape = rng.choice(4)
        bad = [(1, 1, 1), (0, 0, 0), (1, rng.integers(2), 0), (0, rng.integers(2), 1)][shape]
        true = [
            t63_limit(LIMITS, w).value * (rng.uniform(1.02, 3) if b else rng.uniform(0.3, 0.98))
            for w, b in zip(windows, bad, strict=True)
        ]
        error = rng.uniform(0.05, 0.3)
        seen = np.array(true) * np.exp(rng.normal(0, error, 3))
        metrics = [
            WindowMetric(
                w,
                Estimate(v, v * math.exp(-1.96 * error), v * math.exp(1.96 * error), 9),
                t63_limit(LIMITS, w),
            )
            for w, v in zip(windows, seen, strict=True)
        ]
        found = oil_pattern(metrics)
        if found.kind != "unknown":
            truth = {(1, 1, 1): "everywhere", (0, 0, 0): "none"}.get(
                tuple(int(b) for b in bad), ["", "", "cold_only", "hot_only"][shape]
            )
            claimed.append(found.probability)
            right.append(found.kind == truth)
    assert len(right) > 300
    assert np.mean(right) > np.mean(claimed) - 0.04
