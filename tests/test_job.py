"""The job: one record from the complaint to the handed-over car, and the order of checks that costs least."""

from __future__ import annotations

import itertools
import json
import math
import re
from pathlib import Path

import pytest

from camlog.analysis.cam.rest import geometry
from camlog.analysis.causes.causes import CAUSES
from camlog.analysis.causes.checks import BY_KEY, IN_ORDER, Check, Repair
from camlog.analysis.causes.likelihood import CamEvidence, DriveEvidence, chances_of, pieces, posterior
from camlog.analysis.causes.troubleshoot import (
    GIVE_UP,
    Rates,
    after,
    chance,
    cost_of_opening_first,
    expected_cost,
    expected_repair_cost,
    plan,
)
from camlog.analysis.estimate import Estimate
from camlog.cli import main
from camlog.errors import InputError
from camlog.job.found import understand
from camlog.job.pages import customer_page
from camlog.job.quote import chain_due, choices, parts_list, whole_set_from_km
from camlog.job.record import Job, find_job, read_job
from camlog.job.sheet import (
    enter,
    measured_outcomes,
    open_boxes,
    row_words,
    rows,
    torque_in,
    torque_words,
    work_sheet,
)
from camlog.job.shop import ShopFile, read_shop
from camlog.job.work import add_found, make_quote, make_sheet, next_steps, use_measurements
from camlog.profile.model import Engine, Layout

SAMPLES = Path(__file__).parent.parent / "sample_logs"
SHOP, LAYOUT, RATES = ShopFile(), Layout(), Rates()
PRIORS = posterior([])


# ---------------------------------------------------------------- troubleshooting


def test_repairs_are_tried_by_chance_over_cost_and_their_expected_cost_is_the_published_formula():
    # Heckerman, Breese and Rommelse (1995), from memory: with one fault, perfect repairs and costs c1, c2, c3 the order
    # of p/c costs least, and is expected to cost c1 + (1 - p1) c2 + (1 - p1 - p2) c3. Numbers of our own.
    repairs = [Repair(k, k, 0.0, cost, {cause: 1.0}) for k, cost, cause in
               (("a", 10.0, "valve_sticking"), ("b", 100.0, "phaser_worn"), ("c", 40.0, "chain_stretched"))]  # fmt: skip
    p = {"valve_sticking": 0.2, "phaser_worn": 0.5, "chain_stretched": 0.3, "nothing": 0.0}
    # p/c: a 0.02, c 0.0075, b 0.005
    assert expected_repair_cost(p, RATES, repairs) == pytest.approx(10.0 + 0.8 * 40.0 + 0.5 * 100.0)
    two = {"valve_sticking": 0.5, "phaser_worn": 0.5, "nothing": 0.0}
    assert expected_repair_cost(two, RATES, repairs[:2]) == pytest.approx(10.0 + 0.5 * 100.0)
    # What no repair ends is handed on.
    assert expected_repair_cost({"sensor": 1.0, "nothing": 0.0}, RATES, repairs) == pytest.approx(GIVE_UP)
    # An imperfect repair: reached again with what it left.
    weak = [Repair("a", "a", 0.0, 10.0, {"valve_sticking": 0.5})]
    assert expected_repair_cost({"valve_sticking": 1.0, "nothing": 0.0}, RATES, weak) == pytest.approx(
        10.0 + 0.5 * GIVE_UP
    )


def test_no_order_of_repairs_costs_less_than_the_one_by_chance_over_cost():
    # The same paper's result for three causes, held against every order there is: seven sets of numbers of our own.
    causes = ("valve_sticking", "phaser_worn", "chain_stretched")
    for costs, chances in itertools.product(
        [(10.0, 100.0, 40.0), (50.0, 50.0, 50.0), (300.0, 20.0, 75.0)], [(0.2, 0.5, 0.3), (0.6, 0.1, 0.3)]
    ):
        p = dict(zip(causes, chances, strict=True))
        repairs = [Repair(c, c, 0.0, cost, {c: 1.0}) for c, cost in zip(causes, costs, strict=True)]
        orders = (
            sum(r.parts * (1.0 - sum(p[q.key] for q in order[:i])) for i, r in enumerate(order))
            for order in itertools.permutations(repairs)
        )
        assert expected_repair_cost(p | {"nothing": 0.0}, RATES, repairs) == pytest.approx(min(orders))


def test_an_observation_is_made_where_it_saves_more_than_it_costs():
    # Two causes, the published comparison (from memory): cost of repair now against cost of the observation plus the mean
    # cost of repair after each of its outcomes. Of a valve (170) and a phaser (610) at even odds, without a look:
    # 170 + 0.5 * 610; after a sure look at the valve: the look, and half the time either repair.
    valve, phaser = (
        Repair(k, k, 0.0, cost, {cause: 1.0})
        for k, cost, cause in (("v", 170.0, "valve_sticking"), ("p", 610.0, "phaser_worn"))
    )
    p = {"valve_sticking": 0.5, "phaser_worn": 0.5, "nothing": 0.0}
    sure = Check("look", "Look.", 30.0, "nothing", {"sticks": {"valve_sticking": 1.0, "phaser_worn": 0.0}}, "look")
    now = expected_repair_cost(p, RATES, [valve, phaser])
    then = sum(
        chance(p, sure, o) * expected_repair_cost(after(p, sure, o), RATES, [valve, phaser]) for o in sure.outcomes
    )
    assert now == pytest.approx(170.0 + 0.5 * 610.0)
    assert then == pytest.approx(0.5 * 170.0 + 0.5 * 610.0, rel=0.02)  # a check that is in order is never quite sure
    assert now - then == pytest.approx(
        0.5 * 170.0, rel=0.1
    )  # so 30 minutes at 100 an hour are worth it, an hour is not


def test_what_a_check_shows_moves_the_causes_by_bayes():
    p = {"oil_condition": 0.2, "phaser_worn": 0.8}
    check = BY_KEY["oil_level"]
    low = check.outcomes[1]
    odds = (0.2 * check.chance(low, "oil_condition")) / (0.8 * check.chance(low, "phaser_worn"))
    assert after(p, check, low)["oil_condition"] == pytest.approx(odds / (1.0 + odds))
    assert after(p, check, IN_ORDER)["oil_condition"] < 0.05


@pytest.mark.parametrize("condition", ["sticking", "slow", "stuck", "unstable"])
def test_a_dipstick_comes_before_a_swap_and_checking_costs_less_than_opening_first(condition):
    flat = 1.0 / 7.0
    likely = chances_of(
        {condition: 0.95}, dict.fromkeys(("healthy", "sticking", "slow", "stuck", "unstable", "offset", "sensor"), flat)
    )
    sound = chances_of({"healthy": 0.95}, dict.fromkeys(likely, flat))
    p = posterior(
        pieces(DriveEvidence({"intake_b1": CamEvidence(likely), "exhaust_b1": CamEvidence(sound)}, frozenset()))
    )
    assert sum(p.values()) == pytest.approx(1.0) and set(p) == {c.key for c in CAUSES}
    keys = [s.check.key for s in plan(p, RATES)]
    minutes = [s.check.minutes for s in plan(p, RATES)]
    assert minutes[0] <= 12.0 and "oil_level" in keys and "valve_swap" not in keys[: keys.index("oil_level")]
    assert expected_cost(p, RATES) < expected_repair_cost(p, RATES) < cost_of_opening_first(p, RATES)


# What a technician does first, by what the cam looks like: what costs minutes before what costs an hour, nothing opened.
FIRST_CHECKS = {
    "sticking": {"oil_level", "valve_out"}, "slow": {"oil_level", "valve_out"}, "stuck": {"oil_level", "valve_plug", "valve_out"},
    "unstable": {"oil_level", "cold_listen"}, "offset": {"cold_listen"}, "sensor": {"sensor_plug"},
}  # fmt: skip


@pytest.mark.parametrize("condition", FIRST_CHECKS)
def test_the_first_checks_of_each_condition_are_those_of_the_trade_and_open_no_cover(condition):
    conditions = ("healthy", "sticking", "slow", "stuck", "unstable", "offset", "sensor")
    likely, sound = (chances_of({c: 0.95}, dict.fromkeys(conditions, 1.0 / 7.0)) for c in (condition, "healthy"))
    steps = plan(
        posterior(
            pieces(DriveEvidence({"intake_b1": CamEvidence(likely), "exhaust_b1": CamEvidence(sound)}, frozenset()))
        ),
        RATES,
    )
    assert FIRST_CHECKS[condition] <= {s.check.key for s in steps}, [s.check.key for s in steps]
    assert not {"valve cover", "timing cover"} & {s.check.opens for s in steps[:3]}


def test_no_check_runs_an_engine_that_must_stand():
    assert all(not s.check.runs for s in plan(PRIORS, RATES, standing=True, most=10))


def test_a_dear_hour_changes_what_is_worth_checking_and_a_hidden_valve_is_looked_at_later():
    hidden = ShopFile().rates(Layout(valve="centre_bolt"))
    assert hidden.cost(BY_KEY["valve_out"]) == pytest.approx(5.0 * RATES.cost(BY_KEY["valve_out"]))
    assert hidden.cost(BY_KEY["oil_level"]) == RATES.cost(BY_KEY["oil_level"])


# ---------------------------------------------------------------- what was found by hand


@pytest.mark.parametrize(
    ("text", "check", "outcome"),
    [
        ("oil 1 l low", "oil_level", 1), ("dipstick low", "oil_level", 1), ("oil level ok", "oil_level", 0),
        ("screen blocked", "valve_out", 2), ("spool sticks", "valve_out", 1), ("marks ok", "marks", 0),
        ("marks do not meet", "marks", 1), ("oil pressure low", "oil_gauge", 1), ("oil pressure ok", "oil_gauge", 0),
        ("connector of the valve bad", "valve_plug", 1), ("spark plug bad", "plug_look", 1), ("phaser play", "phaser_hand", 1),
        ("chain slack", "chain_look", 1), ("rattle at the chain", "cold_listen", 2), ("oil change fault gone", "oil_change", 1),
    ],
)  # fmt: skip
def test_plain_words_name_an_outcome(text, check, outcome):
    meant = understand(text)
    assert (meant.check.key, meant.outcome) == (check, BY_KEY[check].outcomes[outcome])


@pytest.mark.parametrize("text", ["", "nonsense", "valve clean", "all good", "\x1b[2J"])
def test_words_that_fit_nothing_or_several_are_asked_about_never_guessed(text):
    with pytest.raises(InputError, match="--check"):
        understand(text)


def test_words_that_mean_nothing_are_answered_with_every_outcome_one_could_mean():
    with pytest.raises(InputError) as refused:
        understand("banana")
    assert all(
        f"{c.key} " in refused.value.remedy and all(repr(o) in refused.value.remedy for o in c.outcomes)
        for c in BY_KEY.values()
    )
    assert len(refused.value.on_page) < 100  # a page shows them at their checks


def test_every_outcome_can_be_said_with_its_check_named():
    for check in BY_KEY.values():
        for outcome in check.outcomes[1:]:
            assert understand(outcome, check.key).outcome == outcome


# ---------------------------------------------------------------- quote and sheet


def chances(**known):
    rest = (1.0 - sum(known.values())) / (len(CAUSES) - len(known))
    return {c.key: known.get(c.key, rest) for c in CAUSES}


def test_the_quote_takes_the_least_cost_in_the_end_and_a_worn_chain_makes_it_the_whole_set():
    worn = chances(phaser_worn=0.9)
    young = choices(worn, SHOP, LAYOUT, 60_000.0)
    old = choices(worn, SHOP, LAYOUT, 330_000.0)
    assert young[0].repair.key in ("phaser", "phaser_valve") and old[0].repair.key == "timing_set"
    at = whole_set_from_km(worn, SHOP, LAYOUT)
    assert 60_000.0 < at < 330_000.0
    assert whole_set_from_km(worn, SHOP, LAYOUT, elongation_percent=0.6) < at
    assert choices(chances(oil_condition=0.9), SHOP, LAYOUT)[0].repair.key == "oil_service"
    assert choices(chances(chain_stretched=0.9), SHOP, LAYOUT)[0].repair.key == "timing_set"
    assert all(0.0 <= c.cures <= 1.0 and 0.0 <= c.comes_back <= 1.0 for c in young)
    assert chain_due(None) < chain_due(200_000.0) < chain_due(300_000.0)


def test_parts_name_what_is_used_once_and_the_check_on_arrival():
    phaser = next(c for c in choices(chances(phaser_worn=0.9), SHOP, LAYOUT) if c.repair.key == "phaser")
    parts = parts_list(phaser, SHOP)
    assert any("bolt (new)" in p["what"] for p in parts)
    assert all({"supplier and packing", "markings"} <= set(p["arrived"]) for p in parts)


def test_torques_convert_as_the_published_factors():
    # Outside check: NIST SP 811 (2008), appendix B.8: 1 lbf·ft = 1.355 818 N·m, 1 lbf·in = 0.112 984 8 N·m,
    # 1 kgf·m = 9.806 65 N·m.
    assert torque_in(1.0, "lbf*ft", "N*m") == pytest.approx(1.355818, rel=1e-6)
    assert torque_in(1.0, "lbf*in", "N*m") == pytest.approx(0.1129848, rel=1e-6)
    assert torque_in(1.0, "kgf*m", "N*m") == pytest.approx(9.80665, rel=1e-6)
    assert torque_words({"torque": 20.0, "unit": "lbf*ft", "angle_deg": 90}) == "27.1 N·m (20 lbf·ft) + 90 deg"
    with pytest.raises(ValueError):
        torque_in(1.0, "kPa", "N*m")


def test_an_elongated_chain_turns_the_cam_as_the_geometry_of_its_sprockets_says():
    # Pitch diameter p / sin(180 deg / N): Shigley's Mechanical Engineering Design, roller chains (from memory); of 17 teeth
    # and a pitch of 0.5 in, 2.721 in, as ANSI B29.1 tabulates (from memory). The loaded strand of n links, each e longer,
    # lets the cam sprocket of twice the teeth lag by the arc that the added length is on its pitch polygon.
    def pitch_diameter(teeth, pitch):
        return pitch / math.sin(math.pi / teeth)

    assert pitch_diameter(17, 0.5) == pytest.approx(2.721, abs=0.001)
    teeth, links, pitch, elongation = 21, 42, 8.0, 0.005
    added, cam = links * pitch * elongation, pitch_diameter(2 * teeth, pitch)
    lag_crank_deg = 2.0 * math.degrees(added / (cam / 2.0))  # a cam degree is two of the crankshaft
    engine = Engine(cylinders=4, crank_sprocket_teeth=teeth, loaded_chain_links=links)
    in_teeth, nearest, percent = geometry(Estimate(-lag_crank_deg, -lag_crank_deg, -lag_crank_deg, 5), engine)
    assert percent.value == pytest.approx(100.0 * elongation, rel=0.002)
    assert nearest == 0 and in_teeth.value == pytest.approx(-links * elongation, rel=0.002)
    assert geometry(Estimate(-360.0 / teeth), engine)[1] == -1


def test_no_torque_is_shipped_and_an_empty_one_is_asked_for():
    sheet = work_sheet("timing_set", LAYOUT)
    assert sheet["fasteners"] and all(f["torque"] is None for f in sheet["fasteners"])
    assert "typed in" in torque_words(sheet["fasteners"][0])
    assert any("two full turns by hand" in row["text"] for row in sheet["after"])
    assert any(text.startswith("torque of") for text in open_boxes(sheet))


def test_values_and_torques_are_typed_in_as_people_say_them():
    sheet = work_sheet("timing_set", LAYOUT)
    assert (
        row_words(enter(sheet, "Phaser bolt 18.4 lbf*ft + 90 deg".lower()))
        == "phaser bolt: 24.9 N·m (18.4 lbf·ft) + 90 deg"
    )
    assert row_words(enter(sheet, "chain elongation: 0,35 limit 0.5")) == "chain elongation: 0.35 %, limit 0.5 %"
    # 1 in is 25.4 mm exactly (NIST SP 811, appendix B.8).
    assert enter(sheet, "tensioner travel 0.4 in limit 9")["value"] == pytest.approx(10.16)
    number = 1 + [r.get("what") for r in rows(sheet)].index("guides")
    assert enter(sheet, f"{number} 12 Nm")["torque"] == 12.0
    for slip in (
        "",
        "no such row 3",
        "phaser 3 kPa",
        "phaser bolt 3 kPa",
        "chain 3",
        "tensioner travel 3 kg",
        "guides -3 N*m",
        "guides 9e9 N*m",
    ):
        with pytest.raises(InputError) as caught:
            enter(sheet, slip)
        assert caught.value.remedy


@pytest.mark.parametrize(
    ("chain", "measured", "agrees"),
    [([0.3, 0.4, 0.5], 0.45, True), ([0.3, 0.4, 0.5], 0.9, False), ([-1.0, -0.9, -0.8], 0.9, False)],
)
def test_what_is_measured_of_the_chain_is_held_against_what_the_recording_said(tmp_path, chain, measured, agrees):
    job = Job(tmp_path / "a.job.json")
    job.put("findings", {"probabilities": PRIORS, "cams": {"intake_b1": {"chain": chain}}}, "findings")
    make_quote(job, SHOP, LAYOUT, "timing_set")
    enter(make_sheet(job, LAYOUT), f"chain elongation {measured} limit 0.5")
    before = PRIORS["chain_stretched"]
    *_, said = use_measurements(job)
    assert ("which agrees" in said) is agrees and ("They do not agree" in said) is not agrees
    assert (job.probabilities["chain_stretched"] > before) is (measured > 0.5)
    assert len(use_measurements(job)) == 1  # nothing new: only the line on the chain


def test_a_clear_screen_does_not_say_that_the_spool_is_free(tmp_path):
    job, known = Job(tmp_path / "a.job.json"), chances(valve_sticking=0.4, valve_screen=0.3, phaser_sticking=0.2)
    job.put("findings", {"probabilities": known}, "findings")
    make_quote(job, SHOP, LAYOUT, "valve")
    sheet = make_sheet(job, LAYOUT)
    enter(sheet, "screen blocked 5 limit 20")
    use_measurements(job)
    assert (
        job.probabilities["valve_screen"] < known["valve_screen"]
        and job.probabilities["valve_sticking"] > known["valve_sticking"]
    )
    enter(sheet, "screen blocked 60 limit 20")  # corrected
    use_measurements(job)
    assert job.probabilities["valve_screen"] > 0.8


def test_figures_of_the_customers_page_are_as_people_read_them(tmp_path):
    job = Job(tmp_path / "a.job.json")
    change = {"better": True, "beyond_chance": True, "small": False, "unit": "s", "p_value": 0.0}
    figures = (("time to 63 %", 0.38, 0.00594, "s"), ("error", 81.23, 8.1e-05, "deg"), ("share", 0.43, 0.001, "share"))
    job.put("verification", {"outcome": "verified", "changes": [
        change | {"title": t, "unit": u, "before": {"value": a}, "after": {"value": b}} for t, a, b, u in figures]}, "verification")  # fmt: skip
    job.put("vehicle", {"mileage_km": 82_000.0}, "vehicle")
    text = re.sub(r"<[^>]+>", "|", customer_page(job, next_steps(job, SHOP, LAYOUT)))
    for shown in ("0.38 s", "0.01 s", "81 deg", "0 deg", "43 %", "0 %", "82,000 km"):
        assert f"|{shown}|" in text or shown == "82,000 km" in text, shown
    assert "0.00594" not in text and "e-05" not in text


def test_a_measurement_beyond_its_limit_moves_the_causes():
    sheet = work_sheet("timing_set", LAYOUT)
    row = next(r for r in sheet["measurements"] if r["what"] == "chain elongation")
    assert measured_outcomes(sheet) == []
    row.update(value=0.9, limit=0.5)
    assert [m[:2] for m in measured_outcomes(sheet)] == [("chain_measured", "chain beyond its limit")]
    row.update(value=0.2)
    assert [m[:2] for m in measured_outcomes(sheet)] == [("chain_measured", "not chain beyond its limit")]


# ---------------------------------------------------------------- the file


def test_unknown_keys_are_kept_and_every_change_is_dated(tmp_path):
    path = tmp_path / "a.job.json"
    path.write_text(json.dumps({"schema": "camlog.job/1", "own": {"x": [1]}, "vehicle": {"colour": "red"}}))
    job = read_job(path)
    add_found(job, understand("oil 1 l low"), "oil 1 l low")
    job.put("complaint", "rattles", "complaint")
    job.save()
    again = read_job(path)
    assert again.content["own"] == {"x": [1]} and again.get("vehicle")["colour"] == "red"
    assert all(re.match(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d[+-]\d\d:\d\d", e["at"]) for e in again.get("log"))
    assert again.probabilities["oil_condition"] > PRIORS["oil_condition"]


@pytest.mark.parametrize(
    "content",
    [b"", b"[]", b'{"schema": "x"}', b'{"schema": "camlog.job/1", "checks": 4}', b'{"schema": "camlog.job/1", "checks": [4]}',
     b'{"schema": "camlog.job/1", "findings": {"probabilities": {"a": "b"}}}', b"\xff\xfe", b"[" * 100_000],
)  # fmt: skip
def test_a_file_that_is_no_job_is_one_clear_line(tmp_path, content):
    path = tmp_path / "a.job.json"
    path.write_bytes(content)
    with pytest.raises(InputError) as caught:
        read_job(path)
    assert "\n" not in str(caught.value) and caught.value.remedy


def test_a_finding_that_was_a_mistake_is_replaced_by_saying_it_again(tmp_path):
    once, twice = Job(tmp_path / "a.job.json"), Job(tmp_path / "b.job.json")
    add_found(once, understand("screen blocked"), "screen blocked")
    for words in ("marks ok", "screen blocked"):
        add_found(
            twice,
            understand(words if words != "marks ok" else "in order", "valve_out" if words == "marks ok" else None),
            words,
        )
    assert twice.probabilities == once.probabilities and len(twice.get("checks")) == 2


def test_an_engine_low_on_oil_is_filled_up_before_a_check_runs_it(tmp_path):
    job = Job(tmp_path / "a.job.json")
    add_found(job, understand("oil 1 l low"), "oil 1 l low")
    steps = next_steps(job, SHOP, LAYOUT)
    assert "before the engine runs" in steps["first"] and all(not BY_KEY[c["key"]].runs for c in steps["checks"])
    add_found(job, understand("oil level ok"), "filled up")
    assert next_steps(job, SHOP, LAYOUT)["first"] == ""


def test_the_only_job_of_a_folder_is_meant_and_of_two_one_is_asked_for(tmp_path):
    with pytest.raises(InputError, match="no job"):
        find_job(None, tmp_path)
    Job(tmp_path / "a.job.json").save()
    assert find_job(None, tmp_path).path.name == "a.job.json"
    Job(tmp_path / "b.job.json").save()
    with pytest.raises(InputError, match="--job"):
        find_job(None, tmp_path)


def test_a_shops_own_figures_are_read_and_a_slip_is_named(tmp_path):
    path = tmp_path / "shop.toml"
    path.write_text(
        'schema = "camlog.shop/1"\n[shop]\nlabour_per_hour = 150\n[[repair]]\nkey = "phaser"\nparts = 99\npart = "own"\n'
    )
    shop = read_shop(None, tmp_path)
    assert shop.rates(LAYOUT).labour_per_hour == 150.0
    assert next(r for r in shop.repairs if r.key == "phaser").parts == 99.0
    path.write_text('schema = "camlog.shop/1"\n[priors]\nchain_strechted = 2\n')
    with pytest.raises(InputError, match="Did you mean chain_stretched"):
        read_shop(path)


def test_a_shops_own_priors_stand_for_the_tables(tmp_path):
    """By Bayes' rule the odds of two causes change by as much as the odds of their priors, whatever was seen."""
    job, own = (
        Job(tmp_path / "a.job.json"),
        ShopFile(priors={c.key: 10.0 * c.prior for c in CAUSES if c.key == "chain_stretched"}),
    )
    add_found(job, understand("oil 1 l low"), "oil 1 l low")

    def odds(shop):
        chances = {c["key"]: c["probability"] for c in next_steps(job, shop, LAYOUT)["causes"]}
        assert sum(chances.values()) == pytest.approx(1.0)
        return chances["chain_stretched"] / chances["phaser_worn"]

    assert odds(own) == pytest.approx(10.0 * odds(SHOP))
    quoted = [{c["key"]: c["cures"] for c in make_quote(job, shop, LAYOUT)["choices"]} for shop in (own, SHOP)]
    assert quoted[0]["timing_set"] > quoted[1]["timing_set"] and quoted[0]["phaser"] < quoted[1]["phaser"]


def test_a_job_without_a_recording_begins_from_what_is_usual(tmp_path):
    job = Job(tmp_path / "a.job.json")
    steps = next_steps(job, SHOP, LAYOUT)
    assert sum(c["probability"] for c in steps["causes"]) == pytest.approx(1.0) and steps["checks"]
    assert make_quote(job, SHOP, LAYOUT)["repair"]


# ---------------------------------------------------------------- the commands


def run(capsys, *words):
    with pytest.raises(SystemExit) as end:
        main(["job", *map(str, words)])
    out = capsys.readouterr()
    return end.value.code or 0, out.out, out.err


def test_the_whole_story_by_its_commands(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    before, repaired = SAMPLES / "repair-before.csv", SAMPLES / "repair-after.csv"
    assert (
        run(
            capsys,
            "new",
            "car",
            "--complaint",
            "rattles cold",
            "--recording",
            before,
            "--vehicle",
            "demo",
            "--mileage-km",
            182000,
        )[0]
        == 0
    )
    status, out, _ = run(capsys, "show")
    assert status == 0 and "rattles cold" in out and out.index("oil level") < out.index("control valve: screen clean")
    status, out, _ = run(capsys, "found", "screen blocked")
    assert status == 0 and "oil control valve's screen blocked" in out.split("Causes")[1].splitlines()[1]
    assert run(capsys, "found", "gibberish")[0] == 2
    status, out, _ = run(capsys, "quote")
    assert status == 0 and "* valve:" in out
    assert "[ ]" in run(capsys, "sheet")[1]
    status, out, _ = run(capsys, "sheet", "--tick", 1, "--who", "me", "--enter", "oil control valve bolt 10 N*m")
    assert status == 0 and "[x]" in out and "10 N·m (7.38 lbf·ft)" in out
    assert run(capsys, "sheet", "--tick", 2)[0] == 2  # a measurement is no box
    status, out, _ = run(capsys, "close", "--done", "valve renewed", "--before", before, "--after", repaired)
    assert status == 0 and "Proves nothing" in out
    customer = (tmp_path / "car.customer.html").read_text()
    assert "rattles cold" in customer and "valve renewed" in customer and "simulated" in customer
    assert "<script>" not in customer
    kept = json.loads((tmp_path / "car.job.json").read_text())
    assert kept["verification"]["outcome"] and [r["role"] for r in kept["recordings"]] == ["before", "after"]
    assert run(capsys, "close")[0] == 2  # the pages are there already


def test_an_engine_that_must_not_run_gets_no_check_that_runs_it(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    run(capsys, "new", "car", "--recording", SAMPLES / "timing-offset.csv", "--vehicle", "demo")
    status, out, _ = run(capsys, "show", "--json")
    shown = json.loads(out)
    assert shown["findings"]["do_not_run"]
    assert all(not BY_KEY[c["key"]].runs for c in shown["next"]["checks"])
    assert run(capsys, "show")[1].startswith("Do not run or drive")


def test_the_demonstrations_job_goes_from_complaint_to_a_page_that_claims_nothing_it_cannot_show(tmp_path):
    from camlog.analysis import analyze
    from camlog.demo import hand_over, open_job
    from camlog.drive import drive_path, read_drive
    from camlog.trace import read_trace
    from camlog.verify import verify

    for name in ("before", "after"):
        for suffix in (".csv", ".drive.json"):
            (tmp_path / (name + suffix)).write_bytes((SAMPLES / f"repair-{name}{suffix}").read_bytes())
    found = [
        analyze(read_trace(p), read_drive(drive_path(p))) for p in (tmp_path / "after.csv", tmp_path / "before.csv")
    ]
    lines: list[str] = []
    job = Job(tmp_path / "repair.job.json")
    open_job(job, found[1], lines.append)
    hand_over(job, verify(*found), lines.append)
    assert job.get("quote")["repair"] == "valve" and max(job.probabilities, key=job.probabilities.get) == "valve_screen"
    page = (tmp_path / "repair.customer.html").read_text()
    assert (
        "invented" in page
        and "simulated adapter" in page
        and "moves too slowly" in page
        and "proven by a test drive" not in page
    )


def test_a_drive_is_taken_into_a_job_that_was_begun_without_one(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    trace = next(Path(__file__).resolve().parent.parent.joinpath("sample_logs").glob("sticking.csv"))
    assert run(capsys, "new", "red", "--vehicle", "demo", "--mileage-km", "182000")[0] == 0
    status, said, _ = run(capsys, "found", "--recording", str(trace))
    assert status == 0
    assert f"Taken in: {trace.name}." in said and "Causes" in said
    job = read_job(tmp_path / "red.job.json")
    assert job.get("recordings")[0]["file"] == trace.name and job.get("findings")["cams"] and not job.get("checks")
    assert run(capsys, "found")[0] == 2  # neither words nor a drive
    assert run(capsys, "show", "--out", str(tmp_path), "--units", "us")[0] == 0
    page = (tmp_path / "red.workshop.html").read_text(encoding="utf-8")
    assert "113,090 mi" in page and " km" not in page


def test_the_drives_before_and_after_of_a_closed_job_are_those_of_its_proof(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    before, after, other = (SAMPLES / f"{name}.csv" for name in ("repair-before", "repair-after", "slow-cold"))
    run(capsys, "new", "car", "--recording", before, "--vehicle", "demo")
    run(capsys, "found", "oil 1 l low")
    first = read_job(tmp_path / "car.job.json")
    run(capsys, "found", "--recording", other)
    second = read_job(tmp_path / "car.job.json")
    assert second.get("findings")["trace"] == other.name
    # What was found by hand is weighed with the drive that the job holds now.
    assert second.probabilities != first.probabilities
    assert max(second.probabilities, key=second.probabilities.get) == "oil_condition"
    assert (
        run(capsys, "close", "--job", "car", "--before", before, "--after", after)[0] == 0
    )  # the name that `new` was given
    closed = read_job(tmp_path / "car.job.json")
    assert closed.get("findings")["trace"] == before.name and closed.get("findings_after")["trace"] == after.name
