"""Causes: what several cams, oil, misfires and codes together say, and which check comes next.

Invented cars and drives; the rules are common practice, no source, unless a test names one.
"""

import numpy as np
import pytest

from camlog.analysis import analyze
from camlog.analysis.causes.causes import CAUSES, GROUPS
from camlog.analysis.causes.checks import CHECKS
from camlog.analysis.causes.rank import telling
from camlog.drive import Drive
from camlog.stream import CodeSnapshot, TroubleCode
from camlog.trace import Trace
from tests.steady_plants import STEP_S, lag, stiction
from tests.verdict_drives import drive, sound, trace_of

INTAKE, EXHAUST = "intake_b1", "exhaust_b1"


@pytest.fixture
def rng():
    return np.random.default_rng(77)


def found(d, rng, intake, exhaust=None, known=None, **how):
    """Findings of an engine with an intake and an exhaust cam; a cam not given follows its command."""
    cams = {INTAKE: (d.command(), intake)}
    x = -d.command(28.0)
    cams[EXHAUST] = (x, sound(x) if exhaust is None else exhaust)
    return analyze(trace_of(d, rng, cams, **how), drive=known)


def support(findings, cause):
    # "Nothing wrong" is no cause of an engine that may not be run.
    return next((c.support for c in findings.causes if c.cause == cause), 0.0)


def with_misfires(trace, per_second, seed=5):
    """The trace with misfire counters: `per_second` maps a cylinder to misfires a second while the engine
    runs."""
    rng = np.random.default_rng(seed)
    seconds = int(trace.time_s[-1]) + 2
    columns = dict(trace.columns)
    for cylinder in range(1, 5):
        counts = np.cumsum(rng.poisson(per_second.get(cylinder, 0.0), seconds)).astype(float)
        column = np.full(len(trace.time_s), np.nan)
        rows = np.searchsorted(trace.time_s, np.arange(0.0, trace.time_s[-1], 2.0))
        column[rows] = counts[trace.time_s[rows].astype(int)]
        columns[f"misfire_cyl{cylinder}"] = column
    return Trace(trace.time_s, columns)


def held(*codes):
    """A drive file whose vehicle holds these codes."""
    stored = tuple(TroubleCode(c, "7E8") for c in codes)
    shot = CodeSnapshot(0.0, mil=bool(codes), stored=stored, pending=(), permanent=())
    return Drive(code_snapshots=(shot,))


# ---------------------------------------------------------------- cams against each other


def test_two_cams_weak_together_with_hot_oil_are_oil_supply(rng):
    d = drive(rng, 420, oil_degc=(30.0, 95.0))
    hot = np.clip((d.oil - 65.0) / 10.0, 0.0, 1.0)

    def weak(x):
        return hot * lag(x, 1.3, 0.05) + (1 - hot) * sound(x)

    findings = found(d, rng, weak(d.command()), weak(-d.command(28.0)))
    assert {c.verdict.condition for c in findings.cams.values()} == {"slow"}
    first = findings.causes[0]
    assert first.cause == "oil supply" and first.support > 0.9
    assert any("together" in e for e in first.evidence_for)
    assert any("only with hot oil" in e for e in first.evidence_for)
    assert support(findings, "phaser") < first.support - 0.25


@pytest.mark.parametrize("kind", ["slow", "sticking", "stuck"])
def test_one_cam_weak_beside_a_right_one_is_its_phaser_or_valve_not_the_oil(rng, kind):
    d = drive(rng, 260)
    x = d.command() + np.where(d.share > 0, 6.0 * np.sin(2 * np.pi * 0.15 * d.t), 0.0)
    actual = {
        "slow": lag(x, 1.2, 0.05), "sticking": sound(stiction(x, 6.0, 5.0), 0.08), "stuck": np.full(len(x), 12.0)
    }[kind]  # fmt: skip
    findings = analyze(trace_of(d, rng, {INTAKE: (x, actual), EXHAUST: (-x * 0.7, sound(-x * 0.7))}))
    assert findings.cams[INTAKE].verdict.condition == kind
    assert findings.cams[EXHAUST].verdict.condition == "healthy"
    assert {c.cause for c in findings.causes[:2]} == {"phaser", "oil control valve"}
    oil = next(c for c in findings.causes if c.cause == "oil supply")
    assert oil.support < 0.3 and any("same oil" in e for e in oil.evidence_against)


def test_the_next_check_is_the_one_worth_its_cost_a_dipstick_before_a_swap(rng):
    d = drive(rng, 260)
    findings = found(d, rng, np.full(len(d.share), 12.0))
    assert {c.cause for c in findings.causes[:2]} == {"phaser", "oil control valve"}
    keys = [s.check.key for s in findings.diagnosis.steps]
    assert keys.index("oil_level") < keys.index("valve_out") and "valve_plug" in keys
    assert not {"marks", "phaser_hand"} & set(keys[:3])  # nothing is opened first
    assert findings.diagnosis.expected_cost < findings.diagnosis.opening_first


def test_an_offset_on_both_cams_of_a_bank_is_the_chain(rng):
    d = drive(rng)
    findings = found(d, rng, sound(d.command()) - 9.0, sound(-d.command(28.0)) - 9.0)
    assert {c.verdict.condition for c in findings.cams.values()} == {"offset"}
    first = findings.causes[0]
    assert first.cause == "mechanical timing" and first.support > 0.9
    assert any("chain" in e for e in first.evidence_for)
    assert "valve cover" not in first.next_checks[0]  # the least invasive check first
    assert any("interference engine" in c for c in findings.cautions)


def test_an_offset_on_one_cam_only_leaves_its_sensor_and_its_lock_open(rng):
    d = drive(rng)
    both = found(d, rng, sound(d.command()) - 9.0, sound(-d.command(28.0)) - 9.0)
    one = found(d, rng, sound(d.command()) - 9.0)
    assert support(one, "mechanical timing") < support(both, "mechanical timing")
    assert support(one, "sensor or wiring") > support(both, "sensor or wiring")


def test_slow_only_while_cold_points_at_the_oil_or_at_varnish(rng):
    d = drive(rng, 420, oil_degc=(10.0, 95.0))
    cold = np.clip((55.0 - d.oil) / 20.0, 0.0, 1.0)

    def slow(x):
        return cold * lag(x, 1.8, 0.05) + (1 - cold) * sound(x, 0.12)

    both = found(d, rng, slow(d.command()), slow(-d.command(28.0)))
    assert both.causes[0].cause == "oil supply"
    assert any("cold oil" in e for e in both.causes[0].evidence_for)
    assert "grade" in both.causes[0].next_checks[0]
    alone = found(d, rng, slow(d.command()))
    assert support(alone, "oil supply") < support(both, "oil supply")


# ---------------------------------------------------------------- misfires and codes


def test_one_cylinder_misfiring_beside_right_cams_is_ignition(rng):
    d = drive(rng, 300)
    base = trace_of(d, rng, {INTAKE: (d.command(), sound(d.command()))})
    findings = analyze(with_misfires(base, {3: 0.6}))
    assert findings.misfire.pattern.kind == "single"
    first = findings.causes[0]
    assert first.cause == "ignition or fuel" and first.support > 0.8
    assert any("Cylinder 3 alone" in e for e in first.evidence_for)
    assert "coil" in first.next_checks[0]
    assert support(findings, "nothing wrong") < 0.6


def test_nothing_wrong_is_said_only_where_the_drive_could_have_shown_it(rng):
    d = drive(rng)
    x = d.command()
    trace = trace_of(d, rng, {INTAKE: (x, sound(x)), EXHAUST: (-d.command(28.0), sound(-d.command(28.0)))})
    whole = analyze(with_misfires(trace, {}), drive=held())  # codes and misfires were read, and there are none
    assert whole.causes[0].cause == "nothing wrong" and whole.causes[0].support > 0.8
    cold = drive(rng, oil_degc=(15.0, 35.0))
    short = found(cold, rng, sound(cold.command()))
    assert support(short, "nothing wrong") < 0.3
    assert all(c.support < 0.5 for c in short.causes)


def test_codes_are_weighed_as_evidence_and_do_not_overrule_the_cam(rng):
    # Families after SAE J2012 / ISO 15031-6 (from memory): P0016 correlation, P0340 sensor circuit, P0520 oil
    # pressure.
    d = drive(rng)
    angles = sound(d.command())
    plain = found(d, rng, angles, known=held())
    for code, cause in (("P0016", "mechanical timing"), ("P0340", "sensor or wiring"), ("P0520", "oil supply")):
        told = found(d, rng, angles, known=held(code))
        assert support(told, cause) > support(plain, cause)
        assert any(code in e for c in told.causes if c.cause == cause for e in c.evidence_for)
        assert told.cams[INTAKE].verdict.condition == "healthy"
        assert support(told, "nothing wrong") < support(plain, "nothing wrong")


def test_a_correlation_code_and_an_offset_agree(rng):
    d = drive(rng)
    without = found(d, rng, sound(d.command()) - 9.0, known=held())
    told = found(d, rng, sound(d.command()) - 9.0, known=held("P0016"))
    assert support(told, "mechanical timing") > support(without, "mechanical timing") > 0.3


# ---------------------------------------------------------------- what every cause says


def test_every_cause_has_a_check_that_shows_it_and_the_first_of_each_group_opens_no_cover():
    for cause in CAUSES:
        if cause.key != "nothing" and cause.key != "oil_passage":
            assert any(p.get(cause.key, 0.0) >= 0.3 for c in CHECKS for p in c.shows.values()), cause.key
    for group in GROUPS:
        checks = telling({c.key: c.prior for c in CAUSES if c.group == group})
        assert all(c.text.endswith(".") for c in checks)
        assert not checks or checks[0].opens in ("nothing", "small part", "valve"), group
    for check in CHECKS:
        for cause in CAUSES:
            chances = [check.chance(outcome, cause.key) for outcome in check.outcomes]
            assert sum(chances) == pytest.approx(1.0, abs=0.011) and min(chances) > 0.0, (check.key, cause.key)


def test_causes_are_ranked_all_named_and_their_support_is_a_chance(rng):
    d = drive(rng)
    causes = found(d, rng, lag(d.command(), 1.2, 0.05)).causes
    assert {c.cause for c in causes} == set(GROUPS)
    supports = [c.support for c in causes]
    assert supports == sorted(supports, reverse=True) and all(0.0 < s < 1.0 for s in supports)
    assert sum(supports) == pytest.approx(1.0)


def test_a_trace_without_cams_accuses_nobody(rng):
    t = np.arange(0.0, 120.0, 10 * STEP_S)
    causes = analyze(Trace(t, {"engine_speed": np.full(len(t), 2000.0)})).causes
    assert all(c.support < 0.3 for c in causes)
