"""The bytes of a foreign file: plain, or the one file in a gzip or zip archive, counted as they are unpacked.

Nothing is ever unpacked to disk, and names inside an archive are only looked at.
"""

from __future__ import annotations

import gzip
import hashlib
import io
import lzma
import re
import struct
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from camlog.convert.formats import FORMATS, open_as_text
from camlog.convert.limits import EXPANSION_FREE_BYTES, MAX_ARCHIVE_MEMBERS, MAX_EXPANSION, MAX_UNPACKED_BYTES
from camlog.convert.sentences import refusal, say
from camlog.errors import InputError, check_saved

_GZIP = b"\x1f\x8b"
_ZIP = (b"PK\x03\x04", b"PK\x05\x06", b"PK\x07\x08")
# What the readers of archives raise for bytes that are not as they should be.
_DAMAGE = (
    zlib.error, gzip.BadGzipFile, zipfile.BadZipFile, lzma.LZMAError, struct.error, NotImplementedError,
    RuntimeError, ValueError,
)  # fmt: skip
# First bytes of files that are no text, and the refusal that says what they are.
_OTHER_KINDS = {
    b"\xd0\xcf\x11\xe0": "old_workbook", b"BZh": "packed", b"\xfd7zXZ": "packed", b"7z\xbc\xaf\x27\x1c": "packed",
    b"Rar!": "packed", b"\x28\xb5\x2f\xfd": "packed", b"%PDF": "document", b"SQLite format 3": "database",
    b"PAR1": "parquet",
    b"MDF     ": "mdf", b"\x89PNG": "picture", b"\xff\xd8\xff": "picture", b"\x7fELF": "program", b"MZ\x90": "program",
}  # fmt: skip
# Names the usual systems put beside the one file that was packed.
_BESIDE = re.compile(r"(^|/)(__MACOSX/|\.DS_Store$|Thumbs\.db$|desktop\.ini$|\._)")
_OUTSIDE = re.compile(r"^[/\\]|^[A-Za-z]:|(^|[/\\])\.\.([/\\]|$)|[\x00-\x1f]")


class Source(io.RawIOBase):
    """The unpacked bytes of a file, as a raw stream.

    `fraction` is the share of the file on disk that was read, `warnings` what was noticed on the way. Raises
    InputError while reading where an archive is damaged or unpacks to far more than it should.
    """

    def __init__(self, path: Path, stream: BinaryIO, disk: BinaryIO, size: int, packed_bytes: int | None):
        self.path = path
        self.warnings: list[str] = []
        self._stream, self._disk, self._size, self._packed_bytes = stream, disk, size, packed_bytes
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
            # read1: what was unpacked before a cut is handed out, not lost with the error about it.
            data = getattr(self._stream, "read1", self._stream.read)(len(buffer))
        except EOFError:
            self._ended = True
            self.warnings.append(say("archive_cut"))
            return 0
        except _DAMAGE as error:
            raise refusal("archive_damaged", file=self.path, error=str(error)[:80]) from error
        except OSError as error:
            raise unreadable(self.path, error) from error
        self._unpacked += len(data)
        if self._packed_bytes is not None:
            allowed = min(
                MAX_UNPACKED_BYTES, max(EXPANSION_FREE_BYTES, MAX_EXPANSION * max(1, self._packed_bytes))
            )
            if self._unpacked > allowed:
                raise refusal("archive_bomb", file=self.path, megabytes=self._unpacked >> 20)
        buffer[: len(data)] = data
        return len(data)


def unreadable(path: str | Path, error: Exception) -> InputError:
    """The refusal of a file that the system does not let be read."""
    return refusal("unreadable", file=path, error=getattr(error, "strerror", None) or error)


@contextmanager
def open_source(path: str | Path) -> Iterator[Source]:
    """Open a file, or the one file in an archive, for reading its bytes.

    Raises InputError for what cannot be read: no file, an archive of several files, with a password, or with
    names that lead outside it, and kinds of files that are no text.
    """
    path = Path(path)
    check_saved(path)
    try:
        disk = open(path, "rb")
    except (OSError, ValueError) as error:
        raise unreadable(path, error) from error
    with disk:
        try:
            start = disk.read(512)
            size = disk.seek(0, io.SEEK_END)
            disk.seek(0)
        except OSError as error:
            raise unreadable(path, error) from error
        if not start:
            raise refusal("empty", file=path)
        kind = next((kind for magic, kind in _OTHER_KINDS.items() if start.startswith(magic)), None)
        kind = "workbook" if start.startswith(_ZIP) and _is_workbook(disk) else kind
        if kind in FORMATS:
            with open_as_text(path, kind) as stream:
                yield Source(path, stream, disk, size, None)
            return
        if kind is not None:
            raise refusal(kind, file=path)
        if start.startswith(_GZIP):
            with gzip.GzipFile(fileobj=disk) as stream:
                yield Source(path, stream, disk, size, size)
        elif start.startswith(_ZIP):
            with _open_zip(path, disk) as (stream, packed):
                yield Source(path, stream, disk, size, packed)
        else:
            yield Source(path, disk, disk, size, None)


@contextmanager
def _open_zip(path: Path, disk: BinaryIO) -> Iterator[tuple[BinaryIO, int]]:
    try:
        archive = zipfile.ZipFile(disk)
        member = _only_member(path, archive.infolist())
        stream = archive.open(member)
    except (*_DAMAGE, OSError, EOFError, LookupError, OverflowError) as error:
        raise refusal("archive_unreadable", file=path, error=" ".join(str(error).split())[:80]) from error
    with archive, stream:
        yield stream, member.compress_size


def _is_workbook(disk: BinaryIO) -> bool:
    try:
        names = [m.filename for m in zipfile.ZipFile(disk).infolist()[:MAX_ARCHIVE_MEMBERS]]
    except (*_DAMAGE, OSError, EOFError, LookupError, OverflowError):
        names = []
    disk.seek(0)
    return "[Content_Types].xml" in names or "mimetype" in names


def _only_member(path: Path, members: list[zipfile.ZipInfo]) -> zipfile.ZipInfo:
    for member in members:
        # As it stands in the file: the reader of archives already mends some names.
        if _OUTSIDE.search(member.filename) or _OUTSIDE.search(member.orig_filename):
            raise refusal("archive_outside", file=path, name=ascii(member.orig_filename[:60]))
    files = [m for m in members if not m.is_dir() and not _BESIDE.search(m.filename)]
    if not files:
        raise refusal("archive_of_none", file=path)
    if len(files) > 1:
        raise refusal("archive_of_several", file=path, count=len(files))
    if files[0].flag_bits & 0x1:
        raise refusal("archive_locked", file=path)
    return files[0]


def sha256_of(path: str | Path) -> str:
    """SHA-256 of a file as it lies on disk, in hexadecimal. Raises InputError where it cannot be read."""
    try:
        with open(path, "rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise unreadable(path, error) from error
