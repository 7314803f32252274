"""Reading the journal: follow, show, replay, verify, resettle, and sealing it. None of them needs the service."""

from __future__ import annotations

import os
import select
import sys
import time
from collections.abc import Callable
from contextlib import closing, suppress
from datetime import datetime, timezone
from functools import partial as partial_
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import msgspec
import typer

from meterlink import records, registry
from meterlink.cli.output import Dir, Json, block, echo, emit, emit_line, progress, raw, table, to_terminal
from meterlink.errors import BadInput, CheckFailed, JournalBroken, MeterlinkError, Refused
from meterlink.folders import Folders, bench_folder
from meterlink.journal import reader
from meterlink.journal.segments import in_order
from meterlink.service import wire
from meterlink.wording import local, quantity

if TYPE_CHECKING:
    from meterlink.bench.ledger import Ledger

app = typer.Typer(help="The journal: follow, show, replay, verify, seal.", no_args_is_help=True)

Text = str | None
Judge = Callable[[records.Entry], "dict[str, Any] | None"]


@app.command()
def follow(
    first_seq: Annotated[
        int | None, typer.Option("--from", min=1, metavar="SEQ", help="Begin at this record; default: what comes.")
    ] = None,
    dir_: Dir = None,
) -> None:
    """New lines on stdout as they come, exactly as they stand in the journal, across segments; what is hidden in
    them is spelled out on a terminal.

    Example: meterlink journal follow --from 1201 | jq -ac 'select(.kind == "kept")'
    """
    from meterlink.journal.follow import POLL_S, Follower

    follower = Follower(bench_folder(dir_).journal, first_seq)
    person, out = to_terminal(), sys.stdout.fileno()
    gone = select.poll()
    gone.register(out, 0)  # tells when the consumer closes its end, also while nothing comes
    with suppress(BrokenPipeError):
        while True:
            for batch in follower.look():
                if person:
                    for line in batch:
                        emit_line(line)
                else:
                    raw([b"".join(line + b"\n" for line in batch)])
            if gone.poll(POLL_S * 1000):
                break
    os.dup2(os.open(os.devnull, os.O_WRONLY), out)  # what is still buffered goes nowhere


@app.command()
def show(
    board: Annotated[Text, typer.Option(help="Records of this board.")] = None,
    job: Annotated[Text, typer.Option(help="Of this job.")] = None,
    point: Annotated[Text, typer.Option(help="Of this test point.")] = None,
    kind: Annotated[Text, typer.Option(help="Of this kind; readings are shown only when asked for.")] = None,
    since: Annotated[Text, typer.Option(metavar="TIME", help="From this time on (RFC 3339, or a date).")] = None,
    until: Annotated[Text, typer.Option(metavar="TIME", help="Up to this time.")] = None,
    judge: Annotated[
        bool, typer.Option("--judge", help="Hold keeps against what is known good now; nothing is rewritten.")
    ] = False,
    dir_: Dir = None,
    json: Json = False,
) -> None:
    """Records of the journal, oldest first; what was withdrawn says so.

    Example: meterlink journal show --board GC-03 --kind kept
    """
    from meterlink.journal.index import Index, Query, entries_of
    from meterlink.journal.wording import words

    kinds = [str(k.__struct_config__.tag) for k in records.KINDS]
    if kind is not None and kind not in kinds:
        raise BadInput(f"{kind!r} is no kind of record; there are: {', '.join(kinds)}")
    query = Query(
        board=board,
        job=job,
        point=point,
        kind=kind,
        since=reader.instant(since) if since else None,
        until=reader.instant(until) if until else None,
    )
    folders = bench_folder(dir_)
    with Index(folders.journal) as index:
        anew: Judge = _as_it_was
        if judge:
            from meterlink.bench.ledger import Ledger

            book = Ledger()
            for needed in ("job", "supply", "kept", "void"):
                book.extend(e for e, _ in entries_of(index.select(Query(kind=needed))))
            anew = _anew(folders, book)
        if json:
            for found in index.select(query):
                _line(found.text, found.withdrawn_by, anew(records.decode(found.text)) if judge else None)
            return
        for entry, withdrawn_by in entries_of(index.select(query)):
            where = " ".join(
                value for name in ("job", "board", "point") if (value := getattr(entry.record, name, None))
            )
            mark = f"  [withdrawn by record {withdrawn_by}]" if withdrawn_by else ""
            text = words(entry.record)
            if verdict := anew(entry):
                text += f"  [now {verdict['verdict'] or 'none'}: {verdict['from']}]"
            echo(f"{entry.seq:>8}  {local(entry.at, 'milliseconds')}  {entry.kind:<10}  {where:<20}  {text}{mark}")


def _line(line: bytes, withdrawn_by: int | None, judged: dict[str, Any] | None = None) -> None:
    """The record of the journal; what was withdrawn says by which record. Raises JournalBroken: it is not UTF-8."""
    try:
        line.decode()
    except UnicodeDecodeError as error:
        raise JournalBroken(f"a record is not UTF-8 ({error}); run `meterlink journal verify`") from error
    mark = b',"withdrawn_by":%d' % withdrawn_by if withdrawn_by else b""
    now = b',"judged":' + msgspec.json.encode(judged) if judged else b""
    emit_line(line.rstrip()[:-1] + mark + now + b"}")


def _as_it_was(entry: records.Entry) -> dict[str, Any] | None:
    return None


def _anew(folders: Folders, book: Ledger) -> Judge:
    """Judges a kept record against the known-good of its job's model; None for what nothing is known of, and for
    what was kept while a rail was fed: that is no value of its point."""
    from meterlink import knowngood
    from meterlink.bench.nearest import while_injecting

    def anew(entry: records.Entry) -> dict[str, Any] | None:
        r = entry.record
        if not isinstance(r, records.Kept) or r.point is None or r.job not in book.jobs:
            return None
        model = book.job_field(r.job, "model")
        if model is None or while_injecting(book, entry.seq):
            return None
        known = knowngood.find(folders.known_good, model, r.point, r.function, r.unit, r.coupling)
        if known is None:
            return None
        return {"verdict": knowngood.judge_anew(r, known), "from": known.origin(), "low": known.low, "high": known.high}

    return anew


@app.command()
def replay(
    board: Annotated[str, typer.Argument(metavar="BOARD", help="The board's mark.")],
    pace: Annotated[float, typer.Option(min=0, help="1 as it happened, N times faster, 0 at once.")] = 0.0,
    job: Annotated[Text, typer.Option(help="Its job, if several jobs have such a board.")] = None,
    dir_: Dir = None,
    json: Json = False,
) -> None:
    """A board's story told in order: keeps with their verdicts, findings, states, supply, withdrawals.

    Example: meterlink journal replay GC-03 --pace 10
    """
    from meterlink.journal.index import Index
    from meterlink.journal.story import story

    with Index(bench_folder(dir_).journal) as index:
        for step in story(index, board, job):
            if pace:
                sys.stdout.flush()
                time.sleep(step.pause_s / pace)
            if json:
                _line(step.line, step.withdrawn_by)
            else:
                echo(f"{local(records.decode(step.line).at, 'milliseconds')}  {step.text}")


@app.command()
def resettle(
    file: Annotated[Path, typer.Argument(help="A segment of a journal.")],
    json: Json = False,
) -> None:
    """What the keep rules would keep from these readings, next to what was kept.

    Example: meterlink journal resettle journal/2026-11-25.jsonl
    """
    from meterlink.journal import resettle as again

    if not file.is_file():
        raise BadInput(f"there is no file {file}: name a segment of a journal")
    pairs = again.resettle(map(reader.entry, reader.lines([file])))
    if json:
        for pair in pairs:
            emit(pair)
        return

    def value(number: float | None, unit: str, seqs: tuple[int, int] | None) -> str:
        return "-" if seqs is None else f"{quantity(number, unit, state='no number')} ({seqs[0]} to {seqs[1]})"

    rows = (
        (p.instrument, p.board or "-", p.point or "-", p.function,
         value(p.would, p.unit, p.would_readings), value(p.was, p.unit, p.was_readings), p.by or "-")
        for p in pairs
    )  # fmt: skip
    table(("instrument", "board", "point", "function", "would be kept", "was kept", "by"), rows)


@app.command()
def seal(
    key: Annotated[Path, typer.Option(help="An OpenSSH private key (or a public one, with an agent).")],
    dir_: Dir = None,
    json: Json = False,
) -> None:
    """Sign the newest segment as far as it goes (ssh-keygen), and record that in the journal.

    Example: meterlink journal seal --key ~/.ssh/id_ed25519
    """
    from meterlink.journal import seal as seals

    folders = bench_folder(dir_)
    made = seals.make(folders.journal, key.expanduser())
    try:
        seq = _write_seal(folders, made)
    except MeterlinkError:
        (folders.journal / made.signature_file).unlink(missing_ok=True)  # no record names it
        raise
    if json:
        emit({"seq": seq, "head": made.head, "through": made.through, "signature_file": made.signature_file})
    else:
        echo(f"sealed through record {made.through}: {folders.journal / made.signature_file}")
        echo(f"head {made.head}")


def _write_seal(folders: Folders, made: records.Seal) -> int:
    """Append the record: by ourselves when nobody writes this journal, else through the service. Gives its seq."""
    from meterlink.journal.writer import Writer

    try:
        writer = Writer(folders.journal)
    except Refused:
        fields = msgspec.structs.asdict(made)
        reply = wire.call(folders.socket, "seal", **fields)
        return int(reply["seq"])
    with closing(writer):
        now = datetime.now(timezone.utc)
        for torn in writer.due:
            writer.append(torn, now)
        seq = writer.append(made, now)
        writer.commit()
    return seq


@app.command()
def verify(
    files: Annotated[
        list[Path] | None, typer.Argument(help="Segments in order, or a journal's folder; default: the bench's.")
    ] = None,
    allowed_signers: Annotated[
        Path | None, typer.Option(help="Whose seals count: an allowed-signers file (ssh-keygen).", dir_okay=False)
    ] = None,
    head: Annotated[Text, typer.Option(metavar="HEAD", help="A head you trust; the journal must hold it.")] = None,
    chain_only: Annotated[bool, typer.Option(help="Only order and wholeness; the fastest.")] = False,
    dir_: Dir = None,
    json: Json = False,
) -> None:
    """Check a journal from its files alone; exit 1 and the first wrong line when something is not right.

    Example: meterlink journal verify copied-journal --allowed-signers signers
    """
    from meterlink.journal.summary import summary
    from meterlink.journal.verify import Verification

    trusted = "".join(head.split()).lower() if head is not None else None  # in groups, as it is copied from paper
    if trusted is not None and not reader.DIGEST.fullmatch(trusted):
        raise BadInput(f"{head!r} is no head: it has 64 digits 0-9 and a-f, as `journal verify` prints it")
    if trusted == records.GENESIS:
        raise BadInput("64 zeros stand before the first record of every journal: they are the head of none")
    if allowed_signers is not None and not allowed_signers.is_file():
        raise BadInput(f"there is no allowed-signers file {allowed_signers}: docs/auditor.md says what it holds")
    if allowed_signers is not None and chain_only:
        raise BadInput("--chain-only looks at no seal: leave it out, or --allowed-signers")
    paths, partial, notes = _given(files, bench_folder(dir_).journal)
    with progress("verifying", sum(p.stat().st_size for p in paths)) as done:
        report = Verification(
            paths,
            signers=allowed_signers,
            trusted=trusted,
            chain_only=chain_only,
            partial=partial,
            lookup=partial_(registry.find, folder=bench_folder(dir_).drivers),
            progress=done,
        ).run()
    report.notes += notes
    if json:
        emit(report)
    else:
        block(summary(report, paths[0].parent))
    if not report.ok:
        raise CheckFailed(str(report.faults[0]) if report.faults else "there is no record to check")


def _given(files: list[Path] | None, journal: Path) -> tuple[list[Path], bool, list[str]]:
    """What is to be verified: segments in order, whether they may begin anywhere, words on what is passed over."""
    if not files or (len(files) == 1 and files[0].is_dir()):
        folder = files[0] if files else journal
        if not (paths := reader.segments(folder)):
            if (inner := folder / "journal").is_dir():
                raise BadInput(f"{folder} holds no segment of a journal; its journal may be {inner}")
            strange = "; ".join(reader.strangers(folder))
            raise BadInput(f"{folder} holds no segment of a journal" + (f": {strange}" if strange else ""))
        return paths, False, reader.strangers(folder)
    for path in files:
        if not path.is_file():
            raise BadInput(f"{path} is no file: name the segments of one journal, or its folder alone")
    names = in_order(p.name for p in files)
    if len(set(names)) == len(files):
        files = sorted(files, key=lambda p: names.index(p.name))
    return files, True, []
