"""The command `meterlink`: one typer application out of a file per command group.

Every error ends as one line on stderr and an exit code (meterlink/exits.py); no traceback ever reaches a user.
"""

from __future__ import annotations

import os
import sys
import tempfile
import traceback

import typer

from meterlink import __version__, errors
from meterlink.exits import FAULT, exit_code

# typer keeps its own copy of click from 0.20 on: the root of its errors is reached through what it exports
ClickError: type[Exception] = typer.BadParameter.__mro__[2]


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"meterlink {__version__}")
        raise typer.Exit


def application() -> typer.Typer:
    """The whole command line."""
    from meterlink.cli import groups

    app = typer.Typer(
        name="meterlink",
        help="A repair bench that listens: meters in, kept readings in a durable journal out.",
        no_args_is_help=True,
        add_completion=False,
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["-h", "--help"]},
    )

    @app.callback()
    def root(
        version: bool = typer.Option(False, "--version", callback=_version, is_eager=True, help="Show it."),
    ) -> None:
        pass

    groups.add_to(app)
    return app


def main() -> None:
    """Run it; every error of ours is one line on stderr and its exit code."""
    try:
        result = application()(standalone_mode=False)
        code = result if isinstance(result, int) else 0
    except errors.MeterlinkError as error:
        sys.stderr.write("meterlink: " + " ".join(str(error).split()) + "\n")
        code = exit_code(error)
    except typer.Abort:
        code = 130
    except ClickError as error:
        sys.stderr.write(f"meterlink: {error.format_message()} (see --help)\n")  # type: ignore[attr-defined]
        code = 2
    except KeyboardInterrupt:
        code = 130
    except BrokenPipeError:
        # the reader of our output has gone; Python would complain once more when it flushes at the end
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = 0
    except Exception as error:  # noqa: BLE001 - a fault of ours: one line for the user, the rest in a file for us
        with tempfile.NamedTemporaryFile("w", prefix="meterlink-fault-", suffix=".txt", delete=False) as file:
            traceback.print_exc(file=file)
        sys.stderr.write(f"meterlink: a fault of its own ({type(error).__name__}); please send us {file.name}\n")
        code = FAULT
    sys.exit(code)
