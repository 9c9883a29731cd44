"""Saved drives being played: the stream of a replay onto a board, with pause, speed and jumps."""

from __future__ import annotations

import math
import secrets
import threading
import time
from collections.abc import Iterable

from camlog.drive import Drive
from camlog.errors import InputError
from camlog.profile import VehicleProfile
from camlog.replay import parse_speed, replay
from camlog.serve.board import Board
from camlog.serve.folder import Folder
from camlog.serve.guide import Guide
from camlog.serve.names import told
from camlog.stream import StreamItem
from camlog.trace import Trace

# A jump shows this much of the drive before its place, so that the strips have a past.
PAST_S = 60.0
UNSEEN_S = 60.0
_LOOK_ROUND_S = 5.0
# Items shown before orders and pages are let in again: a few milliseconds of work.
_BURST = 200
_TURN_S = 0.05
_LET_IN_S = 0.001


class _Reel:
    """The items of a stream in order, taken as they come due; none twice, none left out."""

    def __init__(self, items: Iterable[StreamItem]):
        self._items = iter(items)
        self.next: StreamItem | None = next(self._items, None)

    def due(self, now_s: float, most: int) -> list[StreamItem]:
        """Up to `most` of the items whose time has come."""
        taken: list[StreamItem] = []
        while self.next is not None and self.next.time_s <= now_s and len(taken) < most:
            taken.append(self.next)
            self.next = next(self._items, None)
        return taken

    def waits(self, now_s: float) -> bool:
        """True where something is due."""
        return self.next is not None and self.next.time_s <= now_s


class Player:
    """One replay of one saved drive. Methods may be called from any thread.

    `start_s` and `duration_s` are the times of its first and last row, `events` those of its drive file.
    """

    def __init__(self, name: str, trace: Trace, drive: Drive | None, profile: VehicleProfile | None):
        self.id = secrets.token_hex(8)
        self.name = name
        self._trace, self._drive = trace, drive
        self.start_s = float(trace.time_s[0]) if len(trace.time_s) else 0.0
        self.duration_s = float(trace.time_s[-1]) if len(trace.time_s) else 0.0
        self.events = tuple(drive.events) if drive is not None else ()
        self.board = Board(lambda: self.position_s)
        self.guide = Guide(profile)
        self.speed: float | str = 1.0
        self.seen_s = time.monotonic()
        self._state = threading.Condition()
        self._playing = self._ended = self._closed = False
        self._since: tuple[float, float] = (
            time.monotonic(),
            self.start_s,
        )  # when it was where, from which it goes on
        self._shown_s = self.start_s
        self._jumped(self.start_s)
        self._thread = threading.Thread(target=self._work, name="replay", daemon=True)
        self._thread.start()

    # ------------------------------------------------------------------ for a page
    @property
    def playing(self) -> bool:
        """True while it goes on."""
        return self._playing and not self._ended

    @property
    def ended(self) -> bool:
        """True at the end of the drive."""
        return self._ended

    @property
    def position_s(self) -> float:
        """Present place in the drive, seconds."""
        began_s, place_s = self._since
        if not self.playing:
            return place_s
        pace = parse_speed(self.speed)
        if pace is None:
            return min(max(place_s, self._shown_s), self.duration_s)
        return min(place_s + (time.monotonic() - began_s) * pace, self.duration_s)

    def play(self, speed: float | str | None = None) -> None:
        """Go on, at another speed where one is given. Raises InputError for a speed that is none."""
        if speed is not None:
            parse_speed(speed)
        with self._state:
            self._since = (time.monotonic(), self.position_s)
            self.speed = self.speed if speed is None else speed
            self._playing = True
            self._state.notify_all()

    def pause(self) -> None:
        """Stand still."""
        with self._state:
            self._since = (time.monotonic(), self.position_s)
            self._playing = False
            self._state.notify_all()

    def go_to(self, time_s: float) -> None:
        """Go to a place in the drive; what is beyond its ends goes to the end. The board begins anew.

        Raises InputError for what is no time.
        """
        if not math.isfinite(time_s):
            raise InputError("that is no time", remedy="Write minutes and seconds, as in 1:15.")
        with self._state:
            self._jumped(min(max(time_s, self.start_s), self.duration_s))
            self._state.notify_all()

    def close(self) -> None:
        """End the thread."""
        with self._state:
            self._closed = True
            self._state.notify_all()
        self._thread.join(timeout=5.0)

    # ------------------------------------------------------------------ the thread
    def _jumped(self, place_s: float) -> None:
        before_s = self._shown_s
        # From the first row on means from the beginning: the first codes were read before it.
        from_s = None if place_s - PAST_S <= self.start_s else place_s - PAST_S
        self.board.reset()
        for item in self._known_at(from_s):
            self.board.accept(item)
        self._reel = _Reel(replay(self._trace, self._drive, speed="max", start_s=from_s))
        if place_s <= before_s:  # else the guide goes on from where it is
            self.guide.reset()
            self._guide_reel = _Reel(replay(self._trace, self._drive, speed="max"))
        self._ended = False
        self._since = (time.monotonic(), place_s)
        self._shown_s = place_s

    def _known_at(self, time_s: float | None) -> list[StreamItem]:
        """What stands on from before a time: the marks, and the codes as last read."""
        if time_s is None or self._drive is None:
            return []
        marks = [e for e in self._drive.events if e.kind == "marker" and e.time_s < time_s]
        codes = [s for s in self._drive.code_snapshots if s.time_s < time_s]
        return sorted([*marks, *codes[-1:]], key=lambda item: item.time_s)

    def _work(self) -> None:
        with self._state:
            while not self._closed:
                if self._ended or not self._turn():
                    self._state.wait(self._pause_s())
                else:
                    # Others want the lock, and pages the processor.
                    self._state.wait(_LET_IN_S)

    def _turn(self) -> bool:
        """Show what is due; True where more is."""
        fast = self.playing and parse_speed(self.speed) is None
        now_s = self.position_s
        at_end = self.playing and now_s >= self.duration_s
        # With the last row comes what stands after it: the closing codes.
        due_s = math.inf if fast or at_end else now_s
        items = self._reel.due(due_s, _BURST)
        for item in items:
            self.board.accept(item)
        if items:
            self._shown_s = min(max(self._shown_s, items[-1].time_s), self.duration_s)
        for item in self._guide_reel.due(max(now_s, self._shown_s), _BURST):
            self.guide.accept(item)
        more = self._reel.waits(due_s) or self._guide_reel.waits(max(now_s, self._shown_s))
        if self.playing and (fast or at_end) and not more:
            self._since = (time.monotonic(), self.duration_s)
            self._ended = True
        return more

    def _pause_s(self) -> float | None:
        """How long nothing will be due, seconds; None until another order."""
        if not self.playing:
            return None
        pace = parse_speed(self.speed)
        if pace is None:
            return _LET_IN_S
        next_s = self.duration_s if self._reel.next is None else min(self._reel.next.time_s, self.duration_s)
        return min(_TURN_S, max(_LET_IN_S, (next_s - self.position_s) / pace))


class Players:
    """The replays that pages look at: at most `most`; one that no page has asked for a minute is closed."""

    def __init__(self, folder: Folder, most: int = 6):
        self._folder, self._most = folder, most
        self._players: dict[str, Player] = {}
        self._lock = threading.Lock()
        self._closing = threading.Event()
        self._keeper: threading.Thread | None = None

    def open(self, name: str) -> Player:
        """A new player for a recording of the folder. Raises InputError where it cannot be read."""
        from camlog.convert import read_any

        entry = self._folder.entry(name)
        if entry.kind == "foreign":
            raise InputError(
                "another program wrote it", file=name, remedy="Convert it first: open it from the recordings."
            )
        try:
            trace, drive, _ = read_any(self._folder.path(name))
        except InputError as error:
            raise InputError(told(error)) from error
        vehicle = self._folder.profile_of(entry)
        player = Player(name, trace, drive, self._folder.profile(vehicle) if vehicle else None)
        with self._lock:
            self._players[player.id] = player
            if self._keeper is None and not self._closing.is_set():
                # Also when no page asks any more: a replay holds the whole trace.
                self._keeper = threading.Thread(target=self._keep, name="replays", daemon=True)
                self._keeper.start()
        self._close_unseen()
        return player

    def get(self, player_id: str) -> Player | None:
        """A player by its id, which counts as seen; None where it was closed."""
        with self._lock:
            player = self._players.get(player_id)
            if player is not None:
                player.seen_s = time.monotonic()
        return player

    def close(self) -> None:
        """Close all."""
        self._closing.set()
        with self._lock:
            gone = list(self._players.values())
            self._players.clear()
            keeper = self._keeper
        for player in gone:
            player.close()
        if keeper is not None:
            keeper.join(timeout=5.0)

    def _keep(self) -> None:
        while not self._closing.wait(_LOOK_ROUND_S):
            self._close_unseen()

    def _close_unseen(self) -> None:
        now = time.monotonic()
        with self._lock:
            by_age = sorted(self._players.values(), key=lambda p: p.seen_s)
            gone = [
                p for i, p in enumerate(by_age) if now - p.seen_s > UNSEEN_S or i < len(by_age) - self._most
            ]
            for player in gone:
                del self._players[player.id]
        for player in gone:
            player.close()
