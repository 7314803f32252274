"""The command `meterlink`: one typer application out of a file per command group.

Every error ends as one line on stderr and an exit code (meterlink/exits.py); no traceback ever reaches a user.
"""

from __future__ import annotations

import errno
import io
import os
import sys
import tempfile
import traceback
from collections.abc import Callable
from contextlib import suppress
from functools import cache
from pathlib import Path

import typer

from meterlink import __version__, errors
from meterlink.cli.output import echo, say
from meterlink.exits import FAULT, exit_code
from meterlink.folders import trust_drivers

# typer keeps its own copy of click from 0.20 on: the root of its errors is reached through what it exports
ClickError: type[Exception] = typer.BadParameter.__mro__[2]


def _version(wanted: bool) -> None:
    if wanted:
        echo(f"meterlink {__version__}")
        raise typer.Exit


def application(first: str | None = None) -> typer.Typer:
    """The whole command line, or the part of it that its first word needs."""
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
        drivers: Path | None = typer.Option(
            None, help="Take single-file drivers from this folder, and trust their code; default: the user's own."
        ),
    ) -> None:
        trust_drivers(drivers)

    groups.add_to(app, first)
    return app


@cache
def command(first: str | None = None) -> Callable[..., object]:
    """The same, ready to be called; put together once in a process, however often it is called there."""
    return typer.main.get_command(application(first))


def main() -> None:
    """Run it; every error of ours is one line on stderr and its exit code."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")  # a terminal or a file's name need not be UTF-8
    try:
        result = command(sys.argv[1] if len(sys.argv) > 1 else None)(standalone_mode=False)
        sys.stdout.flush()
        code = result if isinstance(result, int) else 0
    except errors.MeterlinkError as error:
        _say(str(error))
        code = exit_code(error)
    except typer.Abort as ended:  # so typer ends a question, for Ctrl-C and for an end of the input alike
        say("")  # the question stands on that line
        code = 130
        if isinstance(ended.__context__, EOFError):
            _say("the question found nobody to answer it: call this in a terminal")
            code = exit_code(errors.BadInput())
    except ClickError as error:
        if words := error.format_message():  # type: ignore[attr-defined]  # none where the help was shown instead
            _say(f"{words} (see --help)")
        code = 2
    except KeyboardInterrupt:
        code = 130
    except BrokenPipeError:
        _drop_output()
        code = 0
    except SystemExit as ended:  # so typer and rich end where the reader of our output has gone
        if not isinstance(ended.__context__, BrokenPipeError):
            raise
        _drop_output()
        code = 0
    except OSError as error:
        _drop_output()
        code = _system(error)
    except UnicodeEncodeError as error:
        _drop_output()
        code = _not_text(error)
    except Exception as error:  # noqa: BLE001 - a fault of ours
        code = _fault(error)
    sys.exit(code)


def _say(text: str) -> None:
    with suppress(OSError):  # standard error may be as full as the output
        say("meterlink: " + " ".join(text.split()))


def _drop_output() -> None:
    """What is still waiting goes nowhere: else Python would complain once more when it flushes at the end."""
    with suppress(OSError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _system(error: OSError) -> int:
    """A disk that is full is a refusal; what a named file does not allow is the user's to mend; else it is ours."""
    where = error.filename or "the output"
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        _say(f"{where} cannot be written ({error.strerror}): free space, then try again")
        return exit_code(errors.Refused())
    if error.filename:
        _say(f"{where}: {error.strerror}; check the name and whether you may use it")
        return exit_code(errors.BadInput())
    return _fault(error)


def _not_text(error: UnicodeEncodeError) -> int:
    """An argument whose bytes are not UTF-8 stands for a file's name, and for nothing that a journal could hold."""
    for word in sys.argv[1:]:
        if not word.isascii() and any("\ud800" <= c <= "\udfff" for c in word):
            _say(f"{word!a} is not UTF-8 text: write it in UTF-8")
            return exit_code(errors.BadInput())
    return _fault(error)


def _fault(error: Exception) -> int:
    """A fault of our own: one line for the user, the rest in a file for us."""
    try:
        with tempfile.NamedTemporaryFile("w", prefix="meterlink-fault-", suffix=".txt", delete=False) as file:
            traceback.print_exception(type(error), error, error.__traceback__, file=file)
        told = f"please send us {file.name}"
    except OSError:
        told = f"{error}; there was no room to write more"
    _say(f"a fault of its own ({type(error).__name__}); {told}")
    return FAULT
