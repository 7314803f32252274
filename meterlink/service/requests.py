"""Requests of the socket as events of the bench: one small function a command, checked field by field."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable
from pathlib import Path
from typing import Any

from meterlink.bench import events as e
from meterlink.bench import sheet as sheets
from meterlink.bench.desk import mark
from meterlink.errors import BadInput, Refused
from meterlink.service.clock import Moment

Fields = dict[str, Any]


LONGEST = 20_000  # characters of a text: the records of one act stay far below what a journal takes


def text(fields: Fields, key: str, required: bool = True) -> str | None:
    """A text field: lines that a terminal shows as they are written. Raises BadInput."""
    value = fields.get(key)
    if value is None and not required:
        return None
    if not isinstance(value, str):
        raise BadInput(f"the request needs a text {key!r}, not {value!r}")
    if len(value) > LONGEST:
        raise BadInput(f"the {key!r} has {len(value)} characters: {LONGEST} are the most")
    if odd := next((c for c in value if unicodedata.category(c) == "Cc" and c not in "\t\r\n"), None):
        raise BadInput(f"the {key!r} holds a control character ({odd!r}): leave it out")
    return value


def whole(fields: Fields, key: str, required: bool = False) -> int | None:
    """A whole number. Raises BadInput."""
    value = fields.get(key)
    if value is None and not required:
        return None
    if not isinstance(value, int) or isinstance(value, bool):
        raise BadInput(f"the request needs a whole number {key!r}, not {value!r}")
    return value


def texts(fields: Fields, key: str) -> tuple[str, ...] | None:
    """A list of texts, or None where there is none. Raises BadInput."""
    value = fields.get(key)
    if value is None:
        return None
    if not isinstance(value, list) or not all(isinstance(v, str) for v in value):
        raise BadInput(f"the request needs a list of texts {key!r}, not {value!r}")
    return tuple(value)


def yes_or_no(fields: Fields, key: str, default: bool | None) -> bool | None:
    """True or false. Raises BadInput."""
    value = fields.get(key, default)
    if value is not None and not isinstance(value, bool):
        raise BadInput(f"the request needs true or false for {key!r}, not {value!r}")
    return value


def same_board(fields: Fields, board: str | None) -> None:
    """Raises Refused where the one who asks believes another board on the bench than is there."""
    believed = text(fields, "for_board", required=False)
    if believed is not None and believed != board:
        raise Refused(f"{board or 'no board'} is on the bench now, not {believed}: nothing was recorded")


class Requests:
    """Builds events; `operator` gives who stands in `by` where a request names nobody, `keep_sheet` files a sheet
    with the bench and gives the name by which the journal finds it again."""

    def __init__(self, operator: Callable[[], str], keep_sheet: Callable[[sheets.Sheet], str]) -> None:
        self._operator = operator
        self._keep_sheet = keep_sheet
        self.known: dict[str, Callable[[Fields, Moment], e.Event]] = {
            "keep": self._press,
            "back": self._press,
            "next": self._press,
            "leave out": self._leave_out,
            "undo": lambda f, m: e.Undo(self._by(f), self._source(f)),
            "move": self._move,
            "who": lambda f, m: e.Who(str(text(f, "name")), self._source(f)),
            "job open": self._job_open,
            "job close": lambda f, m: e.CloseJob(text(f, "job", False), self._by(f), self._source(f)),
            "job note": lambda f, m: e.NoteJob(text(f, "job", False), str(text(f, "text")), self._by(f)),
            "board receive": lambda f, m: e.ReceiveBoard(str(text(f, "board")), self._by(f), text(f, "job", False)),
            "board take": self._take,
            "scanned": lambda f, m: e.TakeBoard(str(text(f, "text")), self._by(f), "scanner"),
            "board state": self._state,
            "find": self._find,
            "point": lambda f, m: e.GoTo(str(text(f, "point")), self._source(f)),
            "stage": self._stage,
            "power": lambda f, m: e.ConfirmPower(self._source(f), yes_or_no(f, "on", None)),
            "void": lambda f, m: e.Withdraw(
                whole(f, "of", True) or 0, str(text(f, "why")), self._by(f), self._source(f)
            ),
        }

    def event(self, request: Fields, moment: Moment) -> e.Event:
        """The event a request stands for. Raises BadInput for an unknown or ill-formed one."""
        make = self.known.get(request["do"])
        if make is None:
            raise BadInput(f"the service does not know {request['do']!r}; it knows {', '.join(self.known)}")
        return make(request, moment)

    def _by(self, fields: Fields) -> str:
        by = text(fields, "by", False)
        return mark("name", by) if by else self._operator()

    @staticmethod
    def _source(fields: Fields) -> Any:
        source = fields.get("source", "command")
        if source not in ("pedal", "key", "command", "scanner"):
            raise BadInput(f"a request comes from pedal, key, scanner or command, not {source!r}")
        return source

    def _press(self, fields: Fields, moment: Moment) -> e.Event:
        source = self._source(fields)
        return e.Press(fields["do"], "command" if source == "scanner" else source, moment.t)

    def _leave_out(self, fields: Fields, moment: Moment) -> e.Event:
        points = texts(fields, "points")
        return e.LeaveOut(points, text(fields, "why", False), self._by(fields), self._source(fields))

    def _move(self, fields: Fields, moment: Moment) -> e.Event:
        return e.Move(
            by=self._by(fields),
            source=self._source(fields),
            of=whole(fields, "of"),
            point=text(fields, "point", False),
            board=text(fields, "board", False),
            job=text(fields, "job", False),
        )

    def _take(self, fields: Fields, moment: Moment) -> e.Event:
        return e.TakeBoard(
            str(text(fields, "board")),
            self._by(fields),
            self._source(fields),
            text(fields, "job", False),
            bool(yes_or_no(fields, "count_in", False)),
        )

    def _state(self, fields: Fields, moment: Moment) -> e.Event:
        return e.SetState(
            str(text(fields, "state")),
            self._by(fields),
            text(fields, "board", False),
            text(fields, "job", False),
            text(fields, "text", False),
            self._source(fields),
        )

    def _find(self, fields: Fields, moment: Moment) -> e.Event:
        return e.Find(
            what=str(text(fields, "what")),
            by=self._by(fields),
            part=text(fields, "part", False),
            text=text(fields, "text", False),
            board=text(fields, "board", False),
            job=text(fields, "job", False),
            source=self._source(fields),
        )

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
            source=self._source(fields),
        )
