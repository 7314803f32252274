"""Known-good: bands learned from the kept readings of boards that turned out good.

Collecting is a pure function of the ledger, learning one of the values. What is learned is stored as one
JSON file a model in the bench's folder `known-good`, with the boards it came from; the journal is never
touched, old keeps are judged anew by `judge_anew`. docs/known-good.md gives the rules with their reasons.
Source: NIST/SEMATECH e-Handbook 7.2.6.3 and 1.3.5.17; JCGM 100:2008 table E.1, F.2.2.1.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from functools import lru_cache
from pathlib import Path
from statistics import fmean, stdev
from urllib.parse import quote, unquote

import msgspec

from meterlink import records
from meterlink.bench.ledger import BoardView, Ledger
from meterlink.bench.nearest import own_keeps
from meterlink.bench.sheet import Point
from meterlink.bench.verdict import judge
from meterlink.errors import BadInput
from meterlink.folders import make_private
from meterlink.plainfile import content
from meterlink.reading import Coupling
from meterlink.tolerance import OUTLIER, modified_z, tolerance_factor
from meterlink.wholefile import not_written, whole_file

COVERAGE = 0.95
CONFIDENCE = 0.95
PROVISIONAL_BELOW = 10  # from 10 values on, s itself is known to 24 % (JCGM 100:2008 table E.1)
OUTLIERS_FROM = 5  # below, the median and the MAD rest on two or three boards and set good ones aside
GOOD = "tested good"
SETTLED = (GOOD, "handed on", "returned")  # states that leave an outcome standing


class KnownGood(msgspec.Struct, frozen=True, kw_only=True):
    """A learned band, in the values' unit.

    low, high     what a reading is held against: the tolerance limits widened by the meter's uncertainty
    mean, s, k2   of the boards used; mean +- k2 s are the tolerance limits
    uncertainty   the meter's expanded uncertainty that widened it, or None
    boards        those it came from; set_aside those that were too far off
    """

    low: float
    high: float
    n: int
    boards: tuple[str, ...]
    set_aside: tuple[str, ...]
    provisional: bool
    method: str
    mean: float
    s: float
    k2: float
    uncertainty: float | None = None

    def origin(self) -> str:
        """Where the band comes from, as a record says it."""
        word = "provisional, " if self.provisional else ""
        return f"known-good ({word}{self.n} boards: {', '.join(self.boards)})"


class Learned(msgspec.Struct, frozen=True, kw_only=True):
    """The known-good of one test point, measured in one way."""

    point: str
    function: str
    coupling: Coupling | None
    unit: str
    band: KnownGood


class KnownGoodFile(msgspec.Struct, frozen=True, kw_only=True):
    """What is known of one model; `through` is the journal's last record that was looked at."""

    format: int = 1
    model: str
    through: int
    points: tuple[Learned, ...]


class Sample(msgspec.Struct, kw_only=True):
    """The good boards' values at one point: by board, with those that read beyond the range, and the largest
    expanded uncertainty and count of the display of any (None: not known)."""

    point: str
    function: str
    coupling: Coupling | None
    unit: str
    values: dict[str, float] = {}
    beyond: list[str] = []
    uncertainty: float | None = None
    resolution: float | None = None


def learn(
    values: Mapping[str, float],
    coverage: float = COVERAGE,
    confidence: float = CONFIDENCE,
    uncertainty: float | None = None,
    resolution: float | None = None,
) -> KnownGood:
    """A band from the values of good boards.

    Takes   one value for each board; the meter's expanded uncertainty U (k = 2) and the count of its display,
            in the same unit.
    Gives   mean +- (max(k2 s, U) + U): the two-sided normal tolerance interval of readings, no narrower than
            the meter can tell, and then the guard band that a verdict takes off again (verdict.py), so that a
            reading inside the tolerance interval is ok. Without U: mean +- max(k2 s, one count). Of five boards
            or more, those with |modified z| above 3.5 are set aside.
    Raises  BadInput for fewer than two values, a coverage or confidence outside 0.5 to 0.9999, or values that are
            near the largest that a double holds.
    """
    _fractions(coverage, confidence)
    if len(values) < 2:
        boards = "1 good board" if values else "no good board"
        raise BadInput(f"{boards}: a spread needs two at least; set more boards to {GOOD!r}")
    try:
        return _learned(values, coverage, confidence, uncertainty, resolution)
    except OverflowError as error:
        raise BadInput(
            f"the values are too large to compute with ({error}): withdraw those that no meter shows"
        ) from error


def _fractions(coverage: float, confidence: float) -> None:
    for name, x in (("coverage", coverage), ("confidence", confidence)):
        if not 0.5 <= x <= 0.9999:
            raise BadInput(f"{name} {x:g}: give a fraction from 0.5 to 0.9999, 0.95 is usual")


def _learned(
    values: Mapping[str, float], coverage: float, confidence: float, uncertainty: float | None, resolution: float | None
) -> KnownGood:
    """The band, of two values or more. Raises OverflowError where an end of it is no number."""
    told = uncertainty / 2 if uncertainty else (resolution or 0.0) / math.sqrt(12)
    scores = modified_z(list(values.values()), told)
    far = [b for b, m in zip(values, scores, strict=True) if abs(m) > OUTLIER and len(values) >= OUTLIERS_FROM]
    used = {b: x for b, x in values.items() if b not in far}
    mean, s = fmean(used.values()), stdev(used.values())
    k2 = tolerance_factor(len(used), coverage, confidence)
    half = max(k2 * s, uncertainty or resolution or 0.0) + (uncertainty or 0.0)
    if not (math.isfinite(mean - half) and math.isfinite(mean + half)):
        raise OverflowError("the band has no end")
    return KnownGood(
        low=mean - half,
        high=mean + half,
        n=len(used),
        boards=tuple(used),
        set_aside=tuple(far),
        provisional=len(used) < PROVISIONAL_BELOW,
        method=f"normal tolerance interval, {coverage:g} of the boards with {confidence:g} confidence",
        mean=mean,
        s=s,
        k2=k2,
        uncertainty=uncertainty,
    )


def collect(ledger: Ledger, model: str, jobs: Iterable[str] = ()) -> list[Sample]:
    """The good boards' keeps of one model, by point, function and coupling, in the order first met.

    Takes   what the journal says, Ledger().extend(entries); `jobs` to look at, all of them if empty.
    Gives   for each board its last standing keep of the point. Of a board that was repaired (something was
            removed, replaced, reflowed or cleaned, or it has keeps of stage after) only stage after counts:
            before, it was not good. Boards are named by their mark; where two jobs share one, as JOB/MARK.
    """
    wanted = set(jobs)
    good = [
        board
        for name in ledger.jobs
        if (not wanted or name in wanted) and ledger.job_field(name, "model") == model
        for board in ledger.counted(name)
        if is_good(ledger, board)
    ]
    marks = [board.board for board in good]
    samples: dict[tuple[str, str, str | None, str], Sample] = {}
    for board in good:
        label = board.board if marks.count(board.board) == 1 else f"{board.job}/{board.board}"
        for kept in _keeps(ledger, board):
            key = (kept.point or "", kept.function, kept.coupling, kept.unit)
            point, function, _, unit = key
            sample = samples.setdefault(key, Sample(point=point, function=function, coupling=kept.coupling, unit=unit))
            if kept.value is None:
                sample.beyond.append(label)
                continue
            sample.values[label] = kept.value
            if kept.uncertainty is not None:
                sample.uncertainty = max(kept.uncertainty.expanded, sample.uncertainty or 0.0)
            if kept.resolution is not None:
                sample.resolution = max(kept.resolution, sample.resolution or 0.0)
    return list(samples.values())


def is_good(ledger: Ledger, board: BoardView) -> bool:
    """Whether the board's outcome was good and still stands: tested good, and nothing since but handing on."""
    states = [n.record.state for n in ledger.standing(board.events) if n.record.state]
    if GOOD not in states:
        return False
    last = len(states) - 1 - states[::-1].index(GOOD)
    return all(state in SETTLED for state in states[last:])


def _keeps(ledger: Ledger, board: BoardView) -> list[records.Kept]:
    """The keep that counts for each point and way of measuring: the last one standing, of those not made while
    injecting."""
    keeps = [n.record for n in own_keeps(ledger, board) if n.record.point]
    if ledger.worked_on(board) or any(k.stage == "after" for k in keeps):
        keeps = [k for k in keeps if k.stage == "after"]
    return list({(k.point, k.function, k.coupling, k.unit): k for k in keeps}.values())


def learn_all(
    ledger: Ledger,
    model: str,
    jobs: Iterable[str] = (),
    coverage: float = COVERAGE,
    confidence: float = CONFIDENCE,
) -> tuple[KnownGoodFile, list[str]]:
    """Everything that the good boards of a model teach, and why which point was passed over.

    A point at which a good board read beyond the meter's range has no band: what is expected there is for the
    sheet to say (expect = "open").
    """
    _fractions(coverage, confidence)
    points, passed_over = [], []
    for sample in collect(ledger, model, jobs):
        name = f"{sample.point} ({sample.function})"
        if sample.beyond:
            total = len(sample.values) + len(sample.beyond)
            passed_over.append(f"{name}: {len(sample.beyond)} of {total} boards read beyond the range")
            continue
        try:
            band = learn(sample.values, coverage, confidence, sample.uncertainty, sample.resolution)
        except BadInput as error:
            passed_over.append(f"{name}: {error}")
            continue
        points.append(
            Learned(
                point=sample.point,
                function=sample.function,
                coupling=sample.coupling,
                unit=sample.unit,
                band=band,
            )
        )
    return KnownGoodFile(model=model, through=ledger.last_seq, points=tuple(points)), passed_over


def judge_anew(kept: records.Kept, known: KnownGood | None) -> records.Verdict | None:
    """The verdict that an old keep would get against what is known now; nothing is rewritten.

    Gives   the recorded verdict where nothing was learned, or where the keep was held against a sheet's own
            band, short or open: those stand.
    """
    old = kept.band
    if known is None or (old is not None and old.expect != "known-good"):
        return kept.verdict
    band = records.Band(
        low=known.low,
        high=known.high,
        expect="known-good",
        from_=known.origin(),
        n=known.n,
        short=old.short if old else None,
        open=old.open if old else None,
    )
    return judge(kept.value, kept.state, kept.function, band, kept.uncertainty)


# -- the folder `known-good` of a bench

LARGEST = 1 << 26  # bytes of a model's file


def file_of(folder: Path, model: str) -> Path:
    """The file of a model: its name, with everything that a file name cannot hold percent-coded."""
    return folder / f"{quote(model, safe=' ')}.json"


def store(folder: Path, known: KnownGoodFile) -> Path:
    """Write a model's file, whole or not at all. Raises BadInput if the folder does not take it."""
    path = file_of(folder, known.model)
    text = msgspec.json.format(msgspec.json.encode(known), indent=1)
    try:
        make_private(folder)
    except OSError as error:
        raise not_written(path, error, "free the folder, or name another") from error
    with whole_file(path) as file:
        file.write(text + b"\n")
    return path


def read(folder: Path, model: str) -> KnownGoodFile | None:
    """What was learned of a model; None if nothing was. Raises BadInput for a file that is not ours."""
    path = file_of(folder, model)
    try:
        stamp = path.stat()
    except OSError:
        return None
    return _read(path, stamp.st_mtime_ns, stamp.st_size)


def models(folder: Path) -> list[str]:
    """The models of which something was learned."""
    return sorted(unquote(path.stem) for path in folder.glob("*.json"))


@lru_cache(maxsize=32)
def _read(path: Path, _mtime_ns: int, _size: int) -> KnownGoodFile:
    """The file as it is at this time; the bench asks at every keep."""
    try:
        return msgspec.json.decode(content(path, LARGEST), type=KnownGoodFile)
    except (ValueError, OSError, RecursionError) as error:
        raise BadInput(f"{path}: {error}: learn it again (meterlink known-good learn)") from error


def find(folder: Path, model: str, point: str, function: str, unit: str, coupling: str | None) -> KnownGood | None:
    """The known-good of one point measured in one way and unit; a coupling of None matches any."""
    known = read(folder, model)
    for one in known.points if known else ():
        same = coupling is None or one.coupling is None or one.coupling == coupling
        if (one.point, one.function, one.unit) == (point, function, unit) and same:
            return one.band
    return None


def look_up(folder: Path, model: str, point: Point) -> KnownGood | None:
    """The known-good of a sheet's point."""
    return find(folder, model, point.name, point.function, point.unit, point.coupling)
