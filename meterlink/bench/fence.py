"""Calls into a supply's driver, fenced: whatever it raises or gives back ends as DriverFailed and goes no further.

A third party's driver may raise anything, SystemExit and KeyboardInterrupt too (they end a thread as surely), or give
back anything. What has to switch an output off comes through here for each call into a driver.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from decimal import Decimal
from typing import TypeVar, get_args

from meterlink.control import Answer, Told
from meterlink.errors import MeterlinkError, Refused
from meterlink.framing import Query
from meterlink.reading import BadFrame, Coupling, Reading, State

T = TypeVar("T")
WAIT_MOST_S, PAUSE_MOST_S = 10.0, 5.0  # beyond these an injection could not be ended in time
LONGEST = 400  # characters of a driver's own words
WORD_MOST, FLAGS_MOST = 100, 32  # characters of a function, unit, display, channel or flag; flags of a reading
FRAME_MOST = 1 << 16  # bytes of a frame, and of the queries that brought it
DIGITS_MOST, MAGNITUDE_MOST = 40, 60  # of a number; no display shows more than 9 digits, no unit needs 1E60
STATES, COUPLINGS = get_args(State), (*get_args(Coupling), None)  # tuples: a list may be asked for in one
NUMBERS = ("set_voltage", "set_current", "over_voltage", "voltage", "current")


class DriverFailed(MeterlinkError):  # noqa: N818 - named for what happened
    """A driver raised what it must not, or gave back what is none of the contract's."""


def clean(text: str) -> str:
    """A stranger's words as a record may hold them: no lone surrogate, one line, not without end."""
    return " ".join(text[:LONGEST].encode("utf-8", "backslashreplace").decode().split())


def words(error: BaseException) -> str:
    """An error in words; a stranger's may refuse even that."""
    try:
        return clean(f"{type(error).__name__}: {error}")
    except BaseException:  # noqa: BLE001 - the text of an error is a driver's code as well
        return type(error).__name__


def called(call: Callable[..., T], *args: object) -> T:
    """What a driver's function gives.

    Raises  BadFrame, Refused, which the contract allows; DriverFailed for anything else.
    """
    try:
        return call(*args)
    except (BadFrame, Refused):
        raise
    except BaseException as error:  # noqa: BLE001 - the purpose of this room
        failed, cause = DriverFailed(f"the driver failed: {words(error)}"), error
    raise failed from cause


def answered(parse: Callable[[bytes, bytes], Answer], query: Query, reply: bytes) -> Answer:
    """What a reply says. Raises BadFrame, DriverFailed; a number in it is one."""
    answer = called(parse, query.ask, reply)
    if type(answer) is not Answer:
        raise DriverFailed(f"the driver failed: parse gives {type(answer).__name__}, no Answer")
    for name in NUMBERS:
        value = getattr(answer, name)
        if value is not None and not _bounded(value):
            raise DriverFailed(f"the driver failed: parse gives no number as {name}")
    if type(answer.on) not in (bool, type(None)) or answer.mode not in (None, "cv", "cc"):
        raise DriverFailed("the driver failed: parse gives an output's state that is none")
    return answer


def read(readings: object) -> list[Reading]:
    """Readings as a driver gave them, if a journal can hold them. Raises DriverFailed."""
    if not isinstance(readings, (list, tuple)):
        raise DriverFailed(f"the driver failed: it gives {type(readings).__name__}, no readings")
    for r in readings:
        if type(r) is not Reading:
            raise DriverFailed(f"the driver failed: it gives {type(r).__name__}, no Reading")
        if wrong := _wrong(r):
            raise DriverFailed(f"the driver failed: {wrong}")
    return list(readings)


def _wrong(r: Reading) -> str | None:
    """What of a reading is none of the contract's, or None."""
    for number in (r.value, r.resolution):
        if number is not None and not _bounded(number):
            return f"a reading's number is {clean(repr(number))[:60]}"
    if r.state not in STATES or r.coupling not in COUPLINGS:
        return f"a reading's state is {clean(repr(r.state))[:60]}, its coupling {clean(repr(r.coupling))[:60]}"
    if type(r.flags) is not tuple or len(r.flags) > FLAGS_MOST:
        return "a reading's flags are no tuple of words, or too many"
    for text in (r.function, r.unit, r.display or "", r.channel or "", *r.flags):
        if type(text) is not str or len(text) > WORD_MOST:
            return f"a reading's text is {type(text).__name__}, or longer than {WORD_MOST} characters"
        if not text.isascii() and any("\ud800" <= c <= "\udfff" for c in text):
            return "a reading's text holds half of a surrogate pair"
    for data in (r.raw, r.asked):
        if type(data) is not bytes or len(data) > FRAME_MOST:
            return f"a reading's frame is {type(data).__name__}, or longer than {FRAME_MOST} bytes"
    return None


def _bounded(number: object) -> bool:
    """It is a decimal number of an instrument: finite, and of a size and length that a display could have."""
    if type(number) is not Decimal or not number.is_finite() or len(number.as_tuple().digits) > DIGITS_MOST:
        return False
    return number.is_zero() or abs(number.adjusted()) <= MAGNITUDE_MOST


def told(call: Callable[[Decimal], Told], value: Decimal) -> tuple[Decimal, Told]:
    """The queries that set a value, and the value that the set will have understood: never above the wanted one.

    Raises  Refused, DriverFailed.
    """
    action = called(call, value)
    if type(action) is not Told or type(action.value) is not Decimal or not action.value.is_finite():
        raise DriverFailed("the driver failed: it does not say what its set will have understood")
    if action.value > value:
        raise DriverFailed(f"the driver failed: it makes {action.value} of {value}")
    return action.value, Told(queries=plain(action.queries), value=action.value, note=str(action.note))


def plain(queries: object) -> tuple[Query, ...]:
    """These queries, at least one, as bytes and times of our own. Raises DriverFailed."""
    if not isinstance(queries, (tuple, list)) or not queries:
        raise DriverFailed("the driver failed: an action without queries")
    return tuple(_plain(query) for query in queries)


def _plain(query: object) -> Query:
    if type(query) is not Query:
        raise DriverFailed(f"the driver failed: {type(query).__name__} is no Query")
    if type(query.ask) is not bytes or not query.ask:
        raise DriverFailed("the driver failed: a query that is no bytes")
    if query.take is not None and not callable(query.take):
        raise DriverFailed("the driver failed: a query's take is no function")
    for value, most in ((query.wait_s, WAIT_MOST_S), (query.pause_s, PAUSE_MOST_S)):
        if type(value) not in (int, float) or not math.isfinite(value) or not 0 <= value <= most:
            raise DriverFailed(f"the driver failed: {value!r} s for a query, 0 to {most:g} s can be")
    return query
