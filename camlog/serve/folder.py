"""The working folder: recordings, profiles, results. Names from a browser become files only through this module."""

from __future__ import annotations

import os
import stat
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from itertools import chain, count
from pathlib import Path
from typing import BinaryIO

from camlog.drive import drive_path, trace_path
from camlog.errors import InputError
from camlog.new_files import tidy
from camlog.profile import DEMO, SCHEMA, VehicleProfile, read_profile
from camlog.serve import receiving
from camlog.serve.entries import Entry, read_entry
from camlog.serve.names import (
    DRIVE_ENDING,
    FINDINGS_ENDING,
    PROFILE_ENDING,
    RESULT_ENDINGS,
    check_name,
    check_new_name,
    kind_of,
    stem_of,
    told,
)  # fmt: skip
from camlog.serve.words import problem, sentence

__all__ = ["UPLOAD_LIMIT_BYTES", "Entry", "Folder", "Profile"]

UPLOAD_LIMIT_BYTES = 500_000_000  # two days with a fast adapter
DEMO_NAME = "demo"
MOST_PROFILE_BYTES = 1_000_000


@dataclass(frozen=True, slots=True)
class Profile:
    """A vehicle profile of the folder.

    `file` is its file name (`demo`: the invented one), `error` is why it cannot be used, else None.
    """

    file: str
    name: str
    sha256: str = ""
    error: str | None = None

    @property
    def title(self) -> str:
        """Vehicle and file name, which are unique together."""
        return sentence("invented", name=self.name) if self.file == DEMO_NAME else f"{self.name} ({self.file})"


class Folder:
    """A folder with recordings. Methods may be called from any thread.

    Raises InputError if `root` is no folder that can be read and written.
    """

    def __init__(self, root: str | Path):
        try:
            self.root = Path(root).resolve()
            there = self.root.stat()
        except (OSError, ValueError, RuntimeError) as error:
            raise problem("no_folder", root) from error
        if not stat.S_ISDIR(there.st_mode):
            raise problem("not_a_folder", root)
        if not os.access(self.root, os.R_OK | os.W_OK | os.X_OK):
            raise problem("folder_closed", root)
        self._lock = threading.Lock()
        self._receiving = threading.Lock()
        # By name, with the state of the files from which they were read.
        self._entries: dict[str, tuple[tuple, Entry | None, str]] = {}
        self._profiles: dict[str, tuple[tuple, Profile | None]] = {}
        tidy(self.root)

    # ------------------------------------------------------------------ names
    def path(self, name: str) -> Path:
        """The path of the file `name`, which need not exist.

        Raises InputError if it is no valid name, leads out of the folder (a link), or is no file.
        """
        path = self.root / check_name(name)
        try:
            there = path.lstat()
        except FileNotFoundError:
            return path
        except (OSError, ValueError) as error:
            raise problem("unreadable_name", name) from error
        if stat.S_ISLNK(there.st_mode):
            try:
                real = path.resolve(strict=True)
                there = real.stat()
            except (OSError, RuntimeError) as error:
                raise problem("dead_link", name) from error
            if real.parent != self.root:
                raise problem("link_out", name)
        if not stat.S_ISREG(there.st_mode):
            raise problem("not_a_file", name)
        return path

    def existing(self, name: str) -> Path:
        """The path of an existing file. Raises InputError if it does not exist."""
        path = self.path(name)
        if not path.exists():
            raise problem("not_here", name)
        return path

    def new_trace_name(self, wished: str = "") -> str:
        """A name for a new recording that no file uses yet.

        It is `drive-DATE-TIME.csv` or the wished one, with a number if that is taken. Raises InputError if the wish is
        no valid name.
        """
        wished = (wished or "").strip() or datetime.now().strftime("drive-%Y%m%d-%H%M%S")
        if wished.lower().endswith(".csv"):
            wished = wished[:-4]  # `.csv` in lower case, so that the names of its results are its own
        stem = stem_of(check_new_name(wished + ".csv"))
        used_names = {n.casefold() for n in os.listdir(self.root)}  # some disks ignore the case of letters
        endings = (".csv", DRIVE_ENDING, FINDINGS_ENDING, *RESULT_ENDINGS.values())
        wished_ones = chain([stem], (f"{stem}-{number}" for number in count(2)))
        free = (w for w in wished_ones if not any((w + ending).casefold() in used_names for ending in endings))
        return f"{next(free)}.csv"

    # ------------------------------------------------------------------ recordings
    def recordings(self, search: str = "") -> list[Entry]:
        """The recordings, newest first; with `search`, only those that contain each of its words."""
        words = (search or "").casefold().split()
        with self._lock:
            files = self._files()
            self._entries = {name: known for name, known in self._entries.items() if name in files}
            read = [self._read(name, files) for name in files if kind_of(name) == "trace"]
        entries = [e for e, haystack in read if e is not None and all(word in haystack for word in words)]
        return sorted(entries, key=lambda e: (-e.began_s, e.name))

    def entry(self, name: str) -> Entry:
        """The recording `name`. Raises InputError if there is none."""
        path = self.existing(name)
        files = {path.name: path.stat()}
        for companion in _companion_names(name):
            try:
                files[companion] = self.existing(companion).stat()
            except (InputError, OSError):
                continue
        with self._lock:
            entry = self._read(name, files)[0] if kind_of(name) == "trace" else None
        if entry is None:
            raise problem("no_recording", name)
        return entry

    def snapshots(self) -> list[str]:
        """Drive files without a recording, as saved by `camlog clear`, newest first."""
        files = self._files()
        names = [n for n in files if n.endswith(DRIVE_ENDING) and trace_path(n).name not in files]
        return sorted(names, key=lambda n: -files[n].st_mtime)

    def jobs(self) -> list[str]:
        """The job files, newest first."""
        files = self._files()
        return sorted((n for n in files if kind_of(n) == "job"), key=lambda n: -files[n].st_mtime)

    def _files(self) -> dict[str, os.stat_result]:
        """Name and state of every file that camlog works with, without links out of the folder."""
        files: dict[str, os.stat_result] = {}
        try:
            with os.scandir(self.root) as listing:
                items = [item for item in listing if kind_of(item.name) is not None]
        except OSError as error:
            raise problem("folder_gone", self.root) from error
        for item in items:
            try:
                check_name(item.name)
                if item.is_symlink():
                    self.path(item.name)
                there = item.stat()
            except (InputError, OSError):
                continue
            if stat.S_ISREG(there.st_mode):
                files[item.name] = there
        return files

    def _read(self, name: str, files: Mapping[str, os.stat_result]) -> tuple[Entry | None, str]:
        """The entry of a trace and its text for searches, from the cache if none of its files has changed."""
        there = {n: what for n, what in _companion_names(name).items() if n in files}
        state = tuple((n, *_state(files[n])) for n in (name, *there))
        known = self._entries.get(name)
        if known is None or known[0] != state:
            companions = {w: self.root / n for n, w in there.items() if w in ("drive", "findings")}
            entry = read_entry(self.root / name, files[name], companions, {w: n for n, w in there.items()})
            known = self._entries[name] = (state, entry, "" if entry is None else entry.haystack)
        return known[1], known[2]

    # ------------------------------------------------------------------ profiles
    def profiles(self) -> list[Profile]:
        """The vehicle profiles by name, the demo profile last; unusable ones have the reason."""
        files = {n: (self.root / n, s) for n, s in self._files().items() if kind_of(n) == "profile"}
        files[DEMO_NAME] = (DEMO, DEMO.stat())
        with self._lock:
            self._profiles = {n: known for n, known in self._profiles.items() if n in files}
            profiles = [p for n, (path, s) in files.items() if (p := self._profile(n, path, s)) is not None]
        return sorted(profiles, key=lambda p: (p.file == DEMO_NAME, p.name.casefold(), p.file))

    def profile(self, name: str | None) -> VehicleProfile | None:
        """A profile of the folder, or `demo`; None for no name. Raises InputError if it cannot be used."""
        path = self.profile_path(name)
        return read_profile(path) if path else None

    def profile_path(self, name: str | None) -> str | None:
        """The profile's name for the analysis: `demo`, its path, or None for no name. Raises InputError."""
        if not name or name == DEMO_NAME:
            return name or None
        if kind_of(check_name(name)) != "profile":
            raise problem("no_profile", name)
        return str(self.existing(name))

    def profile_of(self, entry: Entry) -> str | None:
        """Name of the profile of a recording, if it is in the folder unchanged."""
        if entry.profile_sha256 is None:
            return None
        return next((p.file for p in self.profiles() if p.sha256 == entry.profile_sha256), None)

    def _profile(self, name: str, path: Path, there: os.stat_result) -> Profile | None:
        state = _state(there)
        known = self._profiles.get(name)
        if known is None or known[0] != state:
            known = self._profiles[name] = (state, _read_profile(name, path, there.st_size))
        return known[1]

    # ------------------------------------------------------------------ taking files in
    def receive(self, name: str, stream: BinaryIO, length: int | None) -> str:
        """Save an uploaded trace, drive file or profile under a free name; returns that name.

        It is read and written in pieces, and saved whole or not at all. Raises InputError if it is too large or
        incomplete, the name is not valid, the disk is full, or a drive file or profile is none despite its name.
        """
        return receiving.receive(self.root, name, stream, length, UPLOAD_LIMIT_BYTES, self._receiving)


def _companion_names(name: str) -> dict[str, str]:
    """The names of files beside a trace, and the kind of each."""
    stem = stem_of(name)
    results = {stem + ending: what for what, ending in RESULT_ENDINGS.items()}
    return {drive_path(name).name: "drive", stem + FINDINGS_ENDING: "findings", **results}


def _state(there: os.stat_result) -> tuple[int, ...]:
    """Values that change if the file changes, including its permissions."""
    return there.st_ino, there.st_size, there.st_mtime_ns, there.st_ctime_ns


def _read_profile(name: str, path: Path, size: int) -> Profile | None:
    """A TOML file as a profile; None if it does not claim to be one."""
    stem = name.removesuffix(PROFILE_ENDING)
    try:
        if size > MOST_PROFILE_BYTES or SCHEMA.split("/")[0].encode() not in path.read_bytes():
            return None
        profile = read_profile(path)
    except OSError as error:
        return Profile(name, stem, error=problem("unreadable", why=error.strerror).what)
    except InputError as error:
        return Profile(name, stem, error=told(error))
    return Profile(name, profile.name, profile.sha256)
