"""A population of simulated cars that differ in structure, on which verdicts are fitted and tested.

`draw(family, seed)` gives a drive; `.record()` drives it and gives the trace with its truth. A family is an
entry of `families`, made of the `parts`; `faults` lists what can be wrong. Nothing here knows the analysis.
"""

from tests.bench.fleet.case import Case, Recording, Truth, draw, draw_poor, kinds
from tests.bench.fleet.families import FAMILIES

__all__ = ["FAMILIES", "Case", "Recording", "Truth", "draw", "draw_poor", "kinds"]
