"""The `camlog` command. Each command is a module here, a thin wrapper over a library function."""

from __future__ import annotations

import importlib
import os
import sys
import warnings
from typing import NoReturn

import typer

from camlog.cli.options import declared
from camlog.errors import InputError, saved_details
from camlog.visible import visible, visible_output

COMMANDS = (
    "record", "replay", "analyze", "compare", "verify", "codes", "clear", "convert", "simulate", "vehicle", "job", "library", "screen",
    "serve",
    "shortcut", "demo",
)  # fmt: skip

EXIT_BAD_INPUT = 2
EXIT_INTERRUPTED = 130


def build_app() -> typer.Typer:
    """The typer application with every command."""
    app = typer.Typer(
        name="camlog",
        no_args_is_help=True,
        pretty_exceptions_enable=False,
        add_completion=False,
        rich_markup_mode=None,  # plain help texts: drawing them by rich takes longer than all the rest
        help="Log a test drive, see how each cam follows its command, and prove the repair.",
    )

    @app.callback(invoke_without_command=True)
    def _root(version: bool = typer.Option(False, "--version", help="Print the version and end.")) -> None:
        if version:
            from camlog import __version__

            typer.echo(f"camlog {__version__}")
            raise typer.Exit()

    for name in COMMANDS:
        module = importlib.import_module(f"camlog.cli.{name}")
        if hasattr(module, "app"):
            app.add_typer(module.app, name=name)
        else:
            app.command(name)(declared(getattr(module, name), name))
    return app


def main(arguments: list[str] | None = None) -> None:
    """Run the command line.

    What a command prints is shown, never sent (`camlog.visible`). Whatever ends it early is one line on stderr
    and status 2: bad input, usage, a disk or memory that is full, and a fault of camlog's own, whose details
    are saved to a file of which the line tells.
    """
    if not sys.warnoptions:
        warnings.simplefilter("ignore")  # what a library remarks on stderr is for its developers
    with visible_output():
        try:
            status = build_app()(args=arguments, standalone_mode=False)
            sys.stdout.flush()
        except KeyboardInterrupt:
            raise SystemExit(EXIT_INTERRUPTED) from None
        except (BrokenPipeError, SystemExit):
            # Whoever read has enough. The command-line library would make that status 1, and no command ends so.
            _leave_output()
            raise SystemExit(0) from None
        except BaseException as error:  # noqa: BLE001  a panic in a compiled library is no Exception
            _end(error)
    raise SystemExit(status if isinstance(status, int) else 0)


def _end(error: BaseException) -> NoReturn:
    """End with the line that `error` comes to."""
    # Usage errors come from the command-line library, under names that differ between its versions.
    kind = type(error).__name__
    if kind == "Abort":
        raise SystemExit(EXIT_INTERRUPTED) from None
    if kind == "NoArgsIsHelpError" and hasattr(error, "format_message"):
        print(error.format_message())
        raise SystemExit(0) from None
    _say_last("camlog: " + " ".join(visible(_line_of(error)).split()))
    raise SystemExit(EXIT_BAD_INPUT) from None


def _line_of(error: BaseException) -> str:
    from camlog.cli.results import say

    if isinstance(error, InputError):
        return str(error)
    if hasattr(error, "format_message"):
        command = getattr(getattr(error, "ctx", None), "command_path", "camlog")
        return say("end.usage", message=error.format_message().rstrip("."), command=command)
    if isinstance(error, OSError) and error.errno is not None:
        return say("end.system", where=f"{error.filename}: " if error.filename else "", reason=error.strerror)
    if isinstance(error, MemoryError):
        return say("end.memory")
    fault = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
    return say("end.fault", fault=fault[:200], details=saved_details(error))


def _say_last(line: str) -> None:
    """The last line on stderr; what standard output cannot take any more is let go."""
    try:
        print(line, file=sys.stderr, flush=True)
    except (OSError, ValueError):
        pass  # nobody can be told; the status still says it
    try:
        sys.stdout.flush()
    except (OSError, ValueError):
        _leave_output()


def _leave_output() -> None:
    """What standard output could not take goes nowhere: Python would complain once more on closing."""
    try:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except (OSError, ValueError):
        pass  # it has no file beneath
