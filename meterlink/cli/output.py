"""How every command prints: JSON lines or a table on stdout, words on stderr."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Annotated, Any

import msgspec
import typer

Dir = Annotated[
    Path | None,
    typer.Option("--dir", help="The bench's folder (config, journal, sheets); default: the XDG folders."),
]
Json = Annotated[bool, typer.Option("--json", help="One JSON object per line on stdout, nothing else.")]


def emit(row: Any) -> None:
    """One JSON object on its own line of stdout."""
    typer.echo(msgspec.json.encode(row).decode())


def say(text: str) -> None:
    """A message for a person, on stderr."""
    typer.echo(text, err=True)


def table(columns: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    """A plain table on stdout; cells are text, never markup. What is too long goes on below: nothing is cut."""
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    out = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for column in columns:
        out.add_column(column, overflow="fold")
    for row in rows:
        out.add_row(*(Text("" if cell is None else str(cell)) for cell in row))
    console = Console(highlight=False)
    if console.is_terminal:
        console.print(out)
        return
    console = Console(highlight=False, width=200)
    with console.capture() as drawn:
        console.print(out)
    typer.echo("\n".join(line.rstrip() for line in drawn.get().splitlines()))
