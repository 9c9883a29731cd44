"""Names of files and ports from a browser: which are accepted, and the kind of each file."""

from __future__ import annotations

import os
import re
import unicodedata
from urllib.parse import quote

from camlog.errors import InputError
from camlog.serve.words import problem, sentence

TRACE_ENDINGS = (".csv", ".txt", ".tsv", ".log", ".dat", ".gz", ".zip")
DRIVE_ENDING, FINDINGS_ENDING = ".drive.json", ".findings.json"
MAP_ENDING, PROFILE_ENDING = ".map.toml", ".toml"
# Results of an analysis beside a trace: name of the result and ending of the file.
RESULT_ENDINGS = {kind: f".{kind}.html" for kind in ("report", "comparison", "verification")}
JOB_ENDING, JOB_PAGE_ENDINGS = ".job.json", (".customer.html", ".workshop.html")
# Longest first: `x.drive.json` is a drive file, and `x.map.toml` no vehicle profile.
_KINDS = {
    DRIVE_ENDING: "drive",
    FINDINGS_ENDING: "findings",
    JOB_ENDING: "job",
    MAP_ENDING: "map",
    PROFILE_ENDING: "profile",
    **dict.fromkeys((*RESULT_ENDINGS.values(), *JOB_PAGE_ENDINGS), "result"),
    **dict.fromkeys(TRACE_ENDINGS, "trace"),
}

LONGEST_NAME_BYTES = 255
LONGEST_PORT = 200
LONGEST_NEW_NAME_BYTES = 200  # so that `.verification.html` can be added
# Joiners are part of words in some languages; other invisible or direction-changing characters hide something.
_JOINERS = "\u200c\u200d"
_HIDDEN = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})
_SEPARATORS = re.compile(r"[/\\]")
# Names of devices on Windows, whatever the ending: Microsoft, "Naming Files, Paths, and Namespaces".
_DEVICE = re.compile(r"(con|prn|aux|nul|conin\$|conout\$|(com|lpt)[0-9\u00b9\u00b2\u00b3])", re.IGNORECASE)


# An adapter on the network, over Bluetooth Low Energy, or on a serial port of Windows.
_PORT = re.compile(r"socket://[\w.\-:\[\]%]+:\d{1,5}|ble://[\w .:\-]+|(?:\\\\\.\\)?[Cc][Oo][Mm]\d{1,3}")


def _ending(name: str) -> str | None:
    low = name.lower()
    return next((ending for ending in _KINDS if low.endswith(ending) and len(low) > len(ending)), None)


def kind_of(name: str) -> str | None:
    """`trace`, `drive`, `findings`, `result`, `job`, `map` or `profile` by a name's ending; None for any other."""
    return _KINDS.get(_ending(name) or "")


def check_name(name: str, longest_bytes: int = LONGEST_NAME_BYTES) -> str:
    """The name, if it is that of a file directly in a folder and of a kind known to camlog.

    Raises InputError for anything that could lead elsewhere, hide, or stand for a device.
    """
    if not isinstance(name, str) or not name:
        raise problem("no_name")
    wrong = {
        "name_leads_away": _SEPARATORS.search(name) or name in (".", "..") or re.match(r"[A-Za-z]:", name),
        "name_unseen": any(c not in _JOINERS and unicodedata.category(c) in _HIDDEN for c in name),
        "name_hidden": name[0] == "." or name[-1] in ". " or not name.strip(),
        "name_too_long": len(name.encode("utf-8", "surrogatepass")) > longest_bytes,
        "name_of_device": _DEVICE.fullmatch(name.split(".")[0].rstrip(" ")),
        "name_not_here": os.name == "nt" and re.search(r'[<>:"|?*]', name),
        "unknown_kind": kind_of(name) is None,
    }
    if why := next((why for why, is_so in wrong.items() if is_so), None):
        raise problem(why, shown=ascii(name[:80]))  # what cannot be seen is then seen
    return name


def check_new_name(name: str) -> str:
    """`check_name` for a new file: with composed characters, and short enough for the names of its companions."""
    return check_name(unicodedata.normalize("NFC", name), LONGEST_NEW_NAME_BYTES)


def check_port(port: str) -> str:
    """The port, if an adapter can be on it; a page must not open other files of this computer. Raises InputError."""
    port = port.strip()
    real_path = os.path.realpath(port) if port.startswith("/") and "\0" not in port else ""
    if len(port) > LONGEST_PORT or not (_PORT.fullmatch(port) or re.fullmatch(r"/dev/[\w./\-]+", real_path)):
        raise problem("no_port", port=port[:60])
    return port


def stem_of(trace: str) -> str:
    """The stem for the names of a trace's results: its name without `.csv`."""
    return trace.removesuffix(".csv")


def split_ending(name: str) -> tuple[str, str]:
    """Stem and ending of a name, such as `a` and `.drive.json`, or `a` and `.csv.gz`."""
    ending = _ending(name) or ""
    stem = name[: -len(ending)]
    inner = (_ending(stem) or "") if ending in (".gz", ".zip") else ""
    inner = inner if inner in TRACE_ENDINGS else ""
    return stem.removesuffix(stem[len(stem) - len(inner) :]), name[len(stem) - len(inner) :]


def address(page: str, name: str) -> str:
    """Path of a page for a file, with the file's name encoded."""
    return f"/{page}/{quote(name, safe='')}"


def told(error: InputError) -> str:
    """The text of an error for a page: files only by name, and with the remedy for a page instead of a terminal."""
    remedy = error.remedy if error.on_page is None else error.on_page
    name = None if error.file is None else _SEPARATORS.split(error.file.rstrip("/\\"))[-1]
    return str(InputError(error.what, remedy=remedy, file=name, line=error.line, column=error.column))


def fault(error: Exception) -> str:
    """The text for a page on a fault of camlog, or on too little memory for a file."""
    if isinstance(error, MemoryError):
        return sentence("no_memory")
    return sentence("own_fault", kind=type(error).__name__, text=str(error)[:200])
