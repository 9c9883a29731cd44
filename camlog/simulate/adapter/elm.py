"""The adapter's command interpreter: one line in, what is printed and when out.

Lines that begin with AT set the adapter up; hexadecimal digits are a request to the vehicle, an odd last
digit the number of answer lines after which to stop waiting; a bare carriage return repeats the line before.
"""

from __future__ import annotations

import re
import string
from dataclasses import dataclass, field

from camlog.simulate.adapter import commands
from camlog.simulate.adapter.buses import BUSES, Bus
from camlog.simulate.adapter.faults import FaultSchedule
from camlog.simulate.adapter.isotp import Reassembler
from camlog.simulate.adapter.settings import AUTOMATIC, Settings
from camlog.simulate.adapter.timing import SerialLine, TimingModel
from camlog.simulate.adapter.traits import AdapterTraits
from camlog.simulate.adapter.vehicle_side import VehicleSide

_IGNORED = re.compile(r"[\x00-\x20]")
_HEX_DIGITS = frozenset(string.hexdigits)
_MAX_LINE = 127  # characters the input buffer holds


@dataclass(frozen=True, slots=True)
class Chunk:
    """Bytes of which the last has left the adapter at `at_s`, seconds since its start."""

    at_s: float
    data: bytes


@dataclass(frozen=True, slots=True)
class Reply:
    """What one line makes the adapter print. `interruptible`: any character ends it with STOPPED.

    `forever`: it ends only so. `deaf`: characters that come meanwhile are lost.
    """

    chunks: tuple[Chunk, ...] = ()
    interruptible: bool = False
    forever: bool = False
    deaf: bool = False


@dataclass
class Interpreter:
    """One adapter's state. Times are seconds since the adapter was started."""

    vehicle: VehicleSide
    traits: AdapterTraits
    timing: TimingModel
    faults: FaultSchedule
    settings: Settings = field(default_factory=Settings)
    active: Bus | None = None
    asleep: bool = False
    last: str | None = None
    bus_free_s: float = 0.0
    previous_line: str = ""
    incoming: Reassembler = field(default_factory=Reassembler)
    _kept_protocol: str = AUTOMATIC

    # ------------------------------------------------------------- one line

    def execute(self, line: str, at_s: float) -> Reply:
        """What the adapter does with a line that ended (carriage return received) at `at_s`."""
        text = _IGNORED.sub("", line).upper()
        if not text:
            if self.last is None or not self.traits.repeats_on_return:
                return self.say([], at_s)
            text = self.last
        self.last = text
        if len(text) > _MAX_LINE:
            return self.say(commands.UNKNOWN, at_s)
        if text.startswith("AT"):
            return self._command(text[2:], at_s)
        if set(text) <= _HEX_DIGITS:
            return self._request(text, at_s)
        return self.say(commands.UNKNOWN, at_s)

    def say(self, lines: list[str], at_s: float) -> Reply:
        """Lines and the prompt, each leaving when the serial line has room for it."""
        serial, end = SerialLine(self.timing), self.settings.line_end
        chunks = []
        for text in lines:
            chunks.append(Chunk(serial.put(len(text) + len(end), at_s), (text + end).encode("latin-1")))
        chunks.append(self.prompt(serial, at_s))
        return Reply(tuple(chunks))

    def prompt(self, serial: SerialLine, at_s: float) -> Chunk:
        """The empty line and the prompt character that end every answer."""
        text = self.settings.line_end + ">"
        return Chunk(serial.put(len(text), at_s), text.encode())

    def stopped(self) -> bytes:
        """What is printed when a character interrupts an answer."""
        end = self.settings.line_end
        return f"STOPPED{end}{end}>".encode()

    def wake(self, at_s: float) -> Reply:
        """Leave low power: the version line; settings are kept, but nothing is left to repeat."""
        self.asleep, self.last = False, None
        return self.say([self.traits.banner], at_s)

    # ------------------------------------------------------------- commands

    def _command(self, text: str, at_s: float) -> Reply:
        if text in commands.SPECIAL and text not in self.traits.unknown_commands:
            return self._special(text, at_s)
        found = commands.find(text)
        if found is None or found[0].name in self.traits.unknown_commands:
            return self.say(commands.UNKNOWN, at_s)
        command, match = found
        end = self.settings.line_end  # ATL changes the next answer's line ends, not its own
        reply = self.say(command.action(self, match, at_s), at_s)
        if self.settings.line_end != end and command.name != "D":
            reply = self.say(["OK"], at_s)
        return reply

    def _special(self, text: str, at_s: float) -> Reply:
        if text == "LP":
            self.asleep = True
            return Reply((Chunk(at_s + self.timing.serial_s(3), b"OK\r"),))
        if text == "MA":
            # Nobody but the adapter talks on a diagnostic bus: silence until a character comes.
            return Reply((), interruptible=True, forever=True)
        return self.restart(at_s + self.timing.reset_s)

    def restart(self, at_s: float, message: str | None = None) -> Reply:
        """Start anew at `at_s`: settings lost; a version line, or `message` in its place, and the prompt."""
        kept = self._kept_protocol
        self.restore_defaults()
        self._kept_protocol = kept
        self.set_protocol(kept, kept == AUTOMATIC, False)
        self.last, self.asleep = None, False
        end = self.settings.line_end
        text = f"{end}{end}{message or self.traits.banner}{end}{end}>"
        return Reply((Chunk(at_s + self.timing.serial_s(len(text)), text.encode()),), deaf=True)

    def restore_defaults(self) -> None:
        """Every setting back to its default; the protocol in use stays unless it was found automatically."""
        self.settings = Settings()
        self.disconnect()

    def set_protocol(self, number: str, automatic: bool, keep: bool) -> None:
        """Choose a protocol, to be used or searched from with the next request; `keep` over resets."""
        self.settings.protocol, self.settings.automatic = number, automatic
        if keep:
            self._kept_protocol = number
        self.disconnect()

    def disconnect(self) -> None:
        """Close the bus; the next request opens it again."""
        self.active = None
        self.incoming = Reassembler()

    def open_bus(self, bus: Bus, at_s: float) -> str:
        """Try the initialisation sequence of an older bus; the line it prints."""
        if bus is self.vehicle.bus and self.vehicle.awake(at_s):
            self.active = bus
            return f"BUS INIT: {bus.init_dots}OK"
        return f"BUS INIT: {bus.init_dots}ERROR"

    # ------------------------------------------------------------- requests

    def _request(self, digits: str, at_s: float) -> Reply:
        from camlog.simulate.adapter.exchange import Exchange

        count = None
        if len(digits) % 2:
            if self.traits.response_count == "unknown":
                return self.say(commands.UNKNOWN, at_s)
            if self.traits.response_count == "yes":
                count = int(digits[-1], 16) or None
            digits = digits[:-1]
        data = bytes.fromhex(digits)
        if not 1 <= len(data) <= self._longest():
            return self.say(commands.UNKNOWN, at_s)
        return Exchange(self, data, count, at_s).reply()

    def _longest(self) -> int:
        bus = self.active or BUSES.get(self.settings.protocol) or self.vehicle.bus
        if bus.is_can:
            return 7 if self.settings.auto_format else 8
        return 7
