"""The keyboard while a drive runs: `m` marks, `q` or Ctrl-C ends, and the terminal is always given back."""

from __future__ import annotations

import atexit
import codecs
import os
import re
import select
import signal
import sys
import termios
import threading
import tty
from collections.abc import Callable

from camlog.stream import Event

MARKER_SETTLES_S = 20.0  # a marker whose text nobody finishes typing is kept as it is after this long
MARKER_LENGTH = 200
_TICK_S = 0.25
_ESCAPE_SEQUENCE = re.compile(r"\x1b[\[O][0-9;]*[ -/]*[@-~]")
_END_SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


class KeyReader:
    """Reads keys in a thread of its own between `with` and its end.

    | key | does |
    |---|---|
    | `m` | marks this moment; what is typed next is its text, Enter ends it, Esc takes the marker back |
    | `q` | ends the drive; so do Ctrl-C and a request to terminate. A second Ctrl-C does not wait |

    `clock` gives the time of the stream in seconds: a marker stands at the moment `m` was pressed,
    however long its text takes. `on_marker` receives each finished marker and `on_end` the wish to end,
    both in the reader's thread; without `on_marker`, `take_markers` returns what came. Without a
    terminal (`fd` None and standard input no terminal) only the signals are heard.
    """

    def __init__(
        self,
        clock: Callable[[], float],
        *,
        fd: int | None = None,
        on_marker: Callable[[Event], None] | None = None,
        on_end: Callable[[], None] | None = None,
    ):
        self._clock = clock
        self._fd = _standard_terminal() if fd is None else fd
        self._on_marker = on_marker
        self._on_end = on_end
        self._markers: list[Event] = []
        self._pressed_s = self._settles_s = 0.0
        self._typing: str | None = None
        self._ending = self._leaving = False
        self._saved_mode: list | None = None
        self._saved_handlers: dict[int, object] = {}
        self._decoder = codecs.getincrementaldecoder("utf-8")(errors="replace")
        self._wake_read, self._wake_write = os.pipe()
        self._thread = threading.Thread(target=self._run, name="keys", daemon=True)

    @property
    def active(self) -> bool:
        """True where a keyboard is being read."""
        return self._saved_mode is not None

    @property
    def typing(self) -> str | None:
        """The text of a marker being typed, None where none is."""
        return self._typing

    @property
    def end_requested(self) -> bool:
        """True once `q`, Ctrl-C or a request to terminate came."""
        return self._ending

    def request_end(self) -> None:
        """Ask for the end, as `q` does. Safe in a signal handler."""
        self._ending = True
        os.write(self._wake_write, b".")

    def wait(self, seconds: float) -> bool:
        """Sleep, but no longer than until the end is asked for; True where it is."""
        if not self._ending and seconds > 0:
            select.select([self._wake_read], [], [], seconds)
        return self._ending

    def take_markers(self) -> list[Event]:
        """The markers finished since the last call."""
        taken = []
        while self._markers:
            taken.append(self._markers.pop(0))
        return taken

    def __enter__(self) -> KeyReader:
        if self._fd is not None:
            try:
                self._saved_mode = termios.tcgetattr(self._fd)
                tty.setcbreak(self._fd, termios.TCSANOW)
                atexit.register(self._restore)
            except (termios.error, OSError):
                self._saved_mode = None
        if threading.current_thread() is threading.main_thread():
            for number in _END_SIGNALS:
                if signal.getsignal(number) is not signal.SIG_IGN:  # as under nohup
                    self._saved_handlers[number] = signal.signal(number, self._on_signal)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._leaving = True
        os.write(self._wake_write, b".")
        self._thread.join()
        self._restore()
        atexit.unregister(self._restore)
        for number, handler in self._saved_handlers.items():
            signal.signal(number, handler)
        for fd in (self._wake_read, self._wake_write):
            os.close(fd)

    def _on_signal(self, number: int, _frame: object) -> None:
        if self._ending and number == signal.SIGINT:
            raise KeyboardInterrupt
        self.request_end()

    def _restore(self) -> None:
        if self._saved_mode is not None:
            try:
                termios.tcsetattr(self._fd, termios.TCSANOW, self._saved_mode)
            except (termios.error, OSError):
                pass  # the terminal is gone: nobody is left to type on it
            self._saved_mode = None

    # ------------------------------------------------------------------ the thread
    def _run(self) -> None:
        listening = self.active
        while not (self._ending or self._leaving):
            sources = [self._wake_read, self._fd] if listening else [self._wake_read]
            ready, _, _ = select.select(sources, [], [], _TICK_S if listening else None)
            if listening and self._fd in ready:
                try:
                    data = os.read(self._fd, 1024)
                except OSError:
                    data = b""
                listening = bool(data)
                for key in _keys(self._decoder.decode(data)):
                    self._key(key)
            elif listening:
                self._stay_in_mode()
            if self._typing is not None and self._clock() >= self._settles_s:
                self._finish_marker()
        if self._typing is not None:
            self._finish_marker()
        if self._ending and self._on_end:
            self._on_end()

    def _stay_in_mode(self) -> None:
        # Ctrl-Z and back leaves the terminal in the shell's mode. Set it again, but only from the
        # foreground: from the background the system would stop the program for it.
        try:
            mode = termios.tcgetattr(self._fd)
            if mode[3] & termios.ICANON and os.tcgetpgrp(self._fd) == os.getpgrp():
                tty.setcbreak(self._fd, termios.TCSANOW)
        except (termios.error, OSError):
            pass

    def _key(self, key: str) -> None:
        if self._typing is None:
            if key in "mM":
                self._pressed_s = self._clock()
                self._settles_s = self._pressed_s + MARKER_SETTLES_S
                self._typing = ""
            elif key in "qQ":
                self.request_end()
            return
        self._settles_s = self._clock() + MARKER_SETTLES_S
        if key in "\r\n":
            self._finish_marker()
        elif key == "\x1b":
            self._typing = None
        elif key in "\x7f\b":
            self._typing = self._typing[:-1]
        elif key.isprintable() and len(self._typing) < MARKER_LENGTH:
            self._typing += key

    def _finish_marker(self) -> None:
        marker = Event(self._pressed_s, "marker", (self._typing or "").strip())
        self._typing = None
        if self._on_marker:
            self._on_marker(marker)
        else:
            self._markers.append(marker)


def _keys(text: str) -> str:
    """The keys in what arrived at once; arrow and function keys are left out."""
    return _ESCAPE_SEQUENCE.sub("", text)


def _standard_terminal() -> int | None:
    try:
        return sys.stdin.fileno() if sys.stdin.isatty() else None
    except (AttributeError, OSError, ValueError):
        return None
