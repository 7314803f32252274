"""The service's socket: newline-delimited JSON, one request a line, one reply a line.

    {"do": "keep"}                         -> {"ok": true, "records": [...], "text": [...]}
    {"do": "board take", "board": "GC-03"} -> {"ok": false, "error": "...", "code": 2}
    {"do": "watch"}                        -> {"ok": true}, then a line per change until the peer closes

The socket has mode 0600 in the user's runtime folder (0700). `client` is what the command line and the
screen use; the service half is in `sockets`.
"""

from __future__ import annotations

import json
import socket
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, BinaryIO

from meterlink import errors
from meterlink.exits import error_of

LONGEST = 1 << 20  # bytes of one request; what is longer is refused and the peer dropped
LARGEST = 2**63 - 1  # a whole number that a record holds
TOO_MANY = "too many talk to this bench at once: try again"


def request_of(line: bytes) -> dict[str, Any]:
    """A request from its line: texts that a journal can hold, numbers that are numbers.

    Raises  ValueError, RecursionError: not UTF-8, not JSON, no object with "do", half of a surrogate pair in a text,
            NaN, a whole number beyond 64 bits.
    """
    request = json.loads(line.decode("utf-8"), parse_constant=_no_number)
    if not isinstance(request, dict) or not isinstance(request.get("do"), str):
        raise ValueError('a request is {"do": ...}')
    return _sound(request)


def _sound(request: dict[str, Any]) -> dict[str, Any]:
    """The request; of an off that says what cannot be recorded, the off: it is never refused for how it is asked."""
    try:
        _recordable(request)
    except ValueError:
        if request["do"] != "supply off":
            raise
        return {"do": "supply off"}
    return request


def _no_number(word: str) -> None:
    raise ValueError(f"{word} is no number")


def _recordable(part: object) -> None:
    match part:
        case str():
            try:
                part.encode()
            except UnicodeEncodeError as error:
                raise ValueError(f"{part[:40]!a} is not UTF-8 text: write it in UTF-8") from error
        case int() if abs(part) > LARGEST:
            raise ValueError("a whole number beyond 64 bits")
        case dict():
            for key, value in part.items():
                _recordable(key)
                _recordable(value)
        case list():
            for value in part:
                _recordable(value)
        case _:
            pass  # numbers, true, false, null


@contextmanager
def connected(path: Path, wait_s: float | None = 30.0) -> Iterator[socket.socket]:
    """A connection to the service of this bench. Raises Unreachable."""
    sock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    sock.settimeout(wait_s)
    try:
        sock.connect(str(path))
    except BlockingIOError as error:  # connect(2), EAGAIN: more are waiting to be let in than the system keeps
        sock.close()
        raise errors.Refused(TOO_MANY) from error
    except OSError as error:
        sock.close()
        raise errors.Unreachable(
            "the service of this bench does not answer: start it (meterlink run), or name its folder (--dir)"
        ) from error
    try:
        yield sock
    finally:
        sock.close()


def call(path: Path, do: str, **fields: Any) -> dict[str, Any]:
    """One request, its reply.

    Raises  Unreachable; BadInput for a text that is not UTF-8; or what the service refused, as the class of its code.
    """
    try:
        request = _sound({"do": do, **fields})
    except ValueError as error:
        raise errors.BadInput(str(error)) from error
    with connected(path) as sock, sock.makefile("rb") as lines:
        return _asked(sock, lines, request)


def _asked(sock: socket.socket, lines: BinaryIO, request: dict[str, Any]) -> dict[str, Any]:
    """The reply to a request. Raises Unreachable, or what was refused."""
    with suppress(BrokenPipeError, ConnectionResetError):  # whoever let us go unheard has said why: that is read next
        sock.sendall(json.dumps(request).encode() + b"\n")
    try:
        line = lines.readline()
    except OSError as error:
        raise errors.Unreachable(f"the service did not answer {request['do']!r}: {error}") from error
    return _answered(line, request["do"])


def _answered(line: bytes, do: str) -> dict[str, Any]:
    """The reply on a line. Raises Unreachable where it is none, or what was refused."""
    if not line.endswith(b"\n"):
        raise errors.Unreachable(f"the service ended before it answered {do!r}")
    reply: dict[str, Any] = json.loads(line)
    if not reply["ok"]:
        raise error_of(reply["code"], reply["error"])
    return reply


def watch(path: Path) -> Iterator[dict[str, Any]]:
    """What the service tells of itself until it ends. At the start raises Unreachable, or what the service refused."""
    with connected(path, None) as sock, sock.makefile("rb") as lines:
        _asked(sock, lines, {"do": "watch"})  # the service's word that it will tell
        for line in lines:
            yield json.loads(line)
