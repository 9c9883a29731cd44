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

from camlog.convert.limits import EXPANSION_FREE_BYTES, MAX_ARCHIVE_MEMBERS, MAX_EXPANSION, MAX_UNPACKED_BYTES
from camlog.errors import InputError, check_saved

_GZIP = b"\x1f\x8b"
_ZIP = (b"PK\x03\x04", b"PK\x05\x06", b"PK\x07\x08")
# What the readers of archives raise for bytes that are not as they should be.
_DAMAGE = (
    zlib.error, gzip.BadGzipFile, zipfile.BadZipFile, lzma.LZMAError, struct.error, NotImplementedError,
    RuntimeError,
    ValueError,
)  # fmt: skip
_AS_CSV = "Save or export it as CSV and convert that."
# First bytes of files that are no text, and what to call them.
_OTHER_KINDS = (
    (b"\xd0\xcf\x11\xe0", "a spreadsheet workbook", _AS_CSV),
    (b"BZh", "a packed file of another kind", "Unpack it, or pack it with gzip or zip."),
    (b"\xfd7zXZ", "a packed file of another kind", "Unpack it, or pack it with gzip or zip."),
    (b"7z\xbc\xaf\x27\x1c", "a packed file of another kind", "Unpack it, or pack it with gzip or zip."),
    (b"Rar!", "a packed file of another kind", "Unpack it, or pack it with gzip or zip."),
    (b"\x28\xb5\x2f\xfd", "a packed file of another kind", "Unpack it, or pack it with gzip or zip."),
    (b"%PDF", "a printed document", _AS_CSV),
    (b"SQLite format 3", "a database", _AS_CSV),
    (b"\x89PNG", "a picture", "Ask for the recording itself, as CSV."),
    (b"\xff\xd8\xff", "a picture", "Ask for the recording itself, as CSV."),
    (b"\x7fELF", "a program", "Check which file is meant."),
    (b"MZ\x90", "a program", "Check which file is meant."),
)
# Names the usual systems put beside the one file that was packed.
_BY_THE_WAY = re.compile(r"(^|/)(__MACOSX/|\.DS_Store$|Thumbs\.db$|desktop\.ini$|\._)")
_OUTSIDE = re.compile(r"^[/\\]|^[A-Za-z]:|(^|[/\\])\.\.([/\\]|$)|[\x00-\x1f]")


class Source(io.RawIOBase):
    """The unpacked bytes of a file, as a raw stream.

    `fraction` is how much of the file on disk was read, `warnings` what was found on the way. Raises
    InputError while reading where an archive is damaged or unpacks to far more than it should.
    """

    def __init__(self, path: Path, stream: BinaryIO, disk: BinaryIO, size: int, packed_bytes: int | None):
        self.path = path
        self.warnings: list[str] = []
        self._stream, self._disk = stream, disk
        self._size, self._packed_bytes = size, packed_bytes
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
            data = self._stream.read1(len(buffer))
        except EOFError:
            self._ended = True
            self.warnings.append("The archive is cut off; what stood before the cut was used.")
            return 0
        except _DAMAGE as error:
            raise InputError(
                f"the archive is damaged ({str(error)[:80]})",
                file=self.path,
                remedy="Ask for the file again.",
            ) from error
        except OSError as error:
            raise _unreadable(self.path, error) from error
        self._unpacked += len(data)
        if self._packed_bytes is not None:
            self._check_expansion()
        buffer[: len(data)] = data
        return len(data)

    def _check_expansion(self) -> None:
        beyond = self._unpacked > EXPANSION_FREE_BYTES
        if self._unpacked > MAX_UNPACKED_BYTES or (
            beyond and self._unpacked > MAX_EXPANSION * max(1, self._packed_bytes)
        ):
            raise InputError(
                f"the archive unpacks to far more than a recording ({self._unpacked >> 20} MB so far)",
                file=self.path, remedy="Unpack it elsewhere and look at what it is.",
            )  # fmt: skip


def _unreadable(path: Path, error: OSError) -> InputError:
    return InputError(f"cannot be read ({error.strerror or error})", file=path, remedy="Check the path.")


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
        raise _unreadable(path, error if isinstance(error, OSError) else OSError(str(error))) from error
    with disk:
        try:
            start = disk.read(512)
            size = disk.seek(0, io.SEEK_END)
            disk.seek(0)
        except OSError as error:
            raise _unreadable(path, error) from error
        if not start:
            raise InputError("is empty", file=path, remedy="Check the copy is complete.")
        for magic, kind, remedy in _OTHER_KINDS:
            if start.startswith(magic):
                raise InputError(f"is {kind}, not a table of text", file=path, remedy=remedy)
        if start.startswith(_GZIP):
            with gzip.GzipFile(fileobj=disk) as stream:
                yield _no_archive_inside(Source(path, stream, disk, size, size))
        elif start.startswith(_ZIP):
            with _open_zip(path, disk) as (stream, packed):
                yield _no_archive_inside(Source(path, stream, disk, size, packed))
        else:
            yield _no_archive_inside(Source(path, disk, disk, size, None), start)


def _no_archive_inside(source: Source, start: bytes = b"") -> Source:
    if start[257:262] == b"ustar":
        raise InputError(
            "is an archive of files, not a table of text", file=source.path,
            remedy="Unpack it, and convert one recording at a time.",
        )  # fmt: skip
    return source


@contextmanager
def _open_zip(path: Path, disk: BinaryIO) -> Iterator[tuple[BinaryIO, int]]:
    try:
        archive = zipfile.ZipFile(disk)
        member = _only_member(path, archive.infolist())
        stream = archive.open(member)
    except (*_DAMAGE, OSError, EOFError, LookupError, OverflowError) as error:
        raise InputError(
            f"the archive cannot be read ({' '.join(str(error).split())[:80]})", file=path,
            remedy="Ask for the file again.",
        ) from error  # fmt: skip
    with archive, stream:
        yield stream, member.compress_size


def _only_member(path: Path, members: list[zipfile.ZipInfo]) -> zipfile.ZipInfo:
    names = [m.filename for m in members[:MAX_ARCHIVE_MEMBERS]]
    if "[Content_Types].xml" in names or "mimetype" in names:
        raise InputError("is a spreadsheet workbook, not a table of text", file=path, remedy=_AS_CSV)
    for member in members:
        # As it stands in the file: the reader of archives already mends some names.
        if _OUTSIDE.search(member.filename) or _OUTSIDE.search(member.orig_filename):
            raise InputError(
                f"a name in the archive leads outside it ({member.orig_filename[:60]!a})", file=path,
                remedy="Do not unpack it; ask for the recording alone.",
            )  # fmt: skip
    files = [m for m in members if not m.is_dir() and not _BY_THE_WAY.search(m.filename)]
    if len(files) != 1:
        holds = "no file" if not files else f"{len(files)} files"
        raise InputError(
            f"the archive holds {holds}, not one", file=path, remedy="Unpack it, and convert one at a time."
        )
    if files[0].flag_bits & 0x1:
        raise InputError("the archive has a password", file=path, remedy="Unpack it first.")
    return files[0]


def sha256_of(path: str | Path) -> str:
    """SHA-256 of a file as it lies on disk, in hexadecimal. Raises InputError where it cannot be read."""
    try:
        with open(path, "rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise _unreadable(Path(path), error) from error
