"""Requests of the socket as events of the bench: one small function a command, checked field by field."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from meterlink.bench import events as e
from meterlink.bench import sheet as sheets
from meterlink.errors import BadInput
from meterlink.service.clock import Moment

Fields = dict[str, Any]


def text(fields: Fields, key: str, required: bool = True) -> str | None:
    """A text field. Raises BadInput."""
    value = fields.get(key)
    if value is None and not required:
        return None
    if not isinstance(value, str):
        raise BadInput(f"the request needs a text {key!r}, not {value!r}")
    return value


def whole(fields: Fields, key: str, required: bool = False) -> int | None:
    """A whole number. Raises BadInput."""
    value = fields.get(key)
    if value is None and not required:
        return None
    if not isinstance(value, int) or isinstance(value, bool):
        raise BadInput(f"the request needs a whole number {key!r}, not {value!r}")
    return value


class Requests:
    """Builds events; `operator` stands in `by` where a request names nobody, `keep_sheet` files a sheet
    with the bench and gives the name by which the journal finds it again."""

    def __init__(self, operator: str | None, keep_sheet: Callable[[sheets.Sheet], str]) -> None:
        self._operator = operator or "command"
        self._keep_sheet = keep_sheet
        self.known: dict[str, Callable[[Fields, Moment], e.Event]] = {
            "keep": self._press,
            "back": self._press,
            "next": self._press,
            "job open": self._job_open,
            "job close": lambda f, m: e.CloseJob(text(f, "job", False), self._by(f)),
            "job note": lambda f, m: e.NoteJob(text(f, "job", False), str(text(f, "text")), self._by(f)),
            "board receive": lambda f, m: e.ReceiveBoard(str(text(f, "board")), self._by(f), text(f, "job", False)),
            "board take": lambda f, m: e.TakeBoard(
                str(text(f, "board")), self._by(f), self._source(f), text(f, "job", False)
            ),
            "board state": lambda f, m: e.SetState(
                str(text(f, "state")),
                self._by(f),
                text(f, "board", False),
                text(f, "job", False),
                text(f, "text", False),
            ),
            "find": lambda f, m: e.Find(
                what=str(text(f, "what")),
                by=self._by(f),
                part=text(f, "part", False),
                text=text(f, "text", False),
                board=text(f, "board", False),
                job=text(f, "job", False),
            ),
            "point": lambda f, m: e.GoTo(str(text(f, "point")), self._source(f)),
            "stage": self._stage,
            "power": lambda f, m: e.ConfirmPower(self._source(f)),
            "void": lambda f, m: e.Withdraw(whole(f, "of", True) or 0, str(text(f, "why")), self._by(f)),
        }

    def event(self, request: Fields, moment: Moment) -> e.Event:
        """The event a request stands for. Raises BadInput for an unknown or ill-formed one."""
        make = self.known.get(request["do"])
        if make is None:
            raise BadInput(f"the service does not know {request['do']!r}; it knows {', '.join(self.known)}")
        return make(request, moment)

    def _by(self, fields: Fields) -> str:
        return text(fields, "by", False) or self._operator

    @staticmethod
    def _source(fields: Fields) -> Any:
        source = fields.get("source", "command")
        if source not in ("pedal", "key", "command"):
            raise BadInput(f"a request comes from pedal, key or command, not {source!r}")
        return source

    def _press(self, fields: Fields, moment: Moment) -> e.Event:
        return e.Press(fields["do"], self._source(fields), moment.t)

    @staticmethod
    def _stage(fields: Fields, moment: Moment) -> e.Event:
        stage = text(fields, "stage", False)
        if stage not in ("before", "after", None):
            raise BadInput(f"a stage is before or after, not {stage!r}")
        return e.SetStage(stage, Requests._source(fields))  # type: ignore[arg-type]

    def _job_open(self, fields: Fields, moment: Moment) -> e.Event:
        path = text(fields, "sheet", False)
        sheet = sheets.load(Path(path)) if path else None
        return e.OpenJob(
            job=str(text(fields, "job")),
            by=self._by(fields),
            model=text(fields, "model", False),
            customer=text(fields, "customer", False),
            expected=whole(fields, "expected"),
            sheet=sheet,
            sheet_name=self._keep_sheet(sheet) if sheet else None,
        )
