"""Every file is created here and written completely or not at all, each by one program only.

A file grows under a temporary name in its folder, and gets its own name when it is complete and on disk. Temporary
names are random and created exclusively, so that no existing link or file is written through. They are hidden, so that
the remains of a killed program are neither taken for a result nor in the way of one.
Windows neither replaces nor removes a file that another program has open, such as a viewer or a cloud drive; both are
retried there for a while. A path that is too long for Windows gives an error that says so."""

from __future__ import annotations

import errno
import os
import re
import secrets
import stat
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from camlog.errors import InputError
from camlog.messages import say

if sys.platform != "win32":
    import fcntl

# Windows neither replaces nor removes an open file; this also keeps two recorders from one file.
KEEPS_OPEN_FILES = sys.platform == "win32"
_BUSY_S = 2.0  # how long to retry while another program has a file open
_BUSY_LOOK_S = 0.05
# Microsoft, "Naming Files, Paths, and Namespaces": characters, names of devices, and endings that no file may have.
_REFUSED_NAME = re.compile(
    r"""[<>:"|?*\x00-\x1f]|[. ]\Z|\A(con|prn|aux|nul|conin\$|conout\$|(com|lpt)[0-9\u00b9\u00b2\u00b3])(\.|\Z)""",
    re.IGNORECASE,
)
_PREFIX, _SUFFIX = ".camlog-", ".partial"
_TEMPORARY_LENGTH = len(_PREFIX) + 16 + len(_SUFFIX)
_LONGEST_PATH = 259  # Microsoft, "Maximum Path Length Limitation"; longer ones begin with \\?\ (from memory)
_STALE_S = 3600.0
_NO_FOLLOW = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)


def open_temporary(folder: Path) -> tuple[int, Path]:
    """A new, empty file in `folder`, open for writing: its descriptor and path. Raises OSError."""
    while True:
        path = folder / f"{_PREFIX}{secrets.token_hex(8)}{_SUFFIX}"
        with suppress(FileExistsError):
            return os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o666), path


@contextmanager
def whole_file(path: str | Path, *, replace: bool) -> Iterator[BinaryIO]:
    """A file for the bytes of `path`, which gets that name when the block ends without an error.

    An existing file is unchanged until then, and stays if the block or the disk fails. With `replace` it is replaced; a
    link itself is replaced, not its target. Raises InputError if `path` exists and `replace` is not set, OSError if the
    disk fails."""
    path = Path(path)
    _must_be_a_file(path)
    with _long_path_said(path):
        descriptor, temporary = open_temporary(path.parent)
    try:
        with os.fdopen(descriptor, "wb") as out:
            yield out
            out.flush()
            os.fsync(out.fileno())
        with _long_path_said(path):
            (put_in_place if replace else name_new)(temporary, path)
        sync_directory(path.parent)
    except FileExistsError as error:
        raise there_already(path) from error
    finally:
        _take_away(temporary)


def _patiently(action: Callable[[], object]) -> None:
    """Retry, for _BUSY_S, an action that Windows refuses while a file is open elsewhere; then raises
    PermissionError."""
    until_s = time.perf_counter() + _BUSY_S
    while True:
        try:
            action()
            return
        except PermissionError:
            if not KEEPS_OPEN_FILES or time.perf_counter() > until_s:
                raise
        time.sleep(_BUSY_LOOK_S)


def _take_away(temporary: Path) -> None:
    """Remove a temporary file. If another program has it open, it stays hidden until `tidy` removes it."""
    with suppress(PermissionError):
        _patiently(lambda: temporary.unlink(missing_ok=True))


def put_in_place(temporary: Path, path: Path) -> None:
    """Give a complete file its name, replacing an existing one. Raises InputError if another program has that open."""
    try:
        _patiently(lambda: os.replace(temporary, path))
    except PermissionError as error:
        if not (KEEPS_OPEN_FILES and path.is_file()):
            raise
        raise say.error("open_elsewhere", path) from error


@contextmanager
def _long_path_said(path: Path) -> Iterator[None]:
    """Turn the "not found" error of Windows for a path that is too long into an InputError that says so."""
    try:
        yield
    except FileNotFoundError as error:
        longest = os.path.abspath(path.with_name("x" * max(len(path.name), _TEMPORARY_LENGTH)))
        if not KEEPS_OPEN_FILES or len(longest) <= _LONGEST_PATH or longest.startswith("\\\\?\\"):
            raise
        raise say.error("long_path", path, longest=_LONGEST_PATH) from error


# What to do if a disk fails, for the command line and for the page.
OTHER_FOLDER = ("Choose another folder with --out.", "Check the working folder.")
CHECK_FOLDER = ("Check the folder and its permissions.", None)


@contextmanager
def refusals(path: str | Path, advice: tuple[str, str | None]) -> Iterator[None]:
    """Turn an OSError while `path` is written into an InputError with `advice`, CHECK_FOLDER or OTHER_FOLDER."""
    try:
        yield
    except OSError as error:
        what = f"cannot be written ({error.strerror})"
        raise InputError(what, file=path, remedy=advice[0], on_page=advice[1]) from error


def write_text(text: str, path: str | Path, *, replace: bool) -> None:
    """Write `text` as UTF-8 with `whole_file`; lone surrogates, which cannot be encoded, become `?`."""
    with whole_file(path, replace=replace) as out:
        out.write(text.encode("utf-8", "replace"))


def _must_be_a_file(path: Path) -> None:
    if KEEPS_OPEN_FILES and _REFUSED_NAME.search(path.name):
        raise say.error("windows_name", path)
    with suppress(FileNotFoundError):
        mode = os.lstat(path).st_mode
        if not (stat.S_ISREG(mode) or stat.S_ISLNK(mode)):
            raise say.error("no_file", path)


def there_already(path: Path) -> InputError:
    """The error about a name that exists already."""
    return say.error("there_already", path)


def name_new(temporary: Path, path: Path) -> None:
    """Give a file its name without replacing anything. Raises FileExistsError if the name exists, even as a dead
    link."""
    try:
        os.link(temporary, path)
        _take_away(temporary)
        return
    except FileExistsError:
        raise
    except (OSError, NotImplementedError):
        pass  # a disk without links
    os.close(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666))
    try:
        put_in_place(temporary, path)
    except BaseException:
        path.unlink(missing_ok=True)
        raise


def claim(path: Path, *, replace: bool) -> int:
    """Create an empty file `path`, locked for this program while it is open; returns its descriptor.

    Raises FileExistsError if it exists and `replace` is not set, BlockingIOError if another program has locked it,
    OSError if the disk fails."""
    _must_be_a_file(path)
    if KEEPS_OPEN_FILES:
        with _long_path_said(path):
            return _claim_by_name(path, replace)
    descriptor, temporary = open_temporary(path.parent)
    try:
        hold(descriptor)
        while True:
            try:
                name_new(temporary, path)
                return descriptor
            except FileExistsError:
                if not replace:
                    raise
            if _replaced(temporary, path):
                return descriptor
    except BaseException:
        os.close(descriptor)
        raise
    finally:
        temporary.unlink(missing_ok=True)


def _claim_by_name(path: Path, replace: bool) -> int:
    """`claim` for systems on which an open file cannot be renamed and keeps its name while it is open."""
    if replace:
        try:
            _patiently(lambda: path.unlink(missing_ok=True))
        except PermissionError as error:
            raise BlockingIOError(errno.EAGAIN, error.strerror) from error
    return os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o666)


def _replaced(temporary: Path, path: Path) -> bool:
    """Replace a file that no program has locked; False if the file changed meanwhile."""
    try:
        old = os.open(path, os.O_RDONLY | _NO_FOLLOW)
    except FileNotFoundError:
        return False
    except OSError as error:
        if error.errno not in (errno.ELOOP, errno.EMLINK, errno.EACCES):
            raise
        os.replace(temporary, path)  # a link or an unreadable file: no program records into it
        return True
    try:
        hold(old)
        status = os.lstat(path)
        if (status.st_dev, status.st_ino) != (os.fstat(old).st_dev, os.fstat(old).st_ino):
            return False
        os.replace(temporary, path)
        return True
    except FileNotFoundError:
        return False
    finally:
        os.close(old)


def hold(descriptor: int) -> None:
    """Lock an open file for this program until it is closed. Raises BlockingIOError if another one has locked it."""
    if sys.platform != "win32":
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise
        except OSError:
            pass  # a network disk without locks


def tidy(folder: Path) -> None:
    """Remove temporary files that a killed program left in `folder` an hour ago or longer."""
    for left in folder.glob(f"{_PREFIX}*{_SUFFIX}"):
        with suppress(OSError):
            if time.time() - left.lstat().st_mtime > _STALE_S:
                left.unlink()


def sync_directory(path: Path) -> None:
    """Bring a folder's directory to disk, so that a new file is found after a power cut."""
    try:
        folder = os.open(path, os.O_RDONLY)
    except OSError:
        return  # some systems and network drives do not open folders; the file itself is safe
    try:
        os.fsync(folder)
    except OSError:
        pass
    finally:
        os.close(folder)
