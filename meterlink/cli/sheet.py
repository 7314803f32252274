"""Check sheets on the command line: new, check, show."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import msgspec
import typer

from meterlink import tomlfile
from meterlink.bench import sheet as sheets
from meterlink.bench.draft import draft
from meterlink.bench.ledger import Ledger
from meterlink.cli.output import Dir, Json, block, echo, emit, say, table
from meterlink.errors import BadInput
from meterlink.folders import bench_folder
from meterlink.wholefile import not_written
from meterlink.wording import band, quantity

app = typer.Typer(help="Check sheets: the test points of a model, in order.", no_args_is_help=True)

File = Annotated[Path, typer.Argument(metavar="FILE", help="A TOML file, or the name of a sheet of the bench.")]


def place(file: Path, directory: Path | None) -> Path:
    """The file itself, or the sheet of that name in the bench's folder."""
    if file.exists():
        return file
    own = bench_folder(directory).sheets
    return next((p for p in (own / file, own / f"{file}.toml") if p.exists()), file)


@app.command()
def check(file: File, dir_: Dir = None, json: Json = False) -> None:
    """Check a sheet and name every line that is wrong; exit status 2 if there is one.

    Example: meterlink sheet check ic-8-rev-c.toml
    """
    sheet, problems = sheets.check(tomlfile.read(place(file, dir_)))
    if json:
        emit({"file": str(file), "ok": sheet is not None, "problems": problems})
    if sheet is None:
        for problem in problems[:-1]:
            say(f"meterlink: {problem}")
        raise BadInput(problems[-1])
    if not json:
        powered = sum(p.powered for p in sheet.points)
        echo(f"{file}: {sheet.model}, {len(sheet.points)} points, {powered} of them powered: good")


@app.command()
def show(file: File, dir_: Dir = None, json: Json = False) -> None:
    """Show a sheet's points in their order.

    Example: meterlink sheet show ic-8-rev-c.toml
    """
    sheet = sheets.load(place(file, dir_))
    if json:
        for number, point in enumerate(sheet.points, 1):
            emit({"place": number, **msgspec.to_builtins(point)})
        return
    echo(f"{sheet.model}: {sheet.title or '-'}")
    for name, rail in sheet.rails.items():
        echo(f"  rail {name}: {quantity(rail.nominal, 'V')}")
    table(
        ("", "point", "where", "measure", "range", "expected", "power", "only if"),
        [_row(number, p) for number, p in enumerate(sheet.points, 1)],
    )
    for p in sheet.points:
        if p.caution:
            echo(f"! {p.name}: {p.caution}")


def _row(number: int, p: sheets.Point) -> tuple[Any, ...]:
    measure = " ".join(filter(None, (p.function, p.coupling)))
    rule = f"{p.only_if.point} {p.only_if.verdict}" if p.only_if else None
    return number, p.name, p.where, measure, p.range, expected(p), "on" if p.powered else "off", rule


def expected(p: sheets.Point) -> str:
    """What is expected at a point, in a few words."""
    inside = band(p.low, p.high, p.unit)
    parts = [inside] if inside else []
    if p.expect != "band":
        parts.insert(0, p.expect)
    edges = ((p.short, "short below"), (p.open, "open above"))
    limits = [f"{word} {quantity(x, p.unit)}" for x, word in edges if x is not None]
    return ", ".join(parts + limits)


@app.command()
def new(
    board: Annotated[str, typer.Argument(metavar="BOARD", help="The board whose keeps become the points.")],
    of: Annotated[str | None, typer.Option("--job", help="Its job, where two jobs have a board of that mark.")] = None,
    model: Annotated[str | None, typer.Option(help="The model; default: the job's.")] = None,
    title: Annotated[str | None, typer.Option(help="What the sheet is for.")] = None,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", help="The file to write; default: stdout.", dir_okay=False)
    ] = None,
    dir_: Dir = None,
) -> None:
    """Make a sheet from what was measured on a board: its points in the order they were kept.

    Example: meterlink sheet new GC-01 -o ic-8-rev-c.toml
    """
    from meterlink.journal.reader import entries

    ledger = Ledger().extend(entries(bench_folder(dir_).journal, readings=False))
    text = draft(ledger, board, of, model, title)
    if output is None:
        block(text)
        return
    try:
        with output.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError as error:
        raise BadInput(f"{output} is there already: name another file") from error
    except OSError as error:
        raise not_written(output, error, "name another file (-o)") from error
    echo(f"{output}: {len(sheets.load(output).points)} points; add where each is, and what is expected")
