"""Saves uploaded files: whole or not at all, never over another file, and never on a nearly full disk."""

from __future__ import annotations

import hashlib
import os
import shutil
from contextlib import suppress
from itertools import chain, count
from pathlib import Path
from threading import Lock
from typing import BinaryIO

from camlog.convert.source import sha256_of
from camlog.drive import drive_path, read_drive, trace_path
from camlog.errors import InputError
from camlog.new_files import name_new, open_temporary, sync_directory
from camlog.serve.names import FINDINGS_ENDING, RESULT_ENDINGS, check_new_name, kind_of, split_ending, stem_of
from camlog.serve.words import problem

FREE_LEFT_BYTES = 200_000_000  # kept free for a drive that is being recorded
PART_BYTES = 1 << 20
# Of these a few kilobytes are usual; a trace may be as large as the limit.
SMALL_LIMIT_BYTES = {"drive": 20_000_000, "profile": 1_000_000, "map": 1_000_000}
TAKEN_IN = ("trace", *SMALL_LIMIT_BYTES)


def receive(root: Path, name: str, stream: BinaryIO, length: int | None, limit: int, lock: Lock) -> str:
    """See `Folder.receive`. `lock` is held while a free name is chosen and used."""
    name = check_new_name(name)
    kind = kind_of(name)
    if kind not in TAKEN_IN:
        raise problem("not_taken_in", name)
    limit = min(limit, SMALL_LIMIT_BYTES.get(kind, limit))
    if length is not None and length > limit:
        raise problem("too_large", name, limit=limit / 1e6)
    _check_room(root, name, length or 0)
    partial = None
    try:
        descriptor, partial = open_temporary(root)
        sha256 = _write(descriptor, root, name, stream, length, limit)
        _check_content(kind, partial, name)
        with lock:
            return _place(root, partial, name, kind, sha256)
    except OSError as error:
        raise problem("unwritten", name, why=error.strerror or type(error).__name__) from error
    finally:
        if partial is not None:
            partial.unlink(missing_ok=True)


def _write(descriptor: int, root: Path, name: str, stream: BinaryIO, length: int | None, limit: int) -> str:
    """Write the received bytes; returns their hash."""
    digest, size = hashlib.sha256(), 0
    with os.fdopen(descriptor, "wb") as out:
        while part := stream.read(PART_BYTES):
            size += len(part)
            if size > limit:
                raise problem("too_large", name, limit=limit / 1e6)
            _check_room(root, name, 0)
            out.write(part)
            digest.update(part)
        out.flush()
        os.fsync(out.fileno())
    if size != (length or size):
        raise problem("not_whole", name)
    if not size:
        raise problem("empty", name)
    return digest.hexdigest()


def _check_content(kind: str, partial: Path, name: str) -> None:
    """Check that camlog can use a small file of its own, because an unusable one would not be shown anywhere."""
    from camlog.convert import read_mapping
    from camlog.profile import read_profile

    readers = {"drive": read_drive, "profile": read_profile, "map": read_mapping}
    if kind in readers:
        try:
            readers[kind](partial)
        except InputError as error:
            error.file = name
            raise


def _place(root: Path, partial: Path, name: str, kind: str, sha256: str) -> str:
    """Give the received file a free name, with `-2` and so on if the name is taken."""
    taken = {n.casefold() for n in os.listdir(root)}
    stem, ending = split_ending(name)
    for wished in chain([name], (f"{stem}-{number}{ending}" for number in count(2))):
        if wished.casefold() not in taken and _fits(root, wished, kind, partial, sha256):
            with suppress(FileExistsError):
                name_new(partial, root / wished)
                sync_directory(root)
                break
    return wished


def _fits(root: Path, name: str, kind: str, partial: Path, sha256: str) -> bool:
    """Whether a trace and what it would then stand beside are of one recording, as far as they say."""
    try:
        if kind == "trace":
            if any((root / (stem_of(name) + e)).exists() for e in (FINDINGS_ENDING, *RESULT_ENDINGS.values())):
                return False  # of a recording that is gone
            beside = drive_path(root / name)
            return not beside.exists() or read_drive(beside).trace_sha256 in (None, sha256)
        if kind == "drive":
            trace = trace_path(root / name)
            return not trace.exists() or read_drive(partial).trace_sha256 in (None, sha256_of(trace))
    except (InputError, OSError):
        return False
    return True


def _check_room(root: Path, name: str, needed: int) -> None:
    free = shutil.disk_usage(root).free
    if free < needed + FREE_LEFT_BYTES:
        raise problem("no_room", name, free=round(free / 1e6), kept=round(FREE_LEFT_BYTES / 1e6))
