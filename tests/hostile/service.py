"""A service that answers whatever hurts: its replies have the shape of the real one's, and hostile texts in them."""

from __future__ import annotations

import json
import socketserver
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import datetime, timezone
from pathlib import Path
from typing import Any

from meterlink.folders import bench_folder
from meterlink.link.opening import open_link
from meterlink.service import snapshot
from meterlink.service.clock import Moment
from meterlink.service.config import load
from meterlink.service.loop import Service
from tests.hostile.journals import FIELDS, Row, row, rows, story, write

BENCH = """
bench = "b"
operator = "o"
sound.on = false
[instruments.meter]
driver = "fs9721"
port = "/dev/null"
[pedal]
kind = "contact"
port = "/dev/zero"
switches = { CTS = "gestures" }
"""
Answer = Callable[[Row], list[Row]]


def told(root: Path, text: str) -> tuple[Row, Row]:
    """What a service says of itself on `status`, and to a screen, with this text for each of its own."""
    folders = bench_folder(root)
    write(folders.journal, story())
    folders.config.write_text(BENCH, encoding="utf-8")
    service = Service(load(folders.config, folders), folders, open_link, lambda effect: None)
    with closing(service.writer):
        now = Moment(1.0, datetime(2026, 11, 25, tzinfo=timezone.utc))
        found = snapshot.status(service, now), snapshot.snapshot(service)
    status, state = (_filled(one, text) for one in found)
    for one in (status, state):
        one |= {"inputs": {text: {"state": text, "why": text}}, "injecting": False, "last_keep": row("kept", text)}
        one |= {"supplies": {f"{text}/1": {"voltage": 1.0, "current": 1.0, "flags": [text, "on"]}}, "scanner": None}
    return status, state


def _filled(part: Any, text: str) -> Any:
    match part:
        case str() | None:
            return text
        case dict():
            return {k: _filled(v, text) for k, v in part.items()}
        case list():
            return [_filled(v, text) for v in part]
        case _:
            return part


def answers(status: Row, text: str) -> Answer:
    """To every request all that a reply may hold."""
    every = [one for kind in FIELDS for one in rows(kind, text)]
    end = {"event": "injection", "state": "ended", "instrument": text, "off": True, "switched_on": True, "why": text}
    on = {"event": "injection", "state": "on", "instrument": text, "volts": 1.0, "amperes": 1.0, "watts": 1.0}
    on |= {"ohms": 1.0, "wires": 2, "mode": text}
    cleared = {"event": "effect", "sound": "short-cleared", "text": text}

    def answer(request: Row) -> list[Row]:
        if request["do"] == "watch":
            return [{"ok": True}, cleared, on, {**end, "energy_j": 1.0}]
        return [{**status, "ok": True, "records": every, "text": [], "instrument": text, "off": [text], "seq": 1}]

    return answer


def refuses(code: int, text: str) -> Answer:
    """To every request a refusal."""
    return lambda request: [{"ok": False, "error": text, "code": code}]


@contextmanager
def answering(path: Path, answer: Answer) -> Iterator[None]:
    """It listens at this socket."""

    class Peer(socketserver.StreamRequestHandler):
        def handle(self) -> None:
            for reply in answer(json.loads(self.rfile.readline())):
                self.wfile.write(json.dumps(reply).encode() + b"\n")

    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    with socketserver.ThreadingUnixStreamServer(str(path), Peer) as server:
        threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True).start()
        try:
            yield
        finally:
            server.shutdown()
    path.unlink()
