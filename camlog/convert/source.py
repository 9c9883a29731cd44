"""Reads the bytes of a foreign file (plain, or the one file in a gzip or zip archive, counted while unpacked), finds
their encoding, and returns the text as lines in blocks of bounded size.

Nothing is ever unpacked to disk, and names inside an archive are only looked at.
"""

from __future__ import annotations

import codecs
import gzip
import hashlib
import io
import lzma
import re
import struct
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import IO, cast

from camlog.convert.formats import FORMATS, open_as_text
from camlog.convert.limits import (
    BLOCK_CHARACTERS,
    HEAD_CHARACTERS,
    MAX_ARCHIVE_MEMBERS,
    MAX_LINE_CHARACTERS,
    most_unpacked,
)  # fmt: skip
from camlog.convert.words import say
from camlog.errors import InputError, check_saved

_GZIP = b"\x1f\x8b"
_ZIP = (b"PK\x03\x04", b"PK\x05\x06", b"PK\x07\x08")
# Exceptions raised by the readers of archives for damaged bytes.
_DAMAGE = (
    zlib.error, gzip.BadGzipFile, zipfile.BadZipFile, lzma.LZMAError, struct.error, NotImplementedError,
    RuntimeError, ValueError,
)  # fmt: skip
_NO_ARCHIVE = (*_DAMAGE, OSError, EOFError, LookupError, OverflowError)
# First bytes of files that are no text, and the sentence that refuses each.
_OTHER_KINDS = {
    b"\xd0\xcf\x11\xe0": "old_workbook", b"BZh": "packed", b"\xfd7zXZ": "packed", b"7z\xbc\xaf\x27\x1c": "packed",
    b"Rar!": "packed", b"\x28\xb5\x2f\xfd": "packed", b"%PDF": "document", b"SQLite format 3": "database",
    b"PAR1": "parquet",
    b"MDF     ": "mdf", b"\x89PNG": "picture", b"\xff\xd8\xff": "picture", b"\x7fELF": "program", b"MZ\x90": "program",
}  # fmt: skip
# Names of files that common systems add to an archive.
_BESIDE = re.compile(r"(^|/)(__MACOSX/|\.DS_Store$|Thumbs\.db$|desktop\.ini$|\._)")
_OUTSIDE = re.compile(r"^[/\\]|^[A-Za-z]:|(^|[/\\])\.\.([/\\]|$)|[\x00-\x1f]")


class Source(io.RawIOBase):
    """The unpacked bytes of a file, as a raw stream.

    `fraction` is the share of the file on disk that was read, `warnings` are remarks on the file. Reading raises
    InputError if an archive is damaged or unpacks to far too many bytes.
    """

    def __init__(self, path: Path, stream: IO[bytes], disk: IO[bytes], size: int, packed_bytes: int | None):
        self.path = path
        self.warnings: list[str] = []
        self._disk, self._size, self._packed_bytes = disk, size, packed_bytes
        # read1 returns the bytes unpacked before a cut, which would otherwise be lost with the error.
        self._read_some = getattr(stream, "read1", stream.read)
        self._unpacked = 0
        self._ended = False

    @property
    def fraction(self) -> float:
        return min(1.0, self._disk.tell() / self._size) if self._size and not self._disk.closed else 1.0

    def readable(self) -> bool:
        return True

    def readinto(self, buffer) -> int:
        if self._ended:
            return 0
        try:
            data = self._read_some(len(buffer))
        except EOFError:
            self._ended = True
            self.warnings.append(say("archive_cut"))
            return 0
        except _DAMAGE as error:
            raise say.error("archive_damaged", file=self.path, error=str(error)[:80]) from error
        except OSError as error:
            raise unreadable(self.path, error) from error
        self._unpacked += len(data)
        if self._packed_bytes is not None and self._unpacked > most_unpacked(self._packed_bytes):
            raise say.error("archive_bomb", file=self.path, megabytes=self._unpacked >> 20)
        buffer[: len(data)] = data
        return len(data)


def unreadable(path: str | Path, error: Exception) -> InputError:
    """The error for a file that the system does not allow to read."""
    return say.error("unreadable", file=path, error=getattr(error, "strerror", None) or error)


@contextmanager
def open_source(path: str | Path) -> Iterator[Source]:
    """Open a file, or the one file in an archive, for reading its bytes.

    Raises InputError if there is no file, if it is no text, or if an archive has several files, a password, or names
    that lead outside it.
    """
    path = Path(path)
    check_saved(path)
    with ExitStack() as opened:
        try:
            disk = opened.enter_context(open(path, "rb"))
            start = disk.read(512)
            size = disk.seek(0, io.SEEK_END)
            disk.seek(0)
        except (OSError, ValueError) as error:
            raise unreadable(path, error) from error
        if not start:
            raise say.error("empty", file=path)
        kind = next((kind for magic, kind in _OTHER_KINDS.items() if start.startswith(magic)), None)
        kind = "workbook" if start.startswith(_ZIP) and _is_workbook(disk) else kind
        stream: IO[bytes] = disk
        packed = None
        if kind in FORMATS:
            stream = opened.enter_context(open_as_text(path, kind))
        elif kind is not None:
            raise say.error(kind, file=path)
        elif start.startswith(_GZIP):
            stream, packed = opened.enter_context(cast(IO[bytes], gzip.open(disk))), size
        elif start.startswith(_ZIP):
            try:
                archive = opened.enter_context(zipfile.ZipFile(disk))
                member = _only_member(path, archive.infolist())
                stream, packed = opened.enter_context(archive.open(member)), member.compress_size
            except _NO_ARCHIVE as error:
                reason = " ".join(str(error).split())[:80]
                raise say.error("archive_unreadable", file=path, error=reason) from error
        yield Source(path, stream, disk, size, packed)


def _is_workbook(disk: IO[bytes]) -> bool:
    try:
        names = [m.filename for m in zipfile.ZipFile(disk).infolist()[:MAX_ARCHIVE_MEMBERS]]
    except _NO_ARCHIVE:
        names = []
    disk.seek(0)
    return "[Content_Types].xml" in names or "mimetype" in names


def _only_member(path: Path, members: list[zipfile.ZipInfo]) -> zipfile.ZipInfo:
    for member in members:
        # The name as stored in the file, because the reader of archives corrects some names.
        if _OUTSIDE.search(member.filename) or _OUTSIDE.search(member.orig_filename):
            raise say.error("archive_outside", file=path, name=ascii(member.orig_filename[:60]))
    files = [m for m in members if not m.is_dir() and not _BESIDE.search(m.filename)]
    if len(files) != 1:
        raise say.error("archive_of_several" if files else "archive_of_none", file=path, count=len(files))
    if files[0].flag_bits & 0x1:
        raise say.error("archive_locked", file=path)
    return files[0]


def sha256_of(path: str | Path) -> str:
    """SHA-256 of a file on disk, in hexadecimal. Raises InputError if it cannot be read."""
    try:
        with open(path, "rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise unreadable(path, error) from error


_MARKS = {
    codecs.BOM_UTF8: "utf-8-sig", codecs.BOM_UTF32_LE: "utf-32", codecs.BOM_UTF32_BE: "utf-32",
    codecs.BOM_UTF16_LE: "utf-16", codecs.BOM_UTF16_BE: "utf-16",
}  # fmt: skip
_SAMPLE_BYTES = 1 << 16
# The code pages that charset detection may return.
_CODE_PAGES = """
cp1252 cp1250 cp1251 cp1254 iso8859_2 iso8859_5 mac_roman cp437 cp850 shift_jis cp932 gb18030 big5 cp949 euc_jp
""".split()
# Characters usual in headings and units; a text without others is Latin-1 or its superset.
_USUAL = re.compile(r"[\x00-\x7f°º²³µ·±×÷½«»€–—…‘’“”ÄÖÜäöüßÀÂÇÈÉÊËÎÏÔÙÛàâçèéêëîïôùûÁÍÓÚÑáíóúñ¿¡ÅåÆæØøÃãÕõìòÌÒ\xa0]*\Z")
_CONTROL = re.compile(r"[\x00-\x08\x0e-\x1f\x7f]")


def detect_encoding(sample: bytes) -> str | None:
    """The name of the encoding of a text that begins with `sample`; None if it is no text.

    It tries byte order marks, then the zeros of UTF-16, then strict UTF-8, then charset-normalizer. Latin-1's superset
    is preferred if it explains every character.
    """
    for mark, name in _MARKS.items():
        if sample.startswith(mark):
            return name
    if b"\x00" in sample:
        even, odd = (2 * sample[start::2].count(0) / len(sample) for start in (0, 1))
        if odd > 0.3 and even < 0.05:
            return "utf-16-le"
        return "utf-16-be" if even > 0.3 and odd < 0.05 else None
    try:
        codecs.getincrementaldecoder("utf-8")().decode(sample)
        return "utf-8"
    except UnicodeDecodeError:
        pass
    if _USUAL.match(sample.decode("cp1252", "replace")):
        return "cp1252"
    import charset_normalizer  # slow to import, so only for unusual encodings

    # Lines with ASCII only are no evidence and cost time.
    lines = [line for line in sample.split(b"\n") if not line.isascii()]
    best = charset_normalizer.from_bytes(b"\n".join(lines)[:8192], cp_isolation=_CODE_PAGES).best()
    return best.encoding if best is not None else "cp1252"


class TextBlocks:
    """A foreign file as text with `\\n` line ends.

    `head` is its beginning (complete lines if there are any), `encoding` its encoding. Raises InputError if it is no
    text or a line has no end.
    """

    def __init__(self, source: Source, encoding: str | None = None):
        self.path, self.source = source.path, source
        raw = io.BufferedReader(source, 1 << 18)
        sample = raw.peek(_SAMPLE_BYTES)[:_SAMPLE_BYTES]
        if sample[257:262] == b"ustar":
            raise say.error("archive_of_files", file=self.path)
        if not sample:
            raise say.error("empty", file=self.path)
        self.encoding = encoding or detect_encoding(sample) or ""
        if not self.encoding:
            raise say.error("no_text", file=self.path)
        self._text = io.TextIOWrapper(raw, encoding=self.encoding, errors="replace", newline=None)
        self._pending = self._read(HEAD_CHARACTERS)
        self.head = self._pending[: self._pending.rfind("\n") + 1] or self._pending
        start = self.head[:20000]
        if len(_CONTROL.findall(start)) > 0.02 * len(start) or start.count("\ufffd") > 0.05 * len(start):
            raise say.error("no_text", file=self.path)
        if not start.strip():
            raise say.error("blank", file=self.path)

    def _read(self, characters: int) -> str:
        try:
            return self._text.read(characters)
        except UnicodeError as error:
            raise say.error("not_encoded_so", file=self.path, encoding=self.encoding) from error

    def blocks(self) -> Iterator[tuple[int, str]]:
        """(line number of its first line from 1, text) of each block of whole lines, from the file's start.

        Every line except the file's last has a line end.
        """
        line, kept, more = 1, self._pending, "more"
        self._pending = ""
        while more:
            more = self._read(BLOCK_CHARACTERS)
            text = kept + more
            cut = text.rfind("\n") + 1 if more else len(text)
            if len(text) - cut > MAX_LINE_CHARACTERS or (not cut and len(text) > MAX_LINE_CHARACTERS):
                raise self.endless_line(line + text.count("\n"))
            if cut:
                yield line, text[:cut]
                line += text.count("\n", 0, cut)
            kept = text[cut:]

    def endless_line(self, line: int) -> InputError:
        """The error for a line that is longer than any row of readings."""
        return say.error("endless_line", file=self.path, line=line, millions=MAX_LINE_CHARACTERS >> 20)
