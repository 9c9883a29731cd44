"""Saved drives being played: the stream of a replay onto a board, with pause, speed and jumps."""

from __future__ import annotations

import itertools
import secrets
import threading
import time

from camlog.drive import Drive
from camlog.errors import InputError
from camlog.profile import VehicleProfile
from camlog.replay import parse_speed, replay
from camlog.serve.board import Board
from camlog.serve.folder import Folder
from camlog.serve.guide import Guide
from camlog.trace import Trace

# A jump shows this much of the drive before its place, so that the strips have a past.
PAST_S = 60.0
UNSEEN_S = 60.0
# At "max" no more than this many items between two looks at the orders.
_MAX_BURST = 200


class Player:
    """One replay of one saved drive. Methods may be called from any thread."""

    def __init__(self, name: str, trace: Trace, drive: Drive | None, profile: VehicleProfile | None):
        self.id = secrets.token_hex(8)
        self.name = name
        self._trace, self._drive = trace, drive
        self.start_s = float(trace.time_s[0]) if len(trace.time_s) else 0.0
        self.duration_s = float(trace.time_s[-1]) if len(trace.time_s) else 0.0
        self.events = tuple(drive.events) if drive is not None else ()
        self.board = Board(self._board_clock)
        self.guide = Guide(profile)
        self.speed: float | str = 1.0
        self.seen_s = time.monotonic()
        self._state = threading.Condition()
        self._playing = False
        self._ended = False
        self._position_s = self.start_s
        self._from_s = self.start_s
        self._turn = itertools.count(1)
        self._order = 0  # another number: the thread begins anew at `_position_s`
        self._shown_s = self.start_s
        self._closed = False
        self._thread = threading.Thread(target=self._work, name=f"replay {name[:40]}", daemon=True)
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
        return self._position_s

    def play(self, speed: float | str | None = None) -> None:
        """Go on, at another speed where one is given. Raises InputError for a speed that is none."""
        if speed is not None:
            parse_speed(speed)
        with self._state:
            if speed is not None and speed != self.speed:
                self.speed = speed
                self._order = next(self._turn)
            self._playing = True
            self._state.notify_all()

    def pause(self) -> None:
        """Stand still."""
        with self._state:
            self._playing = False
            self._order = next(self._turn)
            self._state.notify_all()

    def go_to(self, time_s: float) -> None:
        """Go to a place in the drive; what is beyond its ends goes to the end. The board begins anew."""
        with self._state:
            place = min(max(time_s, self.start_s), self.duration_s)
            self.board.reset()
            self.guide.reset()
            self._position_s = place
            self._from_s = max(self.start_s, place - PAST_S)
            self._ended = False
            self._order = next(self._turn)
            self._state.notify_all()

    def close(self) -> None:
        """End the thread."""
        with self._state:
            self._closed = True
            self._order = next(self._turn)
            self._state.notify_all()
        self._thread.join(timeout=5.0)

    # ------------------------------------------------------------------ the thread
    def _board_clock(self) -> float:
        return self._position_s

    def _work(self) -> None:
        done = -1.0  # everything up to here was shown on the present board
        board = None
        while True:
            with self._state:
                if self._closed:
                    return
                order, place, speed = self._order, self._position_s, self.speed
                if board != self.board.id:
                    board, done = self.board.id, self._from_s - 1e-9
                if self._ended or (not self._playing and done >= place):
                    self._state.wait(timeout=1.0)
                    continue
            # The past of a jump at once, then on at its pace.
            if done < place:
                self._feed(done, place, "max", order)
                done = max(done, place) if order == self._order else done
                continue
            self._shown_s = done
            reached = self._feed(done, None, speed, order)
            # What came due while an order arrived is shown with the rest, before going on.
            done = self._shown_s
            with self._state:
                if reached and order == self._order:
                    self._ended, self._position_s = True, self.duration_s

    def _feed(self, after_s: float, until_s: float | None, speed: float | str, order: int) -> bool:
        """Show what lies after `after_s`, up to `until_s` (None: the end). False where an order came in between."""

        def ordered() -> bool:
            return order != self._order

        def pause(seconds: float) -> None:
            with self._state:
                if not ordered():
                    self._state.wait(timeout=min(seconds, 0.25))
            if until_s is None and not ordered():
                self._position_s = max(self._position_s, self._paced_now())

        if after_s >= self.duration_s:
            return True
        began, pace = time.monotonic(), parse_speed(speed)
        self._paced_now = lambda: (
            after_s if pace is None else min(self.duration_s, after_s + (time.monotonic() - began) * pace)
        )
        for count, item in enumerate(
            replay(
                self._trace, self._drive, speed=speed, start_s=max(after_s, self.start_s), end_s=until_s,
                sleep=pause, stop=ordered,
            )
        ):  # fmt: skip
            if item.time_s <= after_s:
                continue
            with self._state:
                if ordered():
                    return False
                self.board.accept(item)
                self.guide.accept(item)
                if until_s is None:
                    self._shown_s = item.time_s
                    self._position_s = max(self._position_s, item.time_s)
            if pace is None and count % _MAX_BURST == 0:
                time.sleep(0.001)  # other threads want to answer pages
        return not ordered()


class Players:
    """The replays that pages look at: at most `most`; one that no page has asked for a minute is closed."""

    def __init__(self, folder: Folder, most: int = 6):
        self._folder, self._most = folder, most
        self._players: dict[str, Player] = {}
        self._lock = threading.Lock()

    def open(self, name: str) -> Player:
        """A new player for a recording of the folder. Raises InputError where it cannot be read."""
        from camlog.convert import read_any

        entry = self._folder.entry(name)
        if entry.kind == "foreign":
            raise InputError(
                "another program wrote it", file=name, remedy="Convert it first: open it from the recordings."
            )
        trace, drive, _ = read_any(self._folder.path(name))
        vehicle = self._folder.profile_of(entry)
        player = Player(name, trace, drive, self._folder.profile(vehicle) if vehicle else None)
        with self._lock:
            self._players[player.id] = player
            gone = self._unseen()
        for old in gone:
            old.close()
        return player

    def get(self, player_id: str) -> Player | None:
        """A player by its id, which counts as seen; None where it was closed."""
        with self._lock:
            player = self._players.get(player_id)
            if player is not None:
                player.seen_s = time.monotonic()
            gone = self._unseen()
        for old in gone:
            old.close()
        return player

    def close(self) -> None:
        """Close all."""
        with self._lock:
            gone = list(self._players.values())
            self._players.clear()
        for player in gone:
            player.close()

    def _unseen(self) -> list[Player]:
        now = time.monotonic()
        by_age = sorted(self._players.values(), key=lambda p: p.seen_s)
        gone = [p for i, p in enumerate(by_age) if now - p.seen_s > UNSEEN_S or i < len(by_age) - self._most]
        for player in gone:
            del self._players[player.id]
        return gone
