"""Engine oil: viscosity against temperature from the grade, by ASTM D341.

    log10(log10(v + 0.7)) = A - B log10(T)        v in mm2/s, T in kelvin

A grade is given by two kinematic viscosities, at 40 and 100 degC. They are typical of oils sold under that grade
(common practice, no source); the 100 degC value is within the limits of SAE J300 for the grade (from memory). A real
filling differs by some 10 %, and by far more with fuel or coolant in it."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from camlog.messages import say

KELVIN_AT_0_DEGC = 273.15
# The 0.7 of ASTM D341 is valid from about 2 mm2/s on; oil in an engine stays above that.
WALTHER_SHIFT_MM2_S = 0.7


@dataclass(frozen=True, slots=True)
class Grade:
    """An SAE grade as its typical kinematic viscosities, mm2/s."""

    name: str
    at_40_degc: float
    at_100_degc: float


_TYPICAL_MM2_S = {  # at 40 and 100 degC
    "0W-8": (23.5, 5.2), "0W-12": (28.5, 6.1), "0W-16": (35.5, 7.2), "0W-20": (43.5, 8.4),
    "5W-20": (48.5, 8.6), "10W-20": (53.0, 8.5), "0W-30": (60.0, 11.0), "5W-30": (64.0, 11.1),
    "10W-30": (70.0, 10.8), "0W-40": (75.0, 13.4), "5W-40": (85.0, 14.1), "10W-40": (97.0, 14.5),
    "15W-40": (110.0, 14.7), "5W-50": (108.0, 17.7), "10W-50": (118.0, 17.8), "15W-50": (126.0, 18.0),
    "20W-50": (155.0, 18.2), "10W-60": (158.0, 23.2), "20": (62.0, 8.1), "30": (92.0, 10.8),
    "40": (135.0, 14.0), "50": (205.0, 18.8),
}  # fmt: skip
GRADES = {name: Grade(name, *viscosities) for name, viscosities in _TYPICAL_MM2_S.items()}

_GRADE = re.compile(r"\s*(?:SAE)?\s*(?:(?P<winter>\d+)\s*W\s*[-/ ]?\s*)?(?P<summer>\d+)\s*\Z", re.IGNORECASE)


def grade(name: str) -> Grade:
    """The grade of that name; `5W-30`, `5w30` and `SAE 5W-30` are the same.

    Raises InputError for a grade that is not in GRADES."""
    match = _GRADE.match(name)
    best = None
    if match:
        winter = match["winter"]
        best = GRADES.get(f"{winter}W-{match['summer']}" if winter else match["summer"])
    if best is None:
        raise say.error("oil_grade", name=name, known=", ".join(GRADES))
    return best


def walther_constants(v40: float, v100: float) -> tuple[float, float]:
    """Constants (A, B) of ASTM D341 through two kinematic viscosities, mm2/s at 40 and 100 degC.

    Raises ValueError unless v40 > v100 > 0.3 (below that the double logarithm does not exist)."""
    if not v40 > v100 > 1.0 - WALTHER_SHIFT_MM2_S:
        raise ValueError(f"viscosity must fall with temperature: {v40} mm2/s at 40 degC, {v100} mm2/s at 100 degC")
    return constants_through(v40, 40.0, v100, 100.0)


def constants_through(v1: float, t1_degc: float, v2: float, t2_degc: float) -> tuple[float, float]:
    """Constants (A, B) of ASTM D341 through kinematic viscosities (mm2/s) at any two temperatures."""
    w1, w2 = (np.log10(np.log10(v + WALTHER_SHIFT_MM2_S)) for v in (v1, v2))
    x1, x2 = (np.log10(t + KELVIN_AT_0_DEGC) for t in (t1_degc, t2_degc))
    slope = (w1 - w2) / (x2 - x1)
    return float(w1 + slope * x1), float(slope)


def viscosity_from_constants(a: float, b: float, temp_degc: ArrayLike) -> np.ndarray:
    """Kinematic viscosity (mm2/s) by ASTM D341; shape of `temp_degc`, NaN where that is NaN or below 0 K."""
    kelvin = np.asarray(temp_degc, dtype=float) + KELVIN_AT_0_DEGC
    kelvin = np.where(kelvin > 0.0, kelvin, np.nan)
    return 10.0 ** (10.0 ** (a - b * np.log10(kelvin))) - WALTHER_SHIFT_MM2_S


def kinematic_viscosity(grade_name: str, temp_degc: ArrayLike) -> np.ndarray:
    """Kinematic viscosity (mm2/s) of a grade at oil temperatures (degC), by ASTM D341.

    Shape of `temp_degc`; NaN where the temperature is NaN. Raises InputError for an unknown grade."""
    oil = grade(grade_name)
    return viscosity_from_constants(*walther_constants(oil.at_40_degc, oil.at_100_degc), temp_degc)
