"""The `camlog` command. Each command is a module here, a thin wrapper over a library function."""

from __future__ import annotations

import importlib
import importlib.util
import sys

import typer

COMMANDS = (
    "record",
    "replay",
    "analyze",
    "compare",
    "verify",
    "codes",
    "clear",
    "convert",
    "simulate",
    "vehicle",
    "serve",
    "demo",
)

EXIT_BAD_INPUT = 2
EXIT_INTERRUPTED = 130


def build_app() -> typer.Typer:
    """The typer application with every command whose module is present."""
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
        if importlib.util.find_spec(f"camlog.cli.{name}") is None:
            continue
        module = importlib.import_module(f"camlog.cli.{name}")
        if hasattr(module, "app"):
            app.add_typer(module.app, name=name)
        else:
            app.command(name)(getattr(module, name))
    return app


def main(arguments: list[str] | None = None) -> None:
    """Run the command line; bad input or usage ends with one line on stderr and status 2."""
    from camlog.errors import InputError

    try:
        status = build_app()(args=arguments, standalone_mode=False)
    except InputError as error:
        _fail(str(error))
    except KeyboardInterrupt:
        raise SystemExit(EXIT_INTERRUPTED) from None
    except BrokenPipeError:
        sys.stderr.close()
        raise SystemExit(0) from None
    except Exception as error:
        # Usage errors come from the command-line library, under a name that differs between its versions.
        if not hasattr(error, "format_message"):
            if type(error).__name__ == "Abort":
                raise SystemExit(EXIT_INTERRUPTED) from None
            raise
        text = error.format_message()
        if type(error).__name__ == "NoArgsIsHelpError":
            print(text)
            raise SystemExit(0) from None
        place = getattr(getattr(error, "ctx", None), "command_path", "camlog")
        _fail(f"{text.rstrip('.')}. See `{place} --help`.")
    raise SystemExit(status if isinstance(status, int) else 0)


def _fail(text: str) -> None:
    print("camlog: " + " ".join(text.split()), file=sys.stderr)
    raise SystemExit(EXIT_BAD_INPUT) from None
