"""One plug being served: lines in, answers out at their times, and faults that strike the port itself."""

from __future__ import annotations

import time
from collections.abc import Callable

from camlog.errors import InputError
from camlog.simulate.adapter.elm import Interpreter, Reply
from camlog.simulate.adapter.faults import FaultSchedule
from camlog.simulate.adapter.timing import TimingModel
from camlog.simulate.adapter.transport import Port

RETURN, LINEFEED = 0x0D, 0x0A
_TICK_S = 0.02  # how often the vehicle is carried on and faults are looked for
_SPIN_S = 0.0005  # the operating system's sleep is not finer than this


class Session:
    """Serves one port until `stop` is set. `clock` gives seconds; `origin_s` is when the adapter was started.

    `interpreter` makes a fresh adapter state: the one after its supply came on.
    """

    def __init__(
        self,
        port: Port,
        interpreter: Callable[[], Interpreter],
        faults: FaultSchedule,
        timing: TimingModel,
        clock: Callable[[], float],
        origin_s: float,
    ):
        self.port = port
        self.stopping = False
        self._fresh = interpreter
        self._adapter = interpreter()
        self._faults = faults
        self._timing = timing
        self._clock = clock
        self._origin_s = origin_s
        self._checked_s = -1.0
        self._line = bytearray()
        self._waiting = bytearray()  # characters not looked at yet
        self._low = False
        self._hung_logged: float | None = None

    def _now(self) -> float:
        return self._clock() - self._origin_s

    def run(self) -> None:
        """Serve the (open) port; closes it at the end."""
        try:
            while not self.stopping:
                self._struck()
                if self.port.wait(0.0 if self._waiting else _TICK_S):
                    self._waiting += self.port.read()
                arrived_s = self._now()
                if self._hung():
                    self._waiting.clear()
                elif self._waiting:
                    self._take(arrived_s)
                else:
                    self._adapter.vehicle.keep_up(self._now())
                    self._watch_supply()
        finally:
            self.port.close()

    # ------------------------------------------------------------- input

    def _take(self, arrived_s: float) -> None:
        """Look at the characters that have come, up to the end of one line."""
        while self._waiting:
            byte = self._waiting.pop(0)
            if self._adapter.asleep:
                self._waiting.clear()  # what comes while it wakes up is lost
                self._print(self._adapter.wake(arrived_s))
                return
            if byte == LINEFEED and not self._line:
                continue
            if byte != RETURN:
                self._line.append(byte)
                if self._adapter.settings.echo:
                    self.port.write(bytes((byte,)))
                continue
            if self._adapter.settings.echo:
                self.port.write(self._adapter.settings.line_end.encode())
            text, size = self._line.decode("latin-1"), len(self._line) + 1
            self._line.clear()
            # The characters came at once here; over a real line the last one arrives this much later.
            self._print(self._adapter.execute(text, arrived_s + self._timing.serial_s(size)))
            return

    # ------------------------------------------------------------- output

    def _print(self, reply: Reply) -> None:
        for chunk in reply.chunks:
            if not self._until(chunk.at_s, reply):
                return
            self.port.write(chunk.data)
        while reply.forever and self._until(self._now() + 1.0, reply):
            pass

    def _until(self, at_s: float, reply: Reply) -> bool:
        """Wait for a time; False where an interruption or a fault ended the answer."""
        while not self.stopping:
            if reply.interruptible and self._interrupted():
                self.port.write(self._adapter.stopped())
                return False
            left = at_s - self._now()
            if left <= 0:
                return True
            if left <= _SPIN_S:
                time.sleep(0)
                continue
            if self._struck() or self._hung(cut=True):
                return False
            if self.port.wait(min(left - _SPIN_S, _TICK_S)):
                came = self.port.read()
                if not reply.deaf:
                    self._waiting += came
        return False

    def _interrupted(self) -> bool:
        while self._waiting and self._waiting[0] == LINEFEED:
            del self._waiting[0]
        if not self._waiting:
            return False
        del self._waiting[0]  # the character that interrupts is lost
        return True

    # ------------------------------------------------------------- faults of port and adapter

    def _struck(self) -> bool:
        """Carry out faults that begin now; True where they ended whatever the adapter was doing."""
        now_s, since_s = self._now(), self._checked_s
        self._checked_s = now_s
        unplugged = self._faults.active(now_s, ("unplugged",))
        if unplugged is not None:
            self._faults.met(now_s, "unplugged")
            self._unplug(unplugged.end_s)
            return True
        begun = self._faults.begun(since_s, now_s, ("reset", "low_voltage"))
        for fault in begun:
            self._faults.met(now_s, fault.kind)
            self._restart("LV RESET" if fault.kind == "low_voltage" else None)
        return bool(begun)

    def _restart(self, message: str | None = None) -> None:
        self._line.clear()
        self._waiting.clear()
        for chunk in self._adapter.restart(self._now(), message).chunks:
            self.port.write(chunk.data)

    def _unplug(self, until_s: float) -> None:
        self.port.close()
        while not self.stopping and self._now() < until_s:
            time.sleep(min(_TICK_S, max(0.0, until_s - self._now())))
        self._line.clear()
        self._waiting.clear()
        self._adapter = self._fresh()
        while not self.stopping:
            try:
                self.port.open()
                return
            except InputError:  # somebody else has the place just now
                time.sleep(_TICK_S)

    def _hung(self, cut: bool = False) -> bool:
        """True while the port is dead; logged once a fault, when it swallows input or cuts an answer."""
        fault = self._faults.active(self._now(), ("hung",))
        if fault is None:
            return False
        if (cut or self._waiting) and self._hung_logged != fault.start_s:
            self._hung_logged = fault.start_s
            self._faults.met(self._now(), "hung")
        return True

    def _watch_supply(self) -> None:
        """Restart when the vehicle's own supply falls too low (cranking), once for each time it does."""
        if self._faults.active(self._now(), ("low_voltage",)):
            return
        low = self._adapter.vehicle.supply_v(self._now()) < self._adapter.traits.reset_below_v
        if low and not self._low:
            self._restart("LV RESET")
        self._low = low
