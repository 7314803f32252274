"""Puts the command groups together. A command is called many times a day, by a shortcut or a script: of the files only
its own is loaded, and that imports what it needs when it is called."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import typer


def _demo(app: typer.Typer) -> None:
    from meterlink.cli import demo

    app.command("demo")(demo.demo)


def _bench(app: typer.Typer) -> None:
    from meterlink.cli import bench

    bench.add_to(app)


def _setup(app: typer.Typer) -> None:
    from meterlink.cli import setup

    setup.add_to(app)


def _desk(app: typer.Typer) -> None:
    job, board = _job_and_board()
    app.add_typer(job, name="job")
    app.add_typer(board, name="board")


@cache
def _job_and_board() -> tuple[typer.Typer, typer.Typer]:
    from meterlink.cli import boards, desk

    boards.add_to(desk.job, desk.board)
    return desk.job, desk.board


def _sheet(app: typer.Typer) -> None:
    from meterlink.cli import sheet

    app.add_typer(sheet.app, name="sheet")


def _journal(app: typer.Typer) -> None:
    app.add_typer(_journal_with_export(), name="journal")


@cache
def _journal_with_export() -> typer.Typer:
    from meterlink.cli import export, journal

    journal.app.add_typer(export.app, name="export")
    return journal.app


def _driver(app: typer.Typer) -> None:
    from meterlink.cli import driver

    app.add_typer(driver.app, name="driver")


def _report(app: typer.Typer) -> None:
    from meterlink.cli import report

    app.command("report")(report.report)


def _known_good(app: typer.Typer) -> None:
    from meterlink.cli import knowngood

    app.add_typer(knowngood.app, name="known-good")


def _supply(app: typer.Typer) -> None:
    from meterlink.cli import supply

    app.add_typer(supply.app, name="supply")


def _ports(app: typer.Typer) -> None:
    from meterlink.cli import ports

    app.command("ports")(ports.ports)


def _screen(app: typer.Typer) -> None:
    from meterlink.cli import screen

    app.command("screen")(screen.screen)


# First words of a command line, and what loads the file that they are in; in the order of the help.
FILES: tuple[tuple[frozenset[str], Callable[[typer.Typer], None]], ...] = (
    (frozenset({"demo"}), _demo),
    (
        frozenset(
            {
                *("run", "status", "keep", "back", "next", "undo", "leave-out", "move"),
                *("who", "point", "stage", "power", "void"),
            }
        ),
        _bench,
    ),
    (frozenset({"doctor", "setup", "pedal", "scanner", "sound"}), _setup),
    (frozenset({"job", "board"}), _desk),
    (frozenset({"sheet"}), _sheet),
    (frozenset({"journal"}), _journal),
    (frozenset({"driver"}), _driver),
    (frozenset({"report"}), _report),
    (frozenset({"known-good"}), _known_good),
    (frozenset({"supply"}), _supply),
    (frozenset({"ports"}), _ports),
    (frozenset({"screen"}), _screen),
)


def add_to(app: typer.Typer, first: str | None = None) -> None:
    """The commands of the contract (docs/commands.md).

    first   the first word of the command line: where it is a command, its file alone is loaded; else all are, for the
            help and for what may have been meant.
    """
    own = [add for names, add in FILES if first in names]
    for add in own or [add for _, add in FILES]:
        add(app)
