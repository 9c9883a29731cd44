"""The current behaviour of a cam in a word, for the page during a drive. No verdict uses it.

It detects standing and jumping with the same limits as the analysis, but without the cam's own noise, which is only
known after a whole drive. Near a limit the report may therefore differ.
"""

from __future__ import annotations

from collections import deque
from typing import NamedTuple

from camlog.analysis.cam.segments import REST_BAND_DEG
from camlog.analysis.cam.standing import AWAY_WINDOW_S, HORIZON_S, UNMOVED_DEG
from camlog.serve.words import sentence

AWAY_DEG = 2.0  # twice the limit of the analysis for a cam without noise
STANDS_FROM_S = 0.5  # for a shorter time, it may be about to move
JUMP_SHOWN_S = 3.0


class Doing(NamedTuple):
    """The behaviour by its name in `messages.toml`, the word for it, its sign, and its state: `good`, `bad`, `unknown`,
    or `resting` for a cam that only rests."""

    name: str
    word: str
    mark: str
    state: str


SIGNS = {
    "follows": ("✓", "good"), "stands": ("!", "bad"), "jumped": ("!", "bad"), "off": ("!", "bad"), "rests": ("–", "resting"),
    "moves": ("", "unknown"), "unread": ("?", "unknown"),
}  # fmt: skip


class Following:
    """Follows one cam. `jump_deg` is the least jump after standing, `off_deg` the largest error at rest."""

    def __init__(self, jump_deg: float, off_deg: float):
        self._jump_deg, self._off_deg = jump_deg, off_deg
        self._commands: deque[tuple[float, float]] = deque(maxlen=1000)
        self._where: deque[tuple[float, float]] = deque(maxlen=1000)
        self._stands_since: tuple[float, float] | None = None
        self._jumped_s = float("-inf")
        self._name, self._error, self._stood_s = "unread", 0.0, 0.0

    def commanded(self, time_s: float, angle_deg: float) -> None:
        """Take a reading of the command."""
        self._commands.append((time_s, angle_deg))

    def actual(self, time_s: float, angle_deg: float) -> None:
        """Take a reading of the cam."""
        self._where.append((time_s, angle_deg))
        while len(self._where) > 2 and self._where[1][0] <= time_s - HORIZON_S:
            self._where.popleft()
        # Including the last command before the window, which was valid at its start.
        while len(self._commands) > 1 and self._commands[1][0] < time_s - AWAY_WINDOW_S:
            self._commands.popleft()
        if not self._commands:
            return
        lowest, highest = min(v for _, v in self._commands), max(v for _, v in self._commands)
        self._error = angle_deg - min(max(angle_deg, lowest), highest)
        away = abs(self._error) > AWAY_DEG
        still = abs(angle_deg - self._where[0][1]) <= UNMOVED_DEG
        if away and still:
            self._stands_since = self._stands_since or (time_s, angle_deg)
        elif self._stands_since is not None and not still:
            since_s, stands_deg = self._stands_since
            stood_s, self._stands_since = time_s - since_s, None
            if stood_s >= STANDS_FROM_S and abs(angle_deg - stands_deg) >= self._jump_deg:
                self._jumped_s = time_s
        elif not away:
            self._stands_since = None
        self._stood_s = time_s - self._stands_since[0] if self._stands_since else 0.0
        self._name = self._now(time_s, away, max(highest, -lowest) <= REST_BAND_DEG)

    def _now(self, time_s: float, away: bool, rests: bool) -> str:
        if self._stood_s >= STANDS_FROM_S:
            return "stands"
        if time_s - self._jumped_s < JUMP_SHOWN_S:
            return "jumped"
        if not away:
            return "rests" if rests else "follows"
        return "off" if abs(self._error) > self._off_deg and self._stands_since else "moves"

    def doing(self, stale: bool) -> Doing:
        """The current behaviour; `stale` if the angles are too old."""
        name = "unread" if stale else self._name
        return Doing(name, sentence(f"doing.{name}", seconds=self._stood_s), *SIGNS[name])
