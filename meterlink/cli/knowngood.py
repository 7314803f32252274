"""Known-good on the command line: learn, show."""

from __future__ import annotations

from typing import Annotated, Any

import msgspec
import typer

from meterlink import knowngood
from meterlink.bench.ledger import Ledger
from meterlink.cli.output import Dir, Json, echo, emit, say, table
from meterlink.errors import BadInput
from meterlink.folders import bench_folder
from meterlink.wording import limit

app = typer.Typer(help="Known-good values, learned from boards that turned out good.", no_args_is_help=True)


@app.command()
def learn(
    model: Annotated[str | None, typer.Option(help="The model; default: that of the jobs.")] = None,
    jobs: Annotated[list[str] | None, typer.Option("--job", help="Only this job (may be given again).")] = None,
    coverage: Annotated[float, typer.Option(help="The fraction of good boards inside.")] = knowngood.COVERAGE,
    confidence: Annotated[float, typer.Option(help="How surely.")] = knowngood.CONFIDENCE,
    dir_: Dir = None,
    json: Json = False,
) -> None:
    """Learn a model's bands from the kept readings of its boards that tested good.

    Example: meterlink known-good learn --model "IC-8 rev C"
    """
    from meterlink.journal.reader import entries

    folders = bench_folder(dir_)
    ledger = Ledger().extend(entries(folders.journal, readings=False))
    for job in jobs or ():
        if job not in ledger.jobs:
            raise BadInput(f"the journal has no job {job}; it has {', '.join(ledger.jobs) or 'none'}")
    model = model or _only_model(ledger, jobs or list(ledger.jobs))
    known, passed_over = knowngood.learn_all(ledger, model, jobs or (), coverage, confidence)
    for why in passed_over:
        say(f"passed over: {why}")
    if not known.points:
        raise BadInput(f"nothing to learn of {model}: set boards that work to {knowngood.GOOD!r} (board state)")
    path = knowngood.store(folders.known_good, known)
    _print(known, json)
    say(f"{path}: {len(known.points)} points learned")


@app.command()
def show(
    model: Annotated[str | None, typer.Argument(metavar="MODEL", help="Default: all models.")] = None,
    dir_: Dir = None,
    json: Json = False,
) -> None:
    """Show what was learned, with the boards it came from.

    Example: meterlink known-good show "IC-8 rev C"
    """
    folder = bench_folder(dir_).known_good
    models = [model] if model else knowngood.models(folder)
    if not models:
        raise BadInput("nothing was learned yet: meterlink known-good learn")
    for name in models:
        known = knowngood.read(folder, name)
        if known is None:
            have = ", ".join(knowngood.models(folder)) or "no model"
            raise BadInput(f"nothing was learned of {name!r}; there is {have}")
        _print(known, json)


def _only_model(ledger: Ledger, jobs: list[str]) -> str:
    found = sorted({str(m) for job in jobs if (m := ledger.job_field(job, "model"))})
    if len(found) != 1:
        raise BadInput(f"say which model (--model); the jobs have {', '.join(found) or 'none'}")
    return found[0]


def _print(known: knowngood.KnownGoodFile, json: bool) -> None:
    if json:
        for one in known.points:
            emit({"model": known.model, **msgspec.to_builtins(one)})
        return
    echo(f"{known.model}, journal through record {known.through}")
    table(("point", "measured", "low", "high", "boards", "came from", "set aside"), map(_row, known.points))


def _row(one: knowngood.Learned) -> tuple[Any, ...]:
    band = one.band
    count = f"{band.n} provisional" if band.provisional else str(band.n)
    measured = " ".join(filter(None, (one.function, one.coupling)))
    low, high = limit(band.low, one.unit, "low"), limit(band.high, one.unit, "high")
    return one.point, measured, low, high, count, ", ".join(band.boards), ", ".join(band.set_aside)
