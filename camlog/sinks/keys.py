"""The keyboard while a drive runs: `m` marks, `q` or Ctrl-C ends. The terminal is always restored."""

from __future__ import annotations

import _thread
import atexit
import os
import signal
import sys
import threading
import time
from collections.abc import Callable
from contextlib import ExitStack
from typing import TYPE_CHECKING, Any, Self

from camlog.stream import Event

if TYPE_CHECKING:
    from prompt_toolkit.input import Input

MARKER_SETTLES_S = 20.0  # a marker whose text is not finished is kept as it is after this time
MARKER_LENGTH = 200
_TICK_S = 0.05
# Windows sends SIGBREAK for Ctrl-Break and for closing the window; other systems send SIGHUP.
_END_SIGNALS = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK") if hasattr(signal, name)]


class KeyReader:
    """A context manager that reads keys in its own thread.

    | key | does |
    |---|---|
    | `m` | marks this moment; what is typed next is its text, Enter ends it, Esc takes the marker back |
    | `q` | ends the drive; so do Ctrl-C and a request to terminate. A second Ctrl-C does not wait |

    `clock` gives the time of the stream (s); a marker has the time at which `m` was pressed, however long its text
    takes. `on_marker` is called with each finished marker and `on_end` with the request to end, both in the reader's
    thread; without `on_marker`, `take_markers` returns the markers. Without a terminal (`fd` None and standard input no
    terminal) only signals are handled."""

    def __init__(
        self,
        clock: Callable[[], float],
        *,
        fd: int | None = None,
        on_marker: Callable[[Event], None] | None = None,
        on_end: Callable[[], None] | None = None,
    ):
        self._clock, self._fd = clock, fd
        self._on_marker, self._on_end = on_marker, on_end
        self._markers: list[Event] = []
        self._pressed_s = self._settles_s = 0.0
        self._typing: str | None = None
        self._ending = self._leaving = False
        self._saved_handlers: dict[int, Any] = {}
        self._input: Input | None = None
        self._terminal = ExitStack()
        self._thread = threading.Thread(target=self._run, name="keys", daemon=True)

    @property
    def active(self) -> bool:
        return self._input is not None

    @property
    def typing(self) -> str | None:
        """The text of the marker being typed; None if none is."""
        return self._typing

    @property
    def end_requested(self) -> bool:
        """True after `q`, Ctrl-C or a request to terminate."""
        return self._ending

    def request_end(self) -> None:
        """Request the end, as `q` does. Safe in a signal handler."""
        self._ending = True

    def wait(self, seconds: float) -> bool:
        """Sleep until `seconds` are over or the end is requested; True if it is."""
        until_s = time.perf_counter() + seconds
        while not self._ending and (left_s := until_s - time.perf_counter()) > 0:
            time.sleep(min(left_s, _TICK_S))
        return self._ending

    def take_markers(self) -> list[Event]:
        markers = []
        while self._markers:
            markers.append(self._markers.pop(0))
        return markers

    def __enter__(self) -> Self:
        try:
            self._open_terminal()
        except Exception:  # noqa: BLE001 - a terminal of an unknown kind: no keys, but the drive is recorded
            self._terminal.close()
            self._input = None
        atexit.register(self._terminal.close)
        if threading.current_thread() is threading.main_thread():
            for number in _END_SIGNALS:
                if signal.getsignal(number) is not signal.SIG_IGN:  # as under nohup
                    self._saved_handlers[number] = signal.signal(number, self._on_signal)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._leaving = True
        self._thread.join()
        self._terminal.close()
        atexit.unregister(self._terminal.close)
        for number, handler in self._saved_handlers.items():
            signal.signal(number, handler)

    def _open_terminal(self) -> None:
        if self._fd is None and not (sys.stdin and sys.stdin.isatty()):
            return
        from prompt_toolkit.input import create_input

        stdin = sys.stdin
        if self._fd is not None:
            stdin = self._terminal.enter_context(os.fdopen(os.dup(self._fd), encoding="utf-8"))
        keyboard = create_input(stdin)
        self._terminal.enter_context(keyboard.raw_mode())
        self._input = keyboard

    def _on_signal(self, number: int, _frame: object) -> None:
        if self._ending and number == signal.SIGINT:
            raise KeyboardInterrupt
        self._ending = True

    # ------------------------------------------------------------------ the thread
    def _run(self) -> None:
        notified = False
        while not self._leaving:
            for name, text in self._keys():
                self._key(name, text)
            if self._typing is not None and (self._ending or self._clock() >= self._settles_s):
                self._finish_marker()
            if self._ending and not notified:
                notified = True
                if self._on_end:
                    self._on_end()
            time.sleep(_TICK_S)
        if self._typing is not None:
            self._finish_marker()

    def _keys(self) -> list[tuple[str, str]]:
        """The keys pressed, as name and text; Esc counts only if nothing follows it."""
        if self._input is None or self._input.closed:
            return []
        presses = self._input.read_keys() or self._input.flush_keys()
        return [(str(getattr(p.key, "value", p.key)), p.data) for p in presses]

    def _key(self, name: str, text: str) -> None:
        if name == "c-c":
            # Raised as the signal that a terminal in its normal mode sends, because only the main thread may handle it.
            _thread.interrupt_main(signal.SIGINT)
        elif self._ending:
            return
        elif self._typing is None:
            if name in ("m", "M"):
                self._pressed_s = self._clock()
                self._settles_s = self._pressed_s + MARKER_SETTLES_S
                self._typing = ""
            elif name in ("q", "Q"):
                self.request_end()
        else:
            self._typing = self._typed(self._typing, name, text)

    def _typed(self, so_far: str, name: str, text: str) -> str | None:
        """The text of a marker after one more key; None if the key ends it."""
        self._settles_s = self._clock() + MARKER_SETTLES_S
        if name in ("c-m", "c-j"):
            self._finish_marker()
            return None
        if name == "escape":
            return None
        if name == "c-h":
            return so_far[:-1]
        return so_far + text if name == text and text.isprintable() and len(so_far) < MARKER_LENGTH else so_far

    def _finish_marker(self) -> None:
        marker = Event(self._pressed_s, "marker", (self._typing or "").strip())
        self._typing = None
        if self._on_marker:
            self._on_marker(marker)
        else:
            self._markers.append(marker)
