"""How every command prints: JSON lines or a table on stdout, words on stderr. The one room that writes to either.

Invariant: what comes from a record, a driver, a file or its name leaves through `visible`; a call of `echo` or `say` is
one line, whatever it holds. Only `raw` gives bytes as they are, to a file or another program.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any

import msgspec
import typer

from meterlink.visible import visible, visible_json

Dir = Annotated[
    Path | None,
    typer.Option("--dir", help="The bench's folder (config, journal, sheets); default: the XDG folders."),
]
Json = Annotated[bool, typer.Option("--json", help="One JSON object per line on stdout, nothing else.")]

LONGEST = 20_000  # characters of a message on stderr: a crate of boards may be named, a text of a million may not


def emit(row: Any) -> None:
    """One JSON object on its own line of stdout."""
    emit_line(msgspec.json.encode(row))


def emit_line(line: bytes) -> None:
    """One JSON object that is encoded already, such as a record's line; UTF-8 whatever the terminal's encoding."""
    typer.echo(visible_json(line))


def echo(text: object = "") -> None:
    """One line of words on stdout."""
    typer.echo(visible(str(text)))


def block(text: str) -> None:
    """A text of ours that has several lines (a summary, a sheet): its line ends are line ends."""
    for line in text.removesuffix("\n").split("\n"):
        echo(line)


def say(text: str) -> None:
    """A message for a person, one line on stderr."""
    shown = visible(text)
    rest = len(shown) - LONGEST
    typer.echo(shown if rest <= 0 else f"{shown[:LONGEST]} ... and {rest} characters more", err=True)


def ask(question: str, **how: Any) -> str:
    """A line that a person types. With `default` an empty one stands for that; without, it is asked again."""
    offered = f" [{how['default']}]" if "default" in how else ""
    return str(typer.prompt(visible(question + offered), show_default=False, **how))


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
        out.add_row(*(Text("" if cell is None else visible(str(cell))) for cell in row))
    console = Console(highlight=False)
    if console.is_terminal:
        console.print(out)
        return
    console = Console(highlight=False, width=200)
    with console.capture() as drawn:
        console.print(out)
    typer.echo("\n".join(line.rstrip() for line in drawn.get().splitlines()))


def raw(pieces: Iterable[bytes]) -> None:
    """Bytes for a file or another program, as they are; each piece is out before the next is asked for."""
    sys.stdout.flush()
    for piece in pieces:
        sys.stdout.buffer.write(piece)
        sys.stdout.buffer.flush()


def to_terminal() -> bool:
    """Whether a person sees what stands on stdout, and no program takes it."""
    return sys.stdout.isatty()


@contextmanager
def progress(what: str, total: int) -> Iterator[Callable[[int], None]]:
    """A bar on a terminal's stderr while something is done; tell it how much more of the total is."""
    from rich.console import Console
    from rich.progress import BarColumn, DownloadColumn, Progress, TimeRemainingColumn

    console = Console(stderr=True)
    columns = (what, BarColumn(), DownloadColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task("", total=total)
        yield lambda n: bar.advance(task, n)
