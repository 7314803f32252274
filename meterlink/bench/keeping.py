"""A value that stands as a kept record: whether it may be kept, what it is held against, how it sounds. Pure."""

from __future__ import annotations

from collections.abc import Callable

import msgspec

from meterlink import records
from meterlink.bench.events import Effect, SoundName
from meterlink.bench.sheet import DEAD, Point
from meterlink.bench.verdict import judge
from meterlink.reading import Reading
from meterlink.settle import Settled

Bands = Callable[["str | None", Point], "records.Band | None"]


def refusal(point: Point | None, r: Reading, must: str | None, *, powered: bool, fed: bool) -> Effect | None:
    """Why this reading must not be kept, as something to hear.

    Takes   the sheet's point, if it is at one; what is still to be confirmed before it; whether the board's power is
            confirmed on; whether a supply's output is on.
    """
    if r.function in DEAD and fed:
        return Effect("refused", f"{r.function} while the supply's output is on: switch it off first")
    if point is not None:
        other = point.coupling and r.coupling and point.coupling != r.coupling
        if r.function != point.function or r.unit != point.unit or other:
            wanted = " ".join(filter(None, (point.function, point.coupling)))
            return Effect("wrong-function", f"the meter is on {r.function}, {point.name} is measured in {wanted}")
        if must:
            return Effect("confirm", f"before {point.name}: confirm that {must}")
    if r.function in DEAD and powered:
        return Effect("refused", f"{r.function} needs a dead board, and its power is confirmed on: off first (o)")
    return None


def kept_from(
    name: str,
    r: Reading,
    s: Settled,
    by: records.By,
    context: records.Context,
    band: records.Band | None,
    uncertainty: records.Uncertainty | None,
) -> records.Kept:
    """The kept record of a value that stands in this context, judged."""
    return records.Kept(
        job=context.job,
        board=context.board,
        point=context.point,
        instrument=name,
        function=r.function,
        coupling=r.coupling,
        value=records.double(s.value),
        unit=r.unit,
        resolution=records.double(s.resolution),
        state=s.state,
        readings=(s.first, s.last),
        n=s.n,
        spread=records.double(s.spread),
        uncertainty=uncertainty,
        band=band,
        verdict=judge(records.double(s.value), s.state, r.function, band, uncertainty),
        by=by,
        stage=context.stage,
    )


def kept_at(
    old: records.Kept, job: str | None, board: str | None, point: str | None, band: records.Band | None, of: int
) -> records.Kept:
    """The same value at another place, judged by what is expected there; `of` is the seq of the old one."""
    verdict = judge(old.value, old.state, old.function, band, old.uncertainty)
    return msgspec.structs.replace(
        old, job=job, board=board, point=point, band=band, verdict=verdict, moved=of, with_=None
    )


def sound_of(verdict: records.Verdict | None) -> SoundName:
    """What a keep with this verdict sounds like."""
    if verdict is None:
        return "kept"
    return verdict if verdict in ("ok", "short") else "not-ok"
