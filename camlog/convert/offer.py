"""The mapping file that is made ready beside a foreign file while something in it is in doubt."""

from __future__ import annotations

from pathlib import Path

from camlog.errors import InputError
from camlog.new_files import write_text


def default_out(path: Path) -> Path:
    """Where a converted file goes by default: `NAME.camlog.csv` beside it."""
    name = path.name
    for ending in (".gz", ".zip"):
        if name.lower().endswith(ending) and len(name) > len(ending):
            name = name[: -len(ending)]
    stem = name.rsplit(".", 1)[0] if "." in name[1:] else name
    return path.with_name(stem + ".camlog.csv")


def mapping_path(path: Path) -> Path:
    """Where the ready-made mapping file of a foreign file goes: `NAME.map.toml` beside it."""
    return default_out(path).with_name(default_out(path).name.removesuffix(".camlog.csv") + ".map.toml")


def offer_mapping(path: Path, text: str, *, elsewhere: bool = True) -> tuple[Path | None, bool]:
    """Write the ready-made mapping file unless one is there: beside the file or, with `elsewhere`, in the present
    folder where that cannot be. Returns its path (None: cannot be written), and whether it is new."""
    for target in (mapping_path(path), Path(mapping_path(path).name))[: 1 + elsewhere]:
        try:
            write_text(text, target, replace=False)
            return target, True
        except InputError:
            return target, False
        except OSError:
            continue
    return None, False


def ask_for_mapping(path: Path, what: str, text: str) -> InputError:
    """The error about a doubt, which names the mapping file that `text` was written to."""
    target, new = offer_mapping(path, text)
    if target is None:
        return InputError(
            what, file=path, remedy="Say what they are in a mapping file, and pass it with --map."
        )
    said = "was made ready: edit it" if new else "is there already: complete it (or remove it for a new one)"
    return InputError(what, file=path, remedy=f"{target} {said}, and pass it with --map {target}")
