"""Oil viscosity from the grade, by ASTM D341."""

import numpy as np
import pytest

from camlog.errors import InputError
from camlog.oil import (
    GRADES,
    constants_through,
    grade,
    kinematic_viscosity,
    viscosity_from_constants,
    walther_constants,
)

chemicals = pytest.importorskip("chemicals")


def test_the_line_goes_through_both_of_its_points():
    # The two oils of the ASTM D2270 worked examples.
    for v40, v100 in ((73.30, 8.86), (22.83, 5.05)):
        a, b = walther_constants(v40, v100)
        assert viscosity_from_constants(a, b, [40.0, 100.0]) == pytest.approx([v40, v100], rel=1e-9)


def test_viscosity_index_of_the_worked_examples():
    # ASTM D2270 worked examples, as carried by `chemicals`: the oil curve must give back the index.
    for v40, v100, index in ((73.30, 8.86, 92), (22.83, 5.05, 156)):
        at40, at100 = viscosity_from_constants(*walther_constants(v40, v100), [40.0, 100.0]) * 1e-6
        assert chemicals.viscosity.viscosity_index(float(at40), float(at100), rounding=True) == index


def test_a_hydrocarbon_between_and_beyond_its_two_points():
    # n-Hexadecane, viscosity and density correlations of Perry's Handbook as carried by `chemicals`.
    from chemicals import dippr, viscosity, volume

    viscosity._load_mu_data()
    mu = viscosity.mu_data_Perrys_8E_2_313.loc["544-76-3"]
    rho = volume.rho_data_Perry_8E_105_l.loc["544-76-3"]

    def published(temp_degc):
        kelvin = temp_degc + 273.15
        pascal_s = dippr.EQ101(kelvin, *(float(mu[f"C{i}"]) for i in range(1, 6)))
        molar = dippr.EQ105(kelvin, *(float(rho[f"C{i}"]) for i in range(1, 5)))  # mol/m3
        return pascal_s / (molar * 0.226441) * 1e6

    a, b = constants_through(published(20.0), 20.0, published(60.0), 60.0)
    assert published(40.0) == pytest.approx(2.9, abs=0.2)
    for temp_degc in (30.0, 40.0, 50.0, 70.0):
        assert viscosity_from_constants(a, b, temp_degc) == pytest.approx(published(temp_degc), rel=0.02)


# SAE J300, kinematic viscosity at 100 degC, mm2/s, from and below (from memory).
J300_LIMITS_MM2_S = {
    "8": (4.0, 6.1), "12": (5.0, 7.1), "16": (6.1, 8.2), "20": (6.9, 9.3), "30": (9.3, 12.5),
    "40": (12.5, 16.3), "50": (16.3, 21.9), "60": (21.9, 26.1),
}  # fmt: skip


@pytest.mark.parametrize("name", GRADES)
def test_every_grade_lies_within_its_class(name):
    low, high = J300_LIMITS_MM2_S[name.split("-")[-1]]
    assert low <= GRADES[name].at_100_degc < high


@pytest.mark.parametrize("name", GRADES)
def test_every_grade_has_the_index_of_such_an_oil(name):
    # Straight grades near 100, multigrades 120 to 190: common practice, no source; index by `chemicals`.
    oil = GRADES[name]
    index = chemicals.viscosity.viscosity_index(oil.at_40_degc * 1e-6, oil.at_100_degc * 1e-6)
    assert (120 < index < 190) if "W" in name else (90 < index < 110)


def test_viscosity_falls_with_temperature_and_rises_with_the_grade():
    temps = np.arange(-20.0, 131.0, 10.0)
    for name in GRADES:
        assert np.all(np.diff(kinematic_viscosity(name, temps)) < 0)
    assert kinematic_viscosity("5W-30", 0.0) < kinematic_viscosity("10W-30", 0.0) < kinematic_viscosity("30", 0.0)


def test_shape_follows_the_temperatures_and_a_missing_one_stays_missing():
    assert kinematic_viscosity("5W-30", [[40.0, np.nan], [100.0, 20.0]]).shape == (2, 2)
    assert np.isnan(kinematic_viscosity("5W-30", [40.0, np.nan])).tolist() == [False, True]
    assert kinematic_viscosity("5W-30", []).shape == (0,)


def test_grade_is_read_as_people_write_it():
    for text in ("5W-30", "5w30", "SAE 5W-30", " sae 5w 30 "):
        assert grade(text).name == "5W-30"
    assert grade("SAE 30").name == "30"


@pytest.mark.parametrize("text", ["", "W-30", "5W-31", "thick", "5.5W-30"])
def test_an_unknown_grade_is_refused_with_what_is_known(text):
    with pytest.raises(InputError, match="5W-30"):
        kinematic_viscosity(text, 40.0)


def test_an_oil_that_thickens_with_heat_is_refused():
    with pytest.raises(ValueError, match="fall with temperature"):
        walther_constants(10.0, 20.0)
