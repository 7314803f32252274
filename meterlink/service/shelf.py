"""What the bench is held against: sheets kept beside the journal, accuracy profiles, known-good values.

Reads files; the bench core is handed the results.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Iterator
from hashlib import sha256
from pathlib import Path

from meterlink import knowngood, records, tomlfile
from meterlink.bench import sheet as sheets
from meterlink.bench.ledger import Ledger
from meterlink.bench.verdict import band_for
from meterlink.errors import BadInput
from meterlink.folders import Folders, make_private
from meterlink.reading import Reading
from meterlink.service.config import Loaded
from meterlink.wholefile import whole_file


class Shelf:
    """`tell` hears, in one line, of what could not be used; the bench goes on without it."""

    def __init__(self, loaded: Loaded, folders: Folders, tell: Callable[[str], None]) -> None:
        self._loaded = loaded
        self._folders = folders
        self._tell = tell
        self._refused: dict[str, str] = {}  # a sheet's name, and why it could not be used
        self._told: set[str] = set()  # of those, which were told

    def uncertainty(self, instrument: str, reading: Reading) -> records.Uncertainty | None:
        """By the instrument's accuracy profile, if it has one."""
        profile = self._loaded.profiles.get(instrument)
        return profile.uncertainty(reading) if profile else None

    def band(self, model: str | None, point: sheets.Point) -> records.Band | None:
        """What a point is held against: its sheet, or what was learned of its model."""
        known = None
        if model is not None and point.expect == "known-good":
            try:
                known = knowngood.look_up(self._folders.known_good, model, point)
            except BadInput as error:
                self._tell(f"{point.name} is held against the sheet alone: {error}")
        return band_for(point, known)

    def keep(self, sheet: sheets.Sheet) -> str:
        """File a copy with the bench: a job goes on with the sheet it was opened with. Gives the copy's name."""
        make_private(self._folders.sheets)
        name = f"{Path(sheet.path).stem}-{sheet.sha256[:8]}.toml"
        copy = self._folders.sheets / name
        if not copy.exists():
            data = tomlfile.read(Path(sheet.path)).data
            if sha256(data).hexdigest() != sheet.sha256:
                raise BadInput(f"{sheet.path} was changed just now: open the job again")
            with whole_file(copy) as file:
                file.write(data)
        return name

    def of_jobs(self, ledger: Ledger, read: Container[str] = ()) -> Iterator[tuple[str, sheets.Sheet]]:
        """The sheets of the jobs, by name, less those that were read. One that is gone or altered is left out, which is
        told once where its job is open."""
        found: set[str] = set()
        for job in ledger.jobs:
            name = ledger.job_field(job, "sheet")
            if not name or name in read or name in found:
                continue
            if name not in self._refused:
                try:
                    sheet = sheets.load_filed(self._folders.sheets, name)
                    if sheet.sha256 != ledger.job_field(job, "sheet_sha256"):
                        raise BadInput(f"{name} was altered since job {job} was opened")
                except BadInput as error:
                    self._refused[name] = str(error)
                else:
                    found.add(name)
                    yield name, sheet
                    continue
            if ledger.is_open(job) and name not in self._told:
                self._told.add(name)
                self._tell(f"job {job} goes on without its sheet: {self._refused[name]}")
