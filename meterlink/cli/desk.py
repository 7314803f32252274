"""Jobs and boards: what changes them goes through the service, what shows them reads the journal."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import msgspec
import typer

from meterlink.bench.ledger import BoardView, Ledger
from meterlink.bench.nearest import Place, flowed, own_keeps, rank
from meterlink.cli.bench import act
from meterlink.cli.output import Dir, Json, emit, say, table
from meterlink.errors import BadInput, Refused, Unreachable
from meterlink.folders import bench_folder
from meterlink.journal.reader import entries
from meterlink.wording import local, quantity

job = typer.Typer(help="Jobs: one order, its customer, model and boards.", no_args_is_help=True)
board = typer.Typer(help="Boards of a job: where each is, what was found and done.", no_args_is_help=True)

Text = str | None
By = Annotated[Text, typer.Option(help="Who says so; default: the bench's operator.")]
OfJob = Annotated[Text, typer.Option("--job", help="The job; default: the current one.")]
OfBoard = Annotated[Text, typer.Option("--board", help="The board; default: the one on the bench.")]


def ledger_of(directory: Path | None) -> Ledger:
    """The ledger that the bench's journal gives."""
    return Ledger().extend(entries(bench_folder(directory).journal))


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


@job.command("list")
def job_list(dir_: Dir = None, json: Json = False) -> None:
    """All jobs of the journal.

    Example: meterlink job list
    """
    ledger = ledger_of(dir_)
    rows = [_job(ledger, name) for name in ledger.jobs if ledger.jobs[name].events]
    if json:
        for row in rows:
            emit(row)
        return
    table(
        ("job", "state", "model", "customer", "said", "counted", "states"),
        [(r["job"], r["state"], r["model"], r["customer"], r["said"], r["counted"], _counts(r["tally"])) for r in rows],
    )


@job.command("show")
def job_show(name: Annotated[Text, typer.Argument(metavar="JOB")] = None, dir_: Dir = None, json: Json = False) -> None:
    """A job's tally by state and by fault, and each board.

    Example: meterlink job show GC-2611
    """
    ledger = ledger_of(dir_)
    name = name or ledger.context.job
    if name is None or name not in ledger.jobs:
        raise BadInput(f"no job {name or 'is current'}; the journal has {', '.join(ledger.jobs) or 'none'}")
    row = _job(ledger, name)
    boards = [_board(ledger, b) for b in ledger.counted(name)]
    if json:
        emit({**row, "boards": boards})
        return
    typer.echo(f"job {name} ({row['state']}): {row['model'] or '-'}, customer {row['customer'] or '-'}")
    said = "nothing said" if row["said"] is None else f"{row['said']} said"
    typer.echo(f"{row['counted']} boards counted, {said}" + (f"  ! {row['mismatch']}" if row["mismatch"] else ""))
    typer.echo(f"by state: {_counts(row['tally'])}")
    typer.echo(f"by fault: {_counts(row['faults']) or '-'}")
    for note in row["notes"]:
        typer.echo(f"note: {note}")
    table(
        ("board", "state", "since", "by", "keeps", "findings"),
        [
            (b["board"], b["state_text"], local(b["since"]), b["by"], b["keeps"], "; ".join(b["findings"]))
            for b in boards
        ],
    )


def _job(ledger: Ledger, name: str) -> dict[str, Any]:
    notes = [
        n.record.text
        for n in ledger.standing(ledger.jobs[name].events)
        if getattr(n.record, "event", None) == "note" or getattr(n.record, "what", None) == "note"
    ]
    return {
        "job": name,
        "state": "open" if ledger.is_open(name) else "closed",
        "model": ledger.job_field(name, "model"),
        "customer": ledger.job_field(name, "customer"),
        "said": ledger.job_field(name, "expected"),
        "counted": len(ledger.counted(name)),
        "mismatch": ledger.mismatch(name),
        "tally": dict(ledger.tally(name)),
        "faults": dict(ledger.faults(name)),
        "notes": notes,
    }


def _board(ledger: Ledger, view: BoardView) -> dict[str, Any]:
    standing = ledger.standing(view.events)
    last = next((n for n in reversed(standing) if n.record.state), standing[-1] if standing else None)
    return {
        "job": view.job,
        "board": view.board,
        "state": ledger.state(view) if last else None,
        "state_text": ledger.state(view) + (f": {last.record.text}" if last.record.text else "") if last else None,
        "since": last.at if last else None,
        "by": last.record.by if last else None,
        "keeps": len(ledger.standing(view.keeps)),
        "findings": [
            " ".join(filter(None, (n.record.what, n.record.part, n.record.text)))
            for n in ledger.standing(view.findings)
        ],
    }


def _not_counted(ledger: Ledger, view: BoardView) -> str:
    """Of a board that no standing record counts: who withdrew that, where and why."""
    gone = [ledger.voided[n.seq] for n in view.events if n.seq in ledger.voided]
    if not gone:
        return f"board {view.board} is not counted: no record says that it was taken in"
    who = f"record {gone[-1].seq}, {local(gone[-1].at)}, {gone[-1].record.by}: {gone[-1].record.why}"
    return f"board {view.board} is not counted: its taking in was withdrawn ({who})"


def _counts(counts: dict[str, int]) -> str:
    return ", ".join(f"{n} {what}" for what, n in sorted(counts.items(), key=lambda x: (-x[1], x[0])))


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


@board.command("list")
def board_list(of: OfJob = None, dir_: Dir = None, json: Json = False) -> None:
    """The boards of a job, or of all jobs.

    Example: meterlink board list --job GC-2611
    """
    ledger = ledger_of(dir_)
    if of is not None and of not in ledger.jobs:
        raise BadInput(f"the journal has no job {of}; it has {', '.join(ledger.jobs) or 'none'}")
    rows = [_board(ledger, b) for name in ledger.jobs if of in (None, name) for b in ledger.counted(name)]
    if json:
        for row in rows:
            emit(row)
        return
    table(
        ("job", "board", "state", "since", "by", "keeps", "findings"),
        [
            (r["job"], r["board"], r["state_text"], local(r["since"]), r["by"], r["keeps"], "; ".join(r["findings"]))
            for r in rows
        ],
    )


@board.command("show")
def board_show(mark: str, of: OfJob = None, dir_: Dir = None, json: Json = False) -> None:
    """One board: its states, findings, and each point before and after with what changed.

    Example: meterlink board show GC-03
    """
    ledger = ledger_of(dir_)
    views = [j.boards[mark] for name, j in ledger.jobs.items() if of in (None, name) and mark in j.boards]
    if not views:
        raise BadInput(f"the journal has no board {mark}" + (f" in job {of}" if of else ""))
    for view in views:
        places = rank(ledger, view, flowed(view))
        row = {
            **_board(ledger, view),
            "points": points(ledger, view),
            "nearest_to_short": [msgspec.to_builtins(p) for p in places],
        }
        if json:
            emit(row)
            continue
        if row["state"] is None:
            typer.echo(f"job {view.job}, {_not_counted(ledger, view)}")
            continue
        typer.echo(f"job {view.job}, board {mark}: {row['state_text']} (since {local(row['since'])}, by {row['by']})")
        for finding in row["findings"]:
            typer.echo(f"  {finding}")
        table(
            ("point", "function", "before", "verdict", "after", "verdict", "changed"),
            [
                (
                    p["point"],
                    p["function"],
                    p["before"],
                    p["before_verdict"],
                    p["after"],
                    p["after_verdict"],
                    p["changed"],
                )
                for p in row["points"]
            ],
        )
        _ranked(places)


def _ranked(places: list[Place]) -> None:
    """The points along the injected rail, nearest the short first."""
    if not places:
        return
    typer.echo("points along the rail while injecting, against the return; the lowest is nearest to the short:")
    table(
        ("point", "potential", "uncertainty", "above the lowest", "copper between", ""),
        [
            (
                p.point,
                f"{p.volts:.3f} V",
                f"{p.expanded * 1000:.1f} mV",
                f"{p.above * 1000:.1f} mV",
                "-" if p.squares is None else f"{p.squares:.0f} squares of 35 um",
                "nearest" if i == 0 else "not to be told apart from it" if p.same else "",
            )
            for i, p in enumerate(places)
        ],
    )


def points(ledger: Ledger, view: BoardView) -> list[dict[str, Any]]:
    """The pair of standing keeps of each point; keeps without a stage count as before."""
    pairs: dict[str, dict[str, Any]] = {}
    for n in own_keeps(ledger, view):
        r = n.record
        stage = r.stage or "before"
        p = pairs.setdefault(
            r.point or "free",
            dict.fromkeys(("before", "before_verdict", "after", "after_verdict", "changed")),
        )
        p["function"] = r.function
        p[stage] = quantity(r.value, r.unit, r.resolution, r.state)
        p[f"{stage}_verdict"] = r.verdict
        p[f"{stage}_record"] = {"seq": n.seq, **msgspec.to_builtins(r)}
    for p in pairs.values():
        if p["before_verdict"] and p["after_verdict"] and p["before_verdict"] != p["after_verdict"]:
            p["changed"] = f"{p['before_verdict']} -> {p['after_verdict']}"
    return [{"point": name, **p} for name, p in pairs.items()]
