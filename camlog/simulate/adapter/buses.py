"""The diagnostic buses: addressing, framing and timing of modules on each. Numbers are those of the adapter command set
("protocol 6" and so on). CAN is ISO 15765-4; the older buses are SAE J1850, ISO 9141-2 and ISO 14230-4. Times and
header bytes are from memory of these standards."""

from __future__ import annotations

from dataclasses import dataclass

FUNCTIONAL_11BIT, FUNCTIONAL_29BIT = 0x7DF, 0x18DB33F1
PHYSICAL_11BIT, PHYSICAL_29BIT = 0x7E0, 0x18DA00F1
RESPONSE_11BIT, RESPONSE_29BIT = 0x7E8, 0x18DAF100
TESTER = 0xF1
# Module addresses in the order modules are numbered here: engine, transmission, then others.
MODULE_ADDRESSES = (0x10, 0x18, 0x28, 0x29, 0x58, 0x60, 0x40, 0x50)
FUNCTIONAL = -1  # the module number that stands for all modules

MAX_MESSAGE_BYTES = 4095
PADDING = 0x00  # fills CAN frames to eight bytes
# First two header bytes of an answer on an older bus, by bus and by whether the request was to one module only.
_ISO, _KWP = (0x48, 0x6B), (0x80, TESTER)
HEADERS = {
    ("1", False): (0x41, 0x6B), ("1", True): (0xC4, TESTER), ("2", False): _ISO, ("2", True): (0x6C, TESTER),
    ("iso", False): _ISO, ("iso", True): _ISO, ("kwp", False): _KWP, ("kwp", True): _KWP,
}  # fmt: skip

_CAN_STUFFED_BITS = {11: 122, 29: 146}  # an eight-byte frame with its gap and typical bit stuffing
_OVERHEAD_BYTES = 4  # header and checksum on an older bus


@dataclass(frozen=True, slots=True)
class Bus:
    """One bus: `number` in the command set, `name` as an adapter prints it, `family` can|j1850|iso|kwp.

    `byte_s` is the time of a byte on an older bus, `request_gap_s` the tester's pause between request bytes (P4),
    `answer_s` the least time until a module's answer (P2), `idle_s` the least time from an answer to the next request
    (P3), `init_s` the time to open the bus, `init_dots` the text printed meanwhile."""

    number: str
    name: str
    family: str
    header: int
    id_bits: int = 0
    bit_rate: int = 10_400
    byte_s: float = 0.0
    request_gap_s: float = 0.0
    answer_s: float = 0.0
    idle_s: float = 0.0
    init_s: float = 0.0
    init_dots: str = ""

    @property
    def is_can(self) -> bool:
        return self.family == "can"

    @property
    def needs_init(self) -> bool:
        return self.family in ("iso", "kwp")

    def frame_s(self, data_bytes: int) -> float:
        """Time (s) of one frame on the bus; `data_bytes` matters on older buses only."""
        if self.is_can:
            return _CAN_STUFFED_BITS[self.id_bits] / self.bit_rate
        return (data_bytes + _OVERHEAD_BYTES) * self.byte_s

    def request_s(self, data_bytes: int) -> float:
        """Time (s) of a request with `data_bytes` on the bus."""
        gaps = 0 if self.is_can else data_bytes + _OVERHEAD_BYTES - 1
        return self.frame_s(data_bytes) + gaps * self.request_gap_s


def _can(number: str, name: str, id_bits: int, bit_rate: int) -> Bus:
    header = FUNCTIONAL_11BIT if id_bits == 11 else FUNCTIONAL_29BIT
    return Bus(number, name, "can", header, id_bits, bit_rate)


def _older(number: str, name: str, family: str, header: int, init_s: float, dots: str = "") -> Bus:
    return Bus(
        number, name, family, header, byte_s=10 / 10_400, request_gap_s=0.005, answer_s=0.025, idle_s=0.055,
        init_s=init_s, init_dots=dots,
    )  # fmt: skip


BUSES: dict[str, Bus] = {
    bus.number: bus
    for bus in (
        # SAE J1850 allows a module 0 to 100 ms; 20 ms is common practice, no source.
        Bus("1", "SAE J1850 PWM", "j1850", 0x616AF1, byte_s=8 / 41_600, answer_s=0.020),
        Bus("2", "SAE J1850 VPW", "j1850", 0x686AF1, byte_s=8 / 10_400, answer_s=0.020),
        _older("3", "ISO 9141-2", "iso", 0x686AF1, 2.4, "..."),
        _older("4", "ISO 14230-4 (KWP 5BAUD)", "kwp", 0xC033F1, 2.4, "..."),
        _older("5", "ISO 14230-4 (KWP FAST)", "kwp", 0xC033F1, 0.3),
        _can("6", "ISO 15765-4 (CAN 11/500)", 11, 500_000),
        _can("7", "ISO 15765-4 (CAN 29/500)", 29, 500_000),
        _can("8", "ISO 15765-4 (CAN 11/250)", 11, 250_000),
        _can("9", "ISO 15765-4 (CAN 29/250)", 29, 250_000),
    )
}


def addressed(bus: Bus, header: int) -> int | None:
    """The number of the module that a request header addresses; FUNCTIONAL for all, None for none."""
    if bus.id_bits == 11:
        module = header - PHYSICAL_11BIT
        if header == FUNCTIONAL_11BIT:
            return FUNCTIONAL
        return module if 0 <= module < len(MODULE_ADDRESSES) else None
    address = header >> 8 & 0xFF
    if header == FUNCTIONAL_29BIT if bus.is_can else address in (0x6A, 0x33):
        return FUNCTIONAL
    if bus.is_can and header & 0x1FFF00FF != PHYSICAL_29BIT:
        return None
    return MODULE_ADDRESSES.index(address) if address in MODULE_ADDRESSES else None


def module_of_header(header: int) -> int | None:
    """The number of the module for a profile's `request_header`, 11 or 29 bits; None for none."""
    if header in (FUNCTIONAL_11BIT, FUNCTIONAL_29BIT):
        return 0
    return addressed(BUSES["6" if header <= 0x7FF else "7"], header)


def response_id(bus: Bus, module: int) -> int:
    """CAN identifier with which a module answers."""
    return RESPONSE_11BIT + module if bus.id_bits == 11 else RESPONSE_29BIT | MODULE_ADDRESSES[module]


def ecu_name(module: int) -> str:
    """A module's name in records of trouble codes: its 11-bit response identifier."""
    return f"{RESPONSE_11BIT + module:X}"


def is_first(frame: bytes) -> bool:
    return frame[0] >> 4 == 1


def frames_of(
    bus: Bus, module: int, message: bytes, physical: bool, padding: int | None = None
) -> list[tuple[bytes, int, int]]:
    """The frames of a module's message, each with the start and end of its part of the data. `physical`: the request
    was to that module only; `padding` fills CAN frames to eight bytes."""
    if not bus.is_can:
        frame = legacy_answer(bus, module, message, physical)
        return [(frame, 3, len(frame) - 1)]
    framed, left = [], len(message)
    for frame in segments(message, padding):
        begins = 2 if is_first(frame) else 1
        ends = min(len(frame), begins + left)
        left -= ends - begins
        framed.append((frame, begins, ends))
    return framed


def segments(message: bytes, padding: int | None = None) -> list[bytes]:
    """A message in frames of classic CAN (ISO 15765-2), for a receiver that requests all further frames at once.

    Tests compare it with the can-isotp library, which is too slow here (milliseconds, while a module answers in eight).
    Raises ValueError for an empty message or one over 4095 bytes."""
    if not 1 <= len(message) <= MAX_MESSAGE_BYTES:
        raise ValueError(f"a message has 1 to {MAX_MESSAGE_BYTES} bytes, not {len(message)}")
    if len(message) <= 7:
        frames = [bytes((len(message),)) + message]
    else:
        frames = [(0x1000 | len(message)).to_bytes(2, "big") + message[:6]]
        rest = enumerate(range(6, len(message), 7), 1)
        frames += [bytes((0x20 | number & 0xF,)) + message[at : at + 7] for number, at in rest]
    return [frame if padding is None else frame.ljust(8, bytes((padding,))) for frame in frames]


def legacy_answer(bus: Bus, module: int, data: bytes, physical: bool) -> bytes:
    """A whole answer on an older bus: three header bytes, data, checksum."""
    first, second = HEADERS[bus.number if bus.family == "j1850" else bus.family, physical]
    if bus.family == "kwp":
        first |= len(data) & 0x3F
    header = bytes((first, second, MODULE_ADDRESSES[module]))
    return header + data + bytes((checksum(bus, header + data),))


def checksum(bus: Bus, message: bytes) -> int:
    """The byte that ends a message: a CRC on SAE J1850, the sum modulo 256 on ISO 9141-2 and ISO 14230."""
    if bus.family != "j1850":
        return sum(message) & 0xFF
    crc = 0xFF
    for byte in message:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x1D if crc & 0x80 else crc << 1) & 0xFF
    return crc ^ 0xFF
