"""Puts the command groups together; each group's file imports what it needs when it is called."""

from __future__ import annotations

import typer

from meterlink.cli import (
    bench,
    boards,
    demo,
    desk,
    driver,
    export,
    journal,
    knowngood,
    ports,
    report,
    screen,
    setup,
    sheet,
    supply,
)

journal.app.add_typer(export.app, name="export")


def add_to(app: typer.Typer) -> None:
    """All commands of the contract (docs/commands.md)."""
    app.command("demo")(demo.demo)
    bench.add_to(app)
    setup.add_to(app)
    boards.add_to(desk.job, desk.board)
    app.add_typer(desk.job, name="job")
    app.add_typer(desk.board, name="board")
    app.add_typer(sheet.app, name="sheet")
    app.add_typer(journal.app, name="journal")
    app.add_typer(driver.app, name="driver")
    app.command("report")(report.report)
    app.add_typer(knowngood.app, name="known-good")
    app.add_typer(supply.app, name="supply")
    app.command("ports")(ports.ports)
    app.command("screen")(screen.screen)
