"""A check sheet drafted from the keeps of one board, for a person to complete. Pure.

The order is that of the first keep of each point, the value that of the last one standing. A value is written as
a comment and never as a band: one board, perhaps a dead one, does not say what is good. Expected is therefore
`known-good`, but `open` where the meter showed none of a resistance or a drop.
"""

from __future__ import annotations

import json
from typing import Any

from meterlink import records
from meterlink.bench.ledger import Ledger, Noted
from meterlink.bench.nearest import own_keeps
from meterlink.bench.sheet import DEAD, LIVE, name_problem
from meterlink.bench.verdict import SHORT
from meterlink.errors import BadInput
from meterlink.reading import FUNCTIONS
from meterlink.visible import hidden, visible


def draft(ledger: Ledger, board: str, job: str | None, model: str | None, title: str | None) -> str:
    """The text of a sheet that `sheet.load` takes.

    Takes   what the journal says, a board's mark, its job (needed where two jobs have that mark), the model
            (default: the job's) and a title.
    Raises  BadInput: no such board, two of them, no model, or no keep at a named point.
    """
    views = [j.boards[board] for name, j in ledger.jobs.items() if job in (None, name) and board in j.boards]
    if not views:
        raise BadInput(f"the journal has no board {board}" + (f" in job {job}" if job else ""))
    if len(views) > 1:
        raise BadInput(f"board {board} is in jobs {', '.join(v.job for v in views)}: say which (--job)")
    (view,) = views
    model = model or ledger.job_field(view.job, "model")
    if model is None:
        raise BadInput(f"job {view.job} says no model: give one (--model)")
    for name in filter(None, (model, title)):
        if what := name_problem(name):
            raise BadInput(f"{name[:20]!r}: {what}")
    points: dict[str, Noted] = {}
    for noted in own_keeps(ledger, view):
        kept = noted.record
        if kept.point and kept.function in FUNCTIONS and kept.function != "unknown" and not name_problem(kept.point):
            points[kept.point] = noted  # the place of the first, the value of the last
    if not points:
        raise BadInput(f"board {board} has no keep at a named point: keep some first")
    whose = visible(f"board {board} of job {view.job}")
    head = [
        f"# Drafted from {whose}. For each point say where it is and what is expected;",
        "# a value behind # is what this board showed, not what is good.",
        f"model = {_quoted(model)}",
        *([f"title = {_quoted(title)}"] if title else []),
    ]
    return "\n".join(head) + "\n" + "".join(_point(n) for n in points.values())


def _point(noted: Noted) -> str:
    kept: records.Kept = noted.record
    lines = [f"name = {_quoted(kept.point or '')}", 'where = "-"', f"function = {_quoted(kept.function)}"]
    if kept.coupling and kept.function not in DEAD:
        lines.append(f"coupling = {_quoted(kept.coupling)}")
    is_open = kept.function in SHORT and kept.state == "over"
    shown = kept.state if kept.value is None else f"{kept.value!r} {kept.unit}"
    lines.append(
        f"expect = {_quoted('open' if is_open else 'known-good')} # shown: {visible(shown)}, record {noted.seq}"
    )
    if kept.function in LIVE:
        lines.append("powered = true")
    return "\n[[point]]\n" + "\n".join(lines) + "\n"


def _quoted(text: Any) -> str:
    """A TOML basic string; what is hidden in it is escaped, so that whoever reads the sheet sees it. JSON's escapes are
    TOML's, but for characters beyond 16 bits. Source: TOML 1.0, section String."""
    quoted = json.dumps(text, ensure_ascii=False)
    return "".join(rf"\U{ord(c):08x}" if hidden(c) else c for c in quoted)
