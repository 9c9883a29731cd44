"""Serve one port: read lines, send answers at their times, and apply faults of the port itself."""

from __future__ import annotations

import time
from collections.abc import Callable

from camlog.errors import InputError
from camlog.simulate.adapter.elm import Interpreter
from camlog.simulate.adapter.settings import RESET_BELOW_V
from camlog.simulate.adapter.timing import Reply
from camlog.simulate.adapter.transport import Port

RETURN, LINEFEED = 0x0D, 0x0A
_TICK_S = 0.02  # interval at which the vehicle is advanced and faults are checked
_SPIN_S = 0.0005  # the resolution of the operating system's sleep


class Session:
    """Serves one port until `stopping` is set. `clock` gives seconds; the adapter was started at `origin_s`.
    `interpreter` makes a new adapter, as after its supply is switched on."""

    def __init__(self, port: Port, interpreter: Callable[[], Interpreter], clock: Callable[[], float], origin_s: float):
        self.port = port
        self.stopping = False
        self._fresh = interpreter
        self._adapter = interpreter()
        self._faults = self._adapter.faults
        self._clock = clock
        self._origin_s = origin_s
        self._checked_s = -1.0
        self._line = bytearray()
        self._waiting = bytearray()  # characters not processed yet
        self._supply_is_low = False
        self._hung_logged: float | None = None

    def _now(self) -> float:
        return self._clock() - self._origin_s

    def run(self) -> None:
        """Serve the (open) port; closes it at the end."""
        try:
            while not self.stopping:
                self._strike()
                if self.port.wait(0.0 if self._waiting else _TICK_S):
                    self._waiting += self.port.read()
                arrived_s = self._now()
                if self._hung():
                    self._waiting.clear()
                elif self._waiting:
                    self._read_line(arrived_s)
                else:
                    self._adapter.vehicle.keep_up(self._now())
                    self._watch_supply()
        finally:
            self.port.close()

    def _read_line(self, arrived_s: float) -> None:
        """Process the received characters up to the end of one line, and execute it."""
        adapter = self._adapter
        while self._waiting:
            byte = self._waiting.pop(0)
            if adapter.asleep:
                self._waiting.clear()  # characters received while it wakes up are lost
                self._print(adapter.wake(arrived_s))
                return
            if byte == LINEFEED and not self._line:
                continue
            ended = byte == RETURN
            if adapter.settings.echo:
                self.port.write(adapter.settings.line_end.encode() if ended else bytes((byte,)))
            if not ended:
                self._line.append(byte)
                continue
            text, size = self._line.decode("latin-1"), len(self._line) + 1
            self._line.clear()
            # The characters came all at once here; over a real line the last one arrives this much later.
            self._print(adapter.execute(text, arrived_s + adapter.timing.serial_s(size)))
            return

    # ------------------------------------------------------------- output

    def _print(self, reply: Reply) -> None:
        for chunk in reply.chunks:
            if not self._wait_until(chunk.at_s, reply):
                return
            self.port.write(chunk.data)
        while reply.forever and self._wait_until(self._now() + 1.0, reply):
            pass

    def _wait_until(self, at_s: float, reply: Reply) -> bool:
        """Wait until `at_s`; False if an interruption or a fault ended the answer."""
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
            if self._strike() or self._hung(cut=True):
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
        del self._waiting[0]  # the interrupting character is lost
        return True

    # ------------------------------------------------------------- faults of port and adapter

    def _strike(self) -> bool:
        """Apply faults that begin now; True if they ended the adapter's present action."""
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
            except InputError:  # another program has the port at the moment
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
        """Restart when the vehicle's supply falls too low (cranking), once each time."""
        if self._faults.active(self._now(), ("low_voltage",)):
            return
        is_low = self._adapter.vehicle.supply_v(self._now()) < RESET_BELOW_V
        if is_low and not self._supply_is_low:
            self._restart("LV RESET")
        self._supply_is_low = is_low
