"""Are commanded and actual angle on one scale, and an angle of a phaser at all?

A wrong unit or a wrong scaling in the vehicle profile makes every figure wrong alike; no condition of the cam
does. Such data are refused, not judged.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from camlog.analysis.cam.examine import Examination
from camlog.analysis.verdict import messages
from camlog.limits import Limit

PLAUSIBLE_SPAN_DEG = 120.0  # of crankshaft; no production phaser travels farther
FOLLOWS_R2 = 0.9
FEW_MOVES = 3
# A real cam lags, rounds and breathes; one that repeats its command in so many changed readings is no
# reading.
REPEATS_SHARE, REPEATS_COUNT = 0.9, 20


def refusal(x: Examination, limits: Mapping[str, Limit]) -> str:
    """A sentence where the two angles cannot be what they are taken for; empty where they can."""
    m = x.motion
    if m.repeats_share is not None and m.repeats_share >= REPEATS_SHARE and m.repeats_count >= REPEATS_COUNT:
        return messages("refusal.repeats", percent=100 * m.repeats_share, count=m.repeats_count)
    span = max(x.travel.command_span_deg, 0.0)
    if span > PLAUSIBLE_SPAN_DEG:
        return messages("refusal.too_far", span=span)
    fit, gain = x.response.fit, x.response.fit.gain
    if gain.value is None or gain.interval is None or (fit.r2 or 0.0) < FOLLOWS_R2 or fit.blocks < FEW_MOVES:
        return ""
    if gain.value <= 0.0:
        return messages("refusal.against", gain=gain.value)
    if abs(x.rest.offset_deg.value or 0.0) > limits["rest_offset_deg"].value:
        return ""  # mechanical timing that control takes out while it moves the cam bends the relation too
    # Cam for crankshaft degrees, or the other way about; any other scale is a fault of the reading and judged
    # as that.
    within = math.log(1.0 + limits["scale_error"].value)
    mistaken = any(abs(math.log(gain.value / usual)) < within for usual in (0.5, 2.0))
    return messages("refusal.scale", gain=gain.value) if mistaken and not gain.low <= 1.0 <= gain.high else ""
