"""The mapping file that is made ready beside a foreign file while something in it is in doubt."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from functools import cache
from importlib import resources
from pathlib import Path

from camlog.cams import CAM_IDS, actual, commanded
from camlog.convert.clocks import Clock, Timing
from camlog.convert.layout import Layout, SourceColumn
from camlog.convert.model import ColumnMatch
from camlog.convert.ranges import possible_units
from camlog.convert.words import say
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


def ask_for_mapping(error: InputError, path: Path, text: str) -> InputError:
    """The same error, its remedy naming the mapping file that `text` was written to."""
    target, new = offer_mapping(path, text)
    name = "map_by_hand" if target is None else "map_ready" if new else "map_there"
    remedy = error.remedy + say(name, path=shlex.quote(str(target)))
    return InputError(error.what, file=path, remedy=remedy, on_page=say("map_on_page"))


def mapping_text(
    name: str, layout: Layout, timing: Timing | None, clock: Clock | None, columns: Sequence[ColumnMatch],
    offered: SourceColumn | None = None,
) -> str:  # fmt: skip
    """The text of a mapping file for the file `name`. What is in doubt stands as a comment: nothing is
    answered by passing it back as it is."""
    time = offered or next((c for c in layout.columns if timing and c.index in timing.columns[-1:]), None)
    return _template().render(
        name=name, timing=timing, clock=clock, columns=columns,
        time_column=time and (quoted(time.heading) if time.heading else str(time.index + 1)),
        doubts={d for c in columns if c.doubtful for d in c.doubts},
    )  # fmt: skip


@cache
def _template():
    import jinja2

    environment = jinja2.Environment(
        trim_blocks=True, lstrip_blocks=True, keep_trailing_newline=True, undefined=jinja2.StrictUndefined
    )
    environment.filters |= {
        "plain": _plain, "quoted": quoted, "other_angles": other_angles, "possible_units": possible_units
    }  # fmt: skip
    return environment.from_string(resources.files(__package__).joinpath("mapping.toml.j2").read_text("utf-8"))


def quoted(text: str) -> str:
    """A TOML string of any text."""
    return '"' + "".join(map(_escaped, text)) + '"'


def _escaped(char: str) -> str:
    if char in '"\\':
        return "\\" + char
    if "\ud800" <= char <= "\udfff":
        return "?"  # half a character, which no file in UTF-8 can hold
    return f"\\u{ord(char):04x}" if char < " " or char == "\x7f" else char


def other_angles(signal: str) -> list[str]:
    """The other cam angles a column could be, where it is one."""
    angles = [s for cam in CAM_IDS for s in (commanded(cam), actual(cam))]
    return [s for s in angles if s != signal] if signal in angles else []


def _plain(text: str) -> str:
    """Text for a comment: one line, nothing that TOML forbids there."""
    return "".join(c if c.isprintable() else " " for c in str(text))
