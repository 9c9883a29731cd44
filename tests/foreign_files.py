"""Foreign files for the tests of conversion: the corpus, ways to damage it, and what any result must keep
to."""

from __future__ import annotations

import gzip
import io
import math
import random
import re
import tomllib
import zipfile
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from camlog.convert import Conversion
from camlog.trace import Trace

FOLDER = Path(__file__).parent / "foreign"
_NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?", re.ASCII)
_ENCODINGS = ("utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1")


@dataclass(frozen=True)
class Expected:
    """What `expected.toml` says of one file; see there."""

    name: str
    shows: str
    time_s: list[float] = field(default_factory=list)
    signals: dict[str, list[float]] = field(default_factory=dict)
    doubtful: dict[str, list[str]] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    started_at: str | None = None
    stored_codes: list[str] | None = None
    remarks: list[str] = field(default_factory=list)
    refused: str = ""
    line: int | None = None

    @property
    def path(self) -> Path:
        return FOLDER / self.name


def corpus() -> list[Expected]:
    """Every file of the corpus with what is expected of it."""
    return [Expected(**item) for item in tomllib.loads((FOLDER / "expected.toml").read_text("utf-8"))["file"]]


def seeds() -> list[bytes]:
    """The contents of the corpus, archives left out."""
    return [e.path.read_bytes() for e in corpus() if e.path.suffix not in (".zip", ".gz")]


def damaged(content: bytes, rng: random.Random) -> bytes:
    """The content truncated, with bits flipped, lines shuffled or repeated, bytes put in, or all of that."""
    content = bytearray(content)
    for _ in range(rng.randint(1, 3)):
        kind = rng.randrange(6)
        at = rng.randrange(len(content) + 1)
        if kind == 0:
            del content[at:]
        elif kind == 1:
            for _ in range(rng.randint(1, 8) if content else 0):
                content[rng.randrange(len(content))] ^= 1 << rng.randrange(8)
        elif kind == 2:
            lines = content.split(b"\n")
            rng.shuffle(lines)
            content = bytearray(b"\n".join(lines))
        elif kind == 3:
            content[at:at] = bytes(rng.randrange(256) for _ in range(rng.randint(1, 12)))
        elif kind == 4:
            content[at:at] = rng.choice([b",", b";", b'"', b"'", b"\t", b"\r", b"\n\n", b"nan", b"1e999",
            b"-", b"\x00", b"\xff",
                                         b"True", b"0x10", b"1_0", b"now", b"99999999999999999999", b"  ",
                                         b"\xe2\x88\x92"])  # fmt: skip
        else:
            lines = content.split(b"\n")
            content = bytearray(b"\n".join(lines + lines[: rng.randint(0, len(lines))]))
    return bytes(content)


def numbers_in(content: bytes) -> set[float]:
    """Every number that stands in a file, however its decimals and thousands are written."""
    if content[:2] == b"\x1f\x8b":
        content = gzip.decompress(content)
    elif content[:4] == b"PK\x03\x04":
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            content = b"".join(archive.read(n) for n in archive.namelist())
    found: set[float] = set()
    for encoding in _ENCODINGS:
        try:
            text = content.decode(encoding, "replace").replace("−", "-")
        except UnicodeError:
            continue
        no_groups = re.sub(r"(?<=\d)[.,'’ \u00a0\u2009\u202f](?=\d{3}(?!\d))", "", text)
        for form in (text, text.replace(",", "."), no_groups, no_groups.replace(",", ".")):
            found.update(float(n) for n in _NUMBER.findall(form))
    return found


def foreign_values(conversion: Conversion, trace: Trace, known: set[float]) -> list[tuple[str, float]]:
    """Values of a written trace (read without conversion of units) that do not stand in the file."""
    return list(_strangers(conversion, trace, known))


def _strangers(conversion: Conversion, trace: Trace, known: set[float]) -> Iterable[tuple[str, float]]:
    for column in conversion.columns:
        if column.written_as in ("", "time"):
            continue
        for value in trace.columns[column.written_as].tolist():
            if math.isnan(value):
                continue
            source = (value - column.offset) / column.factor
            if source not in known and not any(math.isclose(source, k, rel_tol=1e-12) for k in known):
                yield column.name, value
