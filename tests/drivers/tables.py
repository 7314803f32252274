"""Writes the documents that are made from the drivers: docs/drivers.md and docs/wrong-values.md.

    python -m tests.drivers.tables            docs/drivers.md
    python -m tests.drivers.tables --wrong    docs/wrong-values.md too (minutes)

Tests compare both with what is there: they say when a document is stale.
"""

from __future__ import annotations

import sys
from pathlib import Path

from meterlink import registry
from meterlink.driver_check.damage import SEED, Tally, tally
from meterlink.driver_check.play import own_recordings, play
from meterlink.registry import Spec

DOCS = Path(__file__).parents[2] / "docs"
COMMAND = "python -m tests.drivers.tables"
N = 100_000

DRIVERS = f"""# The drivers

Made by `{COMMAND}` from what the drivers say of themselves. "How sure": *published* - every table
stands in a document that was read; *partly from memory*, *from memory* - check the named document before relying on
it. How each is wired and set: `meterlink driver show NAME`. Adding one: [writing-a-driver.md](writing-a-driver.md).

"""
WRONG = f"""# Damaged frames that read as another value

Made by `{COMMAND} --wrong`: {N:,} frames of each family (those of its recordings and those its
`build` makes, seed {SEED}) with one bit flipped, and {N:,} with one byte lost.

- *Refused*: no reading came; the bytes are counted.
- *Same*: number, unit, function, coupling and state are as shown; the bit carried nothing, or a mark.
- *Unreadable*: a reading without a value.
- *Wrong*: another number, unit, function, coupling or state was read: the damaged frame passes every check that
  the driver has. Of families with a checksum there are none. Parity, where the line has it, is checked by the port
  and not counted here: it catches every single flipped bit, and the driver never sees such a frame.

"""


def bundled() -> list[Spec]:
    """The drivers of this repository: a user's own do not belong into its documents."""
    return [spec for spec in registry.all_specs() if spec.origin.startswith("bundled")]


def drivers() -> str:
    """The text of docs/drivers.md."""
    rows = [
        "| driver | instruments | functions recorded | sends | published in | how sure |",
        "|---|---|---|---|---|---|",
    ]
    notes = []
    for spec in bundled():
        info = spec.info
        functions = sorted({r.function for m in spec.models() for rec in own_recordings(m) for _, r in play(m, rec)})
        sends = "by itself" if info.poll_s is None else "when asked"
        cells = (f"`{info.name}`", ", ".join(info.instruments), ", ".join(functions), sends, info.published, info.sure)
        rows.append("| " + " | ".join(cell.replace("|", "/") for cell in cells) + " |")
        if info.notes:
            notes.append(f"- `{info.name}`: {info.notes}.".replace("..", "."))
    return DRIVERS + "\n".join(rows) + "\n\n## What is from memory, and what is left open\n\n" + "\n".join(notes) + "\n"


def wrong_rows(n: int) -> list[str]:
    """The rows of the table, one a driver."""
    return [f"| `{spec.info.name}` | {_cells(spec, n)} |" for spec in bundled()]


def _cells(spec: Spec, n: int) -> str:
    bits, lost = tally(spec.models()[0], n)
    return " | ".join((*_shares(bits), *_shares(lost)))


def _shares(one: Tally) -> tuple[str, ...]:
    counts = (one.refused, one.same, one.unreadable, one.wrong)
    return tuple(f"{100 * k / max(1, one.damaged):.2f} %" for k in counts)


def wrong(n: int = N) -> str:
    """The text of docs/wrong-values.md."""
    head = [
        "| | bit flipped: refused | same | unreadable | wrong | byte lost: refused | same | unreadable | wrong |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    return WRONG + "\n".join([*head, *wrong_rows(n)]) + "\n"


def main(args: list[str]) -> None:
    (DOCS / "drivers.md").write_text(drivers(), "utf-8")
    if "--wrong" in args:
        (DOCS / "wrong-values.md").write_text(wrong(), "utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
