"""The job file `NAME.job.json`, schema `camlog.job/1`: everything in one job. Changes are dated, unknown keys kept.

| key | content |
|---|---|
| `complaint`, `done` | the customer's words; what was done |
| `vehicle` | `name`, `plate`, `mileage_km`, `oil_date`, `oil_grade`, `engine` |
| `people` | `technician`, `shop`, `customer` |
| `recordings` | `file`, `sha256`, `role` ("before" or "after") |
| `findings` | of the recording before the repair: conditions of the cams, codes, `probabilities` of the causes |
| `checks` | `key`, `check`, `outcome`, `note`, `probabilities` of the causes after it |
| `quote`, `sheet`, `verification` | as `job quote`, `job sheet` and `verify` made them |
| `log` | `at` (ISO 8601 with zone), `what`: one line for every change |

Everything but `schema` is optional.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any

from annotated_types import Ge, Le
from pydantic import TypeAdapter, ValidationError
from typing_extensions import TypedDict

from camlog.errors import InputError, check_saved
from camlog.new_files import CHECK_FOLDER, refusals, write_text
from camlog.stream import now

SCHEMA = "camlog.job/1"
SUFFIX = ".job.json"
MAX_FILE_BYTES = 20_000_000
# ruff: noqa: UP013 - one table on a line
Chances = dict[str, Annotated[float, Ge(0.0), Le(1.0)]]
_Row = TypedDict("_Row", {"what": str, "text": str, "value": float | None, "limit": float | None, "torque": float | None,
                          "angle_deg": float | None}, total=False)  # fmt: skip
_Sheet = TypedDict("_Sheet", {"repair": str, "before": list[_Row], "measurements": list[_Row], "fasteners": list[_Row],
                              "after": list[_Row], "afterwards": list[_Row]}, total=False)  # fmt: skip
_Choice = TypedDict("_Choice", {"key": str, "repair": str, "cures": float, "comes_back": float, "labour": float, "parts": float,
                                "expected_cost": float})  # fmt: skip
_Quote = TypedDict("_Quote", {"repair": str, "choices": list[_Choice], "parts": list[dict[str, Any]],
                              "whole_set_from_km": float | None}, total=False)  # fmt: skip
_Seen = TypedDict(
    "_Seen", {"probabilities": Chances | None, "cams": dict[str, dict[str, Any]], "do_not_run": list[str]}, total=False
)
_File = TypedDict("_File", {
    "complaint": str | None, "done": str | None, "vehicle": dict[str, Any] | None, "people": dict[str, Any] | None,
    "recordings": list[dict[str, Any]] | None, "findings": _Seen | None, "checks": list[_Seen] | None, "quote": _Quote | None,
    "sheet": _Sheet | None, "verification": dict[str, Any] | None, "log": list[dict[str, Any]] | None,
}, total=False)  # fmt: skip
_EMPTY: Mapping[str, type] = {"complaint": str, "done": str, "recordings": list, "checks": list, "log": list}


class Job:
    """One job: `content` is the JSON object of its file, `path` the path of that file."""

    def __init__(self, path: Path, content: dict[str, Any] | None = None):
        self.path = path
        self.content: dict[str, Any] = content if content is not None else {"schema": SCHEMA}

    def get(self, key: str) -> Any:
        """The value of a key; an empty one of its type if the file has none."""
        return self.content.get(key) or _EMPTY.get(key, dict)()

    def put(self, key: str, value: Any, what: str) -> None:
        """Set a key and log the change with the old value."""
        earlier = self.content.get(key) if key in ("complaint", "vehicle", "people", "quote") else None
        self.content[key] = value
        self.note(what, **({"before": earlier} if earlier else {}))

    def add(self, key: str, entry: Mapping[str, Any], what: str) -> None:
        """Append a dated entry to a list (`recordings`, `checks`) and log it."""
        self.content[key] = [*self.get(key), {"at": now(), **entry}]
        self.note(what)

    def note(self, what: str, **more: Any) -> None:
        """Append a line to the log."""
        self.content["log"] = [*self.get("log"), {"at": now(), "what": what, **more}]

    @property
    def probabilities(self) -> dict[str, float]:
        """The current probabilities of the causes; empty if there are no findings."""
        states = [self.get("findings"), *self.get("checks")]
        return next((dict(s["probabilities"]) for s in reversed(states) if s.get("probabilities")), {})

    def save(self, *, replace: bool = True) -> None:
        """Write the file, whole or not at all. Raises InputError if it exists and `replace` is not set."""
        with refusals(self.path, CHECK_FOLDER):
            write_text(json.dumps(self.content, indent=1, ensure_ascii=False) + "\n", self.path, replace=replace)


def read_job(path: str | Path) -> Job:
    """Read a job file. Raises InputError with the wrong key if it is no JSON of the schema."""
    path = Path(path)
    check_saved(path)
    remedy = "Correct it, or restore it from a copy."
    try:
        if path.stat().st_size > MAX_FILE_BYTES:
            raise InputError("is too large to be a job", file=path, remedy="Check which file is meant.")
        raw = json.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as error:
        unread = "Begin one with `camlog job new`, or check the path."
        raise InputError(f"cannot be read ({error.strerror})", file=path, remedy=unread) from error
    except (ValueError, RecursionError) as error:
        raise InputError("is not JSON", file=path, line=getattr(error, "lineno", None), remedy=remedy) from error
    if not isinstance(raw, dict) or raw.get("schema") != SCHEMA:
        raise InputError(f'schema should be "{SCHEMA}"', file=path, column="schema", remedy=remedy)
    try:
        TypeAdapter(_File).validate_python(raw, strict=True)
    except ValidationError as error:
        slip = error.errors()[0]
        where = ".".join(map(str, slip["loc"]))
        raise InputError(slip["msg"], file=path, column=where, remedy=remedy) from error
    return Job(path, raw)


def find_job(path: str | Path | None, folder: Path = Path(".")) -> Job:
    """The job at `path`, or the only one in the folder. Raises InputError if there is none or more than one."""
    if path is not None:
        with_suffix = Path(f"{path}{SUFFIX}")
        return read_job(with_suffix if with_suffix.is_file() and not Path(path).is_file() else path)
    paths = sorted(folder.glob(f"*{SUFFIX}"))
    if len(paths) == 1:
        return read_job(paths[0])
    fault = "holds no job file" if not paths else f"holds {len(paths)} job files"
    names = "" if not paths else ": " + ", ".join(p.name for p in paths[:5])
    remedy = "Begin one with `camlog job new NAME`." if not paths else f"Say which with --job{names}."
    raise InputError(fault, file=folder, remedy=remedy)
