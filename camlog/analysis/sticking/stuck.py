"""Which readings were taken while the cam was stuck: still for so long, so far from its command, that no
cam that moves at all could have been."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.sticking.plateaus import Away, Plateau

# Slower than any phaser that still works: what stays put where even this one would have moved visibly is
# stuck.
SLOWEST_TIME_CONSTANT_S = 8.0
HORIZONS_S = (1.0, 2.0, 4.0, 8.0)
VISIBLE_BANDS = 2.0


def stuck_readings(cam: CamData, away: Away, moving: np.ndarray, jumps: Iterable[Plateau] = ()) -> np.ndarray:
    """True (n,) for readings on a plateau that ended in a jump, or still where the slowest cam would have
    moved.

    Only readings at which the cam should have moved count: `moving` (n,).
    """
    t, a = cam.actual_time_s, cam.actual_deg
    is_away = away.side != 0
    stuck = np.zeros(len(t), dtype=bool)
    for plateau in jumps:
        first, last = np.searchsorted(t, [plateau.start_s, plateau.break_s])
        stuck[first:last] = True
    stuck &= moving
    step = np.diff(t, prepend=t[0])
    # Distance times time, of which the slowest cam would have made up its share.
    owed = np.cumsum(np.where(is_away, np.nan_to_num(away.near_deg) * step, 0.0)) / SLOWEST_TIME_CONSTANT_S
    new = np.concatenate([[True], np.diff(away.run) != 0])
    run_start = np.maximum.accumulate(np.where(new, np.arange(len(t)), 0))
    now = np.flatnonzero(is_away)
    for horizon in HORIZONS_S:
        begin = np.searchsorted(t, t[now] - horizon, side="right") - 1
        whole = begin >= run_start[now]
        last, begin = now[whole], begin[whole]
        still = np.abs(a[last] - a[begin]) <= away.still_deg
        still &= owed[last] - owed[begin] >= VISIBLE_BANDS * away.still_deg
        # Everything since the horizon began was stuck too.
        change = np.bincount(begin[still], minlength=len(t) + 1)
        change[last[still] + 1] -= 1
        stuck |= (np.cumsum(change[:-1]) > 0) & is_away
    return stuck
