"""The bench's place in the work: what is current by the records that are on the disk. Read only; the core decides."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from meterlink import records
from meterlink.bench.keeping import Bands
from meterlink.bench.ledger import Ledger
from meterlink.bench.nearest import injecting
from meterlink.bench.progress import Progress, progress
from meterlink.bench.sheet import Point, Sheet


class Place:
    """Jobs, boards and context as the ledger has them, and the sheets of the open jobs."""

    def __init__(self, ledger: Ledger, sheets: Mapping[str, Sheet] | None, bands: Bands, operator: str) -> None:
        self.ledger = ledger
        self.sheets = dict(sheets or {})
        self._bands = bands
        self._operator = operator

    @property
    def context(self) -> records.Context:
        return self.ledger.context

    @property
    def operator(self) -> str:
        """Who is at the bench."""
        return self.context.operator or self._operator

    @property
    def sheet(self) -> Sheet | None:
        return self.sheets.get(self.context.sheet) if self.context.sheet else None

    def point(self, context: records.Context | None = None) -> Point | None:
        """The sheet's point that is current (in this context), if there is a sheet and it has it."""
        context = context or self.context
        if self.injecting:
            return None  # the rail is searched for the short: volts at any point, held against nothing
        sheet = self.sheets.get(context.sheet) if context.sheet else None
        return sheet.find(context.point) if sheet and context.point else None

    @property
    def injecting(self) -> bool:
        """A supply's output is on for the board on the bench, as far as the journal says."""
        return injecting(self.ledger.board(self.context.job, self.context.board))

    def unconfirmed(self, point: Point | None) -> str | None:
        """What has to be confirmed before this point is measured, or None. Powered and unpowered points are
        kept apart: the technician says which of the two the board is before the first point of the other."""
        if point is None or point.powered == bool(self.context.powered):
            return None
        return "power is on" if point.powered else "power is off and the capacitors are discharged"

    def band(self, point: Point, job: str | None = None) -> records.Band | None:
        """What a job's (the current one's) board is held against at this point."""
        job = job or self.context.job
        model = self.ledger.job_field(job, "model") if job else None
        return self._bands(model, point)

    def progress(self, fresh: Mapping[str, str | None] | None = None, left_out: Iterable[str] = ()) -> Progress | None:
        """How far the board on the bench is with its sheet, or None without a sheet or a board."""
        now = self.context
        if self.sheet is None or now.board is None:
            return None
        return progress(self.ledger, self.ledger.board(now.job, now.board), self.sheet, now.stage, fresh, left_out)
