"""Commands as the command line has them; the words of their options and arguments are in `options.toml`, each once.

There a command's own table goes before that of its group, and that before `shared`. `names` are an option's where they are
not its parameter's; every other key is one of typer's.
"""

from __future__ import annotations

import functools
import inspect
import tomllib
from collections.abc import Callable
from importlib import resources
from typing import Annotated, Any, Literal

import typer

TABLE: dict[str, Any] = tomllib.loads(resources.files(__package__).joinpath("options.toml").read_text("utf-8"))
Units = Literal["metric", "us"] | None
# Those that show a person numbers of a drive.
WITH_UNITS = frozenset(
    "record replay analyze compare verify codes demo screen vehicle.try job.show job.quote job.close library.show library.trend".split()
)


def group(name: str, *commands: Callable[..., Any]) -> typer.Typer:
    """The application of a command that has commands of its own, each under its function's name."""
    app = typer.Typer(no_args_is_help=True, help=TABLE[name]["help"])
    for command in commands:
        inner = command.__name__.rstrip("_")
        app.command(inner)(declared(command, name, inner))
    return app


def declared(command: Callable[..., Any], *path: str) -> Callable[..., Any]:
    """The command of that name (and within that group) with its words; with --units, in which it shows numbers."""
    tables, at = [TABLE["shared"]], TABLE
    for name in path:
        at = at.get(name, {})
        tables.append(at)
    shows_numbers = ".".join(path) in WITH_UNITS

    @functools.wraps(command)
    def run(*args: Any, **more: Any) -> Any:
        if not shows_numbers:
            return command(*args, **more)
        from camlog.units import METRIC, showing

        units = more.pop("units")
        with showing(METRIC if more.get("json") else units):
            return command(*args, **more)

    given = list(inspect.signature(command, eval_str=True).parameters.values())
    if shows_numbers:
        given.append(inspect.Parameter("units", inspect.Parameter.KEYWORD_ONLY, default=None, annotation=Units))
    words = {key: value for table in tables for key, value in table.items()}
    parameters = [p.replace(annotation=_annotated(p, dict(words[p.name]))) for p in given]
    run.__signature__ = inspect.Signature(parameters)  # type: ignore[attr-defined]
    run.__annotations__ = {p.name: p.annotation for p in parameters}
    return run


def _annotated(parameter: inspect.Parameter, words: dict[str, Any]) -> Any:
    if words.pop("argument", False):
        return Annotated[parameter.annotation, typer.Argument(**words)]
    names = words.pop("names", ["--" + parameter.name.rstrip("_").replace("_", "-")])
    return Annotated[parameter.annotation, typer.Option(*names, **words)]
