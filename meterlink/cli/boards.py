"""Jobs and boards as the journal has them: lists, a job's tally, one board before and after."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import msgspec
import typer

from meterlink.bench import sheet as sheets
from meterlink.bench.ledger import BoardView, Ledger, mark_key
from meterlink.bench.nearest import Place, flowed, own_keeps, rank
from meterlink.bench.progress import left_before, stage_of, standing_progress
from meterlink.cli.desk import OfJob, Text
from meterlink.cli.output import Dir, Json, echo, emit, table
from meterlink.errors import BadInput
from meterlink.folders import bench_folder
from meterlink.journal.reader import entries
from meterlink.wording import local, quantity


def ledger_of(directory: Path | None) -> Ledger:
    """The ledger that the bench's journal gives."""
    return Ledger().extend(entries(bench_folder(directory).journal))


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


def job_show(name: Annotated[Text, typer.Argument(metavar="JOB")] = None, dir_: Dir = None, json: Json = False) -> None:
    """A job's tally by state and by fault, and each board.

    Example: meterlink job show GC-2611
    """
    ledger = ledger_of(dir_)
    name = name or ledger.context.job
    if name is None or ledger.job_named(name) not in ledger.jobs:
        raise BadInput(f"no job {name or 'is current'}; the journal has {', '.join(ledger.jobs) or 'none'}")
    row = _job(ledger, name)
    name = ledger.job_named(name)
    sheet = sheets.of_job(ledger, name, bench_folder(dir_).sheets)
    boards = [{**_board(ledger, b), **_sheet(ledger, b, sheet)} for b in ledger.counted(name)]
    if json:
        emit({**row, "boards": boards})
        return
    echo(f"job {name} ({row['state']}): {row['model'] or '-'}, customer {row['customer'] or '-'}")
    said = "nothing said" if row["said"] is None else f"{row['said']} said"
    note = "  ! no note explains that" if row["mismatch"] else ""
    echo(f"{row['counted']} boards counted, {said}{note}")
    echo(f"by state: {_counts(row['tally'])}")
    echo(f"by fault: {_counts(row['faults']) or '-'}")
    for note in row["notes"]:
        echo(f"note: {note}")
    table(
        ("board", "state", "since", "by", "keeps", "still to measure", "left out", "findings"),
        [
            (
                b["board"],
                b["state_text"],
                local(b["since"]),
                b["by"],
                b["keeps"],
                _few(b["pending"]),
                _few(None if b["left_out"] is None else [*b["left_out"], *b["left_out_before"]]),
                "; ".join(b["findings"]),
            )
            for b in boards
        ],
    )


def _few(points: list[str] | None) -> str:
    """Points in a cell: all of them up to four, else how many and the first; nothing known without a sheet."""
    if points is None:
        return "-"
    return ", ".join(points) if len(points) <= 4 else f"{len(points)}: {points[0]}, ..."


def _sheet(ledger: Ledger, view: BoardView, sheet: sheets.Sheet | None) -> dict[str, Any]:
    """How far the board is with its job's sheet; nulls where there is none, or it is not at hand."""
    done = standing_progress(ledger, view, sheet) if sheet else None
    return {
        "pending": list(done.pending) if done else None,
        "left_out": list(done.left_out) if done else None,
        "left_out_before": list(left_before(ledger, view, sheet)) if sheet else None,
        "left_out_why": _reasons(ledger, view) if done else None,
    }


def _reasons(ledger: Ledger, view: BoardView) -> list[str]:
    return [n.record.why for n in ledger.standing(view.left_out) if n.record.why]


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
            if n.record.confirms is None
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


def board_show(mark: str, of: OfJob = None, dir_: Dir = None, json: Json = False) -> None:
    """One board: its states, findings, and each point before and after with what changed.

    Example: meterlink board show GC-03
    """
    ledger = ledger_of(dir_)
    every = [b for name, j in ledger.jobs.items() if of in (None, name) for b in j.boards.values()]
    views = [b for b in every if b.board == mark] or [b for b in every if mark_key(b.board) == mark_key(mark)]
    if not views:
        raise BadInput(f"the journal has no board {mark}" + (f" in job {of}" if of else ""))
    for view in views:
        places = rank(ledger, view, flowed(view))
        row = {
            **_board(ledger, view),
            **_sheet(ledger, view, sheets.of_job(ledger, view.job, bench_folder(dir_).sheets)),
            "points": points(ledger, view),
            "nearest_to_short": [msgspec.to_builtins(p) for p in places],
        }
        if json:
            emit(row)
            continue
        if row["state"] is None:
            echo(f"job {view.job}, {_not_counted(ledger, view)}")
            continue
        echo(f"job {view.job}, board {view.board}: {row['state_text']} (since {local(row['since'])}, by {row['by']})")
        for finding in row["findings"]:
            echo(f"  {finding}")
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
        if row["pending"]:
            echo(f"still to measure ({stage_of(ledger, view)}): {', '.join(row['pending'])}")
        if row["left_out"]:
            why = f" ({'; '.join(row['left_out_why'])})" if row["left_out_why"] else ""
            echo(f"left out: {', '.join(row['left_out'])}{why}")
        if row["left_out_before"]:
            echo(f"left out before the repair, and not measured since: {', '.join(row['left_out_before'])}")
        _ranked(places)


def _ranked(places: list[Place]) -> None:
    """The points along the injected rail, nearest the short first."""
    if not places:
        return
    echo("points along the rail while injecting, against the return; the lowest is nearest to the short:")
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
    """The pair of standing keeps of each point, and each free touch by itself; one without a stage is of before."""
    pairs: dict[str, dict[str, Any]] = {}
    for n in own_keeps(ledger, view):
        r = n.record
        stage = r.stage or "before"
        p = pairs.setdefault(
            r.point or f"free, record {n.seq}",
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


def add_to(job: typer.Typer, board: typer.Typer) -> None:
    job.command("list")(job_list)
    job.command("show")(job_show)
    board.command("list")(board_list)
    board.command("show")(board_show)
