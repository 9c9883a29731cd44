"""Saved drives being played: a replay (`player`, in a worker) onto a board, with pause, speed and jumps."""

from __future__ import annotations

import math
import secrets
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

from camlog.errors import InputError
from camlog.profile import VehicleProfile
from camlog.replay import parse_speed
from camlog.serve.board import Board
from camlog.serve.folder import Folder
from camlog.serve.guide import Guide
from camlog.serve.player import State, play_drive
from camlog.serve.words import problem
from camlog.serve.worker import DIED, ENDS_WITHIN_S, FAILED, Worker, Workers
from camlog.stream import Event

UNSEEN_S = 60.0
OPENS_WITHIN_S = 120.0  # a drive of hours is read in seconds
_ANSWERS_WITHIN_S = 10.0
_LOOK_ROUND_S = 5.0


class Player:
    """One replay of one saved drive. Methods may be called from any thread.

    `start_s` and `duration_s` are the times of its first and last row, `events` those of its drive file, `state` the
    last state received. Raises InputError if the drive cannot be read.
    """

    def __init__(self, name: str, path: Path, profile: VehicleProfile | None, workers: Workers):
        self.id = secrets.token_hex(8)
        self.name = name
        self.start_s = self.duration_s = 0.0
        self.events: tuple[Event, ...] = ()
        self.board = Board(lambda: self.position_s, profile)
        self.guide = Guide(profile)
        self.seen_s = time.monotonic()
        self.state = State()
        self._orders = 0
        self._worker: Worker | None = None
        self._outcome: tuple[str, Any] | None = None
        self._close_by_s = time.monotonic() + OPENS_WITHIN_S
        self._changed = threading.Condition()
        self._thread = threading.Thread(target=self._watch, args=(path, workers), name="replay", daemon=True)
        self._thread.start()
        with self._changed:
            self._changed.wait_for(lambda: self.state.clock_s or self._outcome)
        self._raise_if_over()

    @property
    def position_s(self) -> float:
        """The current place in the drive (s)."""
        state = self.state
        pace = parse_speed(state.speed)
        if not state.playing or pace is None:
            return state.place_s
        return min(state.place_s + (time.monotonic() - state.clock_s) * pace, self.duration_s)

    def play(self, speed: float | str | None = None) -> None:
        """Continue, at another speed if given. Raises InputError if the speed is not valid."""
        if speed is not None:
            parse_speed(speed)
        self._order("play", speed)

    def pause(self) -> None:
        """Pause the replay."""
        self._order("pause")

    def go_to(self, time_s: float) -> None:
        """Go to a place (s) in the drive, at most to one of its ends. The board restarts.

        Raises InputError if it is no time.
        """
        if not math.isfinite(time_s):
            raise problem("no_time", text=str(time_s))
        self._order("go_to", time_s)

    def close(self) -> None:
        """End the replay."""
        with self._changed:
            self._close_by_s = time.monotonic() + ENDS_WITHIN_S
            self._send(0, "close")
        self._thread.join(2 * ENDS_WITHIN_S)

    # ------------------------------------------------------------------ the worker
    def _order(self, *words: Any) -> None:
        """Send an order to the worker. Raises InputError if the replay has ended unexpectedly."""
        with self._changed:
            self._orders += 1
            number = self._orders
            self._send(number, *words)
            self._changed.wait_for(lambda: self.state.order >= number or self._outcome, _ANSWERS_WITHIN_S)
        self._raise_if_over()

    def _send(self, *order: Any) -> None:
        if self._worker is not None:
            with suppress(OSError):  # it has ended, as is seen from the outcome
                self._worker.order(*order)

    def _raise_if_over(self) -> None:
        if self._outcome is not None and self._outcome[0] in (FAILED, DIED):
            kind, text = self._outcome
            raise InputError(text) if kind == FAILED else problem("replay_stopped", how=text)

    def _watch(self, path: Path, workers: Workers) -> None:
        outcome = workers.do(play_drive, path, hear=self._hear, give_up=self._give_up, use=self._use)
        with self._changed:
            self._outcome = outcome
            self._changed.notify_all()

    def _use(self, worker: Worker | None) -> None:
        with self._changed:
            self._worker = worker

    def _give_up(self) -> str | None:
        return problem("replay_late").what if time.monotonic() > self._close_by_s else None

    def _hear(self, kind: str, *values: Any) -> None:
        if kind == "opened":
            self.start_s, self.duration_s, self.events = values
            self._close_by_s = math.inf
        elif kind == "begin":
            items, again = values
            self.board.reset()
            for item in items:
                self.board.accept(item)
            if again:
                self.guide.reset()
        elif kind == "state":
            with self._changed:
                (self.state,) = values
                self._changed.notify_all()
        else:
            view = self.board if kind == "show" else self.guide
            for item in values[0]:
                view.accept(item)


class Players:
    """The open replays, at most `most`; a replay without a request for a minute is closed."""

    def __init__(self, folder: Folder, workers: Workers, most: int = 6):
        self._folder, self._workers, self._most = folder, workers, most
        self._players: dict[str, Player] = {}
        self._lock = threading.Lock()
        self._closing = threading.Event()
        self._keeper: threading.Thread | None = None

    def open(self, name: str) -> Player:
        """A new player for a recording of the folder. Raises InputError where it cannot be read."""
        entry = self._folder.entry(name)
        if entry.kind == "foreign":
            raise problem("foreign", name)
        vehicle = self._folder.profile_of(entry)
        player = Player(name, self._folder.path(name), self._folder.profile(vehicle), self._workers)
        with self._lock:
            self._players[player.id] = player
            if self._keeper is None and not self._closing.is_set():
                # Also when no page asks any more: a replay holds the whole trace.
                self._keeper = threading.Thread(target=self._keep, name="replays", daemon=True)
                self._keeper.start()
        self._close_unseen()
        return player

    def get(self, player_id: str) -> Player | None:
        """The player with this id, which counts as a request; None if it was closed."""
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
        for player in gone:
            player.close()
        if self._keeper is not None:
            self._keeper.join(timeout=5.0)

    def _keep(self) -> None:
        while not self._closing.wait(_LOOK_ROUND_S):
            self._close_unseen()

    def _close_unseen(self) -> None:
        now = time.monotonic()
        with self._lock:
            by_age = sorted(self._players.values(), key=lambda p: p.seen_s)
            late = len(by_age) - self._most
            gone = [p for i, p in enumerate(by_age) if now - p.seen_s > UNSEEN_S or i < late]
            for player in gone:
                del self._players[player.id]
        for player in gone:
            player.close()
