"""Names of files as a browser may give them: which are taken, and what kind of file each is."""

from __future__ import annotations

import os
import re
import unicodedata
from urllib.parse import quote

from camlog.errors import InputError

TRACE_ENDINGS = (".csv", ".txt", ".tsv", ".log", ".dat", ".gz", ".zip")
DRIVE_ENDING, FINDINGS_ENDING = ".drive.json", ".findings.json"
MAP_ENDING, PROFILE_ENDING = ".map.toml", ".toml"
# What an analysis writes beside a trace, by what it is called.
RESULT_ENDINGS = {
    "report": ".report.html",
    "comparison": ".comparison.html",
    "verification": ".verification.html",
}
# Longest first: `x.drive.json` is a drive file, and `x.map.toml` no vehicle profile.
_KINDS = {
    DRIVE_ENDING: "drive",
    FINDINGS_ENDING: "findings",
    MAP_ENDING: "map",
    PROFILE_ENDING: "profile",
    **dict.fromkeys(RESULT_ENDINGS.values(), "result"),
    **dict.fromkeys(TRACE_ENDINGS, "trace"),
}
KNOWN = "a recording (.csv, .txt, .tsv, .log, .dat, .gz, .zip), a drive file (.drive.json) or a vehicle profile (.toml)"

LONGEST_NAME_BYTES = 255
LONGEST_NEW_NAME_BYTES = 200  # leaves room for `.verification.html`
# Joiners belong to some languages' words; other invisible or direction-changing characters hide something.
_JOINERS = "\u200c\u200d"
_HIDDEN = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})
_SEPARATORS = re.compile(r"[/\\]")
_DRIVE_LETTER = re.compile(r"[A-Za-z]:")
# Names of devices on Windows, whatever the ending: Microsoft, "Naming Files, Paths, and Namespaces".
_DEVICE = re.compile(r"(con|prn|aux|nul|conin\$|conout\$|(com|lpt)[0-9\u00b9\u00b2\u00b3])", re.IGNORECASE)
_NOT_ON_WINDOWS = re.compile(r'[<>:"|?*]')


def kind_of(name: str) -> str | None:
    """`trace`, `drive`, `findings`, `result`, `map` or `profile` by a name's ending; None for any other."""
    low = name.lower()
    return next(
        (kind for ending, kind in _KINDS.items() if low.endswith(ending) and len(low) > len(ending)), None
    )


def check_name(name: str) -> str:
    """The name, where it is that of a file lying directly in a folder and of a kind camlog knows.

    Raises InputError for anything that could lead elsewhere, hide, or stand for a device.
    """
    if not isinstance(name, str) or not name:
        raise _refused("", "is no name", "Give the file a name.")
    if _SEPARATORS.search(name) or name in (".", "..") or _DRIVE_LETTER.match(name):
        raise _refused(name, "is not a name in this folder", "Give the file's own name, without a folder.")
    if any(c not in _JOINERS and unicodedata.category(c) in _HIDDEN for c in name):
        raise _refused(name, "holds characters that cannot be seen", "Rename the file.")
    if name[0] == "." or name[-1] in ". " or not name.strip():
        raise _refused(name, "is a hidden name, or ends in a dot or a space", "Rename the file.")
    if len(name.encode("utf-8")) > LONGEST_NAME_BYTES:
        raise _refused(name, "is too long a name", "Rename the file.")
    if _DEVICE.fullmatch(name.split(".")[0].rstrip(" ")):
        raise _refused(name, "is the name of a device on some computers", "Rename the file.")
    if os.name == "nt" and _NOT_ON_WINDOWS.search(name):
        raise _refused(name, 'holds one of < > : " | ? *', "Rename the file.")
    if kind_of(name) is None:
        raise _refused(name, "is not a kind of file camlog works with", f"It takes {KNOWN}.")
    return name


def check_new_name(name: str) -> str:
    """`check_name` for a file that is to be made: composed characters, and room for its companions' names."""
    name = check_name(unicodedata.normalize("NFC", name))
    if len(name.encode("utf-8")) > LONGEST_NEW_NAME_BYTES:
        raise _refused(name, "is too long a name", "Use a shorter one.")
    return name


def stem_of(trace: str) -> str:
    """What a trace's results are called after: its name without `.csv`."""
    return trace.removesuffix(".csv")


def split_ending(name: str) -> tuple[str, str]:
    """Stem and ending of a name camlog knows, as in `a` and `.drive.json`, or `a` and `.csv.gz`."""
    low = name.lower()
    ending = next(e for e in _KINDS if low.endswith(e) and len(low) > len(e))
    inner = (
        next((e for e in TRACE_ENDINGS if low.endswith(e + ending)), "") if ending in (".gz", ".zip") else ""
    )
    cut = len(name) - len(inner + ending)
    return (name[:cut], name[cut:]) if cut > 0 else (name[: -len(ending)], name[-len(ending) :])


def address(page: str, name: str) -> str:
    """Path of a page about a file, whatever its name holds."""
    return f"/{page}/{quote(name, safe='')}"


def told(error: InputError) -> str:
    """What a page says of an error: of a file only its name, and what to do on a page, not in a terminal."""
    remedy = error.remedy
    if "--map" in remedy:
        remedy = "Convert it here first: the page asks what its columns are."
    elif "--out" in remedy or "--force" in remedy:
        remedy = "Check the working folder."
    name = None if error.file is None else _SEPARATORS.split(error.file.rstrip("/\\"))[-1]
    return str(InputError(error.what, remedy=remedy, file=name, line=error.line, column=error.column))


def fault(error: Exception) -> str:
    """What a page says of an error that is camlog's own, or of a computer too small for a file."""
    if isinstance(error, MemoryError):
        return "This computer has not enough memory for that file."
    return f"That failed, through a fault of camlog ({type(error).__name__}: {str(error)[:200]})."


def _refused(name: str, what: str, remedy: str) -> InputError:
    # As Python would write it: what cannot be seen is then seen.
    return InputError(f"{name[:80]!a} {what}" if name else f"this {what}", remedy=remedy)
