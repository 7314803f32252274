"""Jobs and boards: what changes them goes through the service, what shows them reads the journal."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from meterlink.cli.bench import act
from meterlink.cli.output import Dir, Json, say
from meterlink.errors import BadInput, Refused, Unreachable
from meterlink.folders import bench_folder

job = typer.Typer(help="Jobs: one order, its customer, model and boards.", no_args_is_help=True)
board = typer.Typer(help="Boards of a job: where each is, what was found and done.", no_args_is_help=True)

Text = str | None
By = Annotated[Text, typer.Option(help="Who says so; default: the bench's operator.")]
OfJob = Annotated[Text, typer.Option("--job", help="The job; default: the current one.")]
OfBoard = Annotated[Text, typer.Option("--board", help="The board; default: the one on the bench.")]


# -- job


@job.command("open")
def job_open(
    name: Annotated[str, typer.Argument(metavar="JOB")],
    model: Annotated[Text, typer.Option(help="The board model.")] = None,
    customer: Annotated[Text, typer.Option(help="Whose boards.")] = None,
    expected: Annotated[int | None, typer.Option(help="How many are said to have come.")] = None,
    sheet: Annotated[Path | None, typer.Option(help="The check sheet.", dir_okay=False)] = None,
    by: By = None,
    dir_: Dir = None,
    json: Json = False,
) -> None:
    """Open a job; it becomes the current one.

    Example: meterlink job open GC-2611 --expected 14 --sheet ic-8-rev-c.toml
    """
    path = str(sheet.absolute()) if sheet else None
    fields = {"model": model, "customer": customer, "expected": expected, "sheet": path, "by": by}
    act(bench_folder(dir_), json, "job open", job=name, **fields)


@job.command("close")
def job_close(
    name: Annotated[Text, typer.Argument(metavar="JOB")] = None,
    by: By = None,
    dir_: Dir = None,
    json: Json = False,
) -> None:
    """Close a job.

    Example: meterlink job close GC-2611
    """
    act(bench_folder(dir_), json, "job close", job=name, by=by)


@job.command("note")
def job_note(text: str, of: OfJob = None, by: By = None, dir_: Dir = None, json: Json = False) -> None:
    """Note something of a job; a note that names the count of boards explains why it differs from what was said.

    Example: meterlink job note "crate holds 15, slip says 14: customer told"
    """
    act(bench_folder(dir_), json, "job note", job=of, text=text, by=by)


# -- board


@board.command("receive")
def board_receive(
    marks: Annotated[list[str], typer.Argument(metavar="BOARD...", help="Marks, typed or scanned.")],
    of: OfJob = None,
    by: By = None,
    dir_: Dir = None,
    json: Json = False,
) -> None:
    """Count boards in by their marks, without putting them on the bench; what cannot be counted is named at the end.

    Example: meterlink board receive GC-01 GC-02 GC-03
    """
    counted: list[str] = []
    refused: list[str] = []
    for place, mark in enumerate(marks):
        try:
            act(bench_folder(dir_), json, "board receive", board=mark, job=of, by=by)
        except (BadInput, Refused) as error:
            refused.append(str(error))
        except Unreachable:
            if place:
                say(f"{_so_far(counted, refused)}; not counted: {', '.join(marks[place:])}")
            raise
        else:
            counted.append(mark)
    if refused:
        raise BadInput(_so_far(counted, refused))
    if len(counted) > 1:
        say(_so_far(counted, refused))


def _so_far(counted: list[str], refused: list[str]) -> str:
    """What was counted and what was not, and why."""
    out = f"counted {len(counted)}" + (f": {', '.join(counted)}" if counted else "")
    return out + (f"; refused {len(refused)}: {'; '.join(refused)}" if refused else "")


@board.command("take")
def board_take(
    mark: str,
    of: OfJob = None,
    count_in: Annotated[
        bool, typer.Option("--count-in", help="A mark that the job does not have is counted in.")
    ] = False,
    by: By = None,
    dir_: Dir = None,
    json: Json = False,
) -> None:
    """Put a board on the bench; what is kept from now on is its. The one that was there goes back to where it was.

    Example: meterlink board take GC-03
    """
    act(bench_folder(dir_), json, "board take", board=mark, job=of, count_in=count_in, by=by)


@board.command("state")
def board_state(
    state: str,
    text: Annotated[Text, typer.Option(help="Which part it waits for, why it was declined, ...")] = None,
    of_board: OfBoard = None,
    of: OfJob = None,
    by: By = None,
    dir_: Dir = None,
    json: Json = False,
) -> None:
    """Set where a board is: received, on the bench, waiting for a part, declined, repaired, handed on, ...

    Example: meterlink board state "waiting for a part" --text U7 --board GC-03
    """
    fields = {"state": state, "text": text, "board": of_board, "job": of, "by": by}
    act(bench_folder(dir_), json, "board state", **fields)


def _find(what: str, part: Text, text: Text, of_board: Text, of: Text, by: Text, dir_: Path | None, json: bool) -> None:
    fields = {"what": what, "part": part, "text": text, "board": of_board, "job": of, "by": by}
    act(bench_folder(dir_), json, "find", **fields)


@board.command("found")
def board_found(
    text: Annotated[Text, typer.Argument(help="What is wrong, in plain words.")] = None,
    part: Annotated[Text, typer.Option(help="The part's mark on the board.")] = None,
    of_board: OfBoard = None,
    of: OfJob = None,
    by: By = None,
    dir_: Dir = None,
    json: Json = False,
) -> None:
    """Record what was found on the board.

    Example: meterlink board found "shorted" --part C412
    """
    _find("found", part, text, of_board, of, by, dir_, json)


@board.command("done")
def board_done(
    what: Annotated[str, typer.Argument(help="removed, replaced, reflowed, cleaned, ordered, declined, note")],
    part: Annotated[Text, typer.Argument(help="The part's mark on the board.")] = None,
    text: Annotated[Text, typer.Option(help="More words.")] = None,
    of_board: OfBoard = None,
    of: OfJob = None,
    by: By = None,
    dir_: Dir = None,
    json: Json = False,
) -> None:
    """Record what was done on the board; after a removal or replacement, keeps are stage after.

    Example: meterlink board done replaced C412
    """
    _find(what, part, text, of_board, of, by, dir_, json)
