"""Are commanded and actual angle on one scale, and an angle of a phaser at all?

A wrong unit or a wrong scaling in the vehicle profile makes every figure wrong alike; no condition of the cam
does. Such data are refused, not judged.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from camlog.analysis.cam.examine import Examination
from camlog.limits import Limit

PLAUSIBLE_SPAN_DEG = 120.0  # of crankshaft; no production phaser travels farther
FOLLOWS_R2 = 0.9
FEW_MOVES = 3
CHECK = "check unit, factor and sign of both angles in the vehicle profile"


# A real cam lags, rounds and breathes; one that repeats its command in so many changed readings is no reading.
REPEATS_SHARE, REPEATS_COUNT = 0.9, 20


def refusal(x: Examination, limits: Mapping[str, Limit]) -> str:
    """A sentence where the two angles cannot be what they are taken for; empty where they can."""
    m = x.motion
    if m.repeats_share is not None and m.repeats_share >= REPEATS_SHARE and m.repeats_count >= REPEATS_COUNT:
        return (
            f"The reading repeats the command: in {100 * m.repeats_share:.0f} % of {m.repeats_count} readings taken while the "
            "command moved the actual angle is the command to the last digit, which no cam does; check that the actual angle "
            "has an identifier or a column of its own."
        )
    span = max(x.travel.command_span_deg, 0.0)
    if span > PLAUSIBLE_SPAN_DEG:
        return f"The command moves over {span:.0f} deg, farther than any phaser travels; {CHECK}."
    fit, limit = x.response.fit, limits["scale_error"]
    gain = fit.gain
    if (
        gain.value is None
        or gain.interval is None
        or fit.r2 is None
        or fit.r2 < FOLLOWS_R2
        or fit.blocks < FEW_MOVES
    ):
        return ""
    if gain.value <= 0.0:
        return f"The angle moves against the command ({gain.value:.2f} deg for each degree); {CHECK}."
    if abs(x.rest.offset_deg.value or 0.0) > limits["rest_offset_deg"].value:
        return ""  # mechanical timing that control takes out while it moves the cam bends the relation as well
    # Cam for crankshaft degrees, or the other way about; any other scale is a fault of the reading and judged as that.
    mistaken = any(abs(math.log(gain.value / usual)) < math.log(1.0 + limit.value) for usual in (0.5, 2.0))
    if mistaken and not gain.low <= 1.0 <= gain.high:
        return (
            f"The angle moves {gain.value:.2f} deg for each degree commanded, which no fault of a cam does: the two "
            f"are not on one scale, as cam and crankshaft degrees are not; {CHECK}."
        )
    return ""
