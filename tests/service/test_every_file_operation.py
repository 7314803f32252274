"""Every file operation of the journal fails, once and for good, under a whole service with touches going on.

Whatever was acknowledged is in the journal, the journal verifies, and the service is up or has ended in order. Between
the faulty disk and the meter's bytes everything is the running program; the clock stands.
"""

from __future__ import annotations

import errno
import json
import os
import signal
from collections.abc import Iterator
from contextlib import suppress
from decimal import Decimal
from pathlib import Path
from typing import Any

import msgspec
import pytest

from meterlink.errors import MeterlinkError, Unreachable
from meterlink.journal.reader import entries
from meterlink.reading import Reading
from meterlink.service.scribe import LATER_S
from tests.rules.rig import Ear, Rig, until

CODES = (errno.ENOSPC, errno.EIO, errno.EROFS, errno.EDQUOT)
MOST = 400  # operations of one run; more than any has
Heard = dict[int, dict[str, Any]]


class Morning:
    """One run of the service: what was said to be recorded, by its seq."""

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        self.heard: Heard = {}
        self.ear: Ear | None = None

    def begin(self, *fault: int) -> bool:
        """Whether the service came up."""
        self.rig.fork(*fault)
        assert self.rig.pid is not None

        def known() -> str:
            with suppress(Unreachable, OSError):
                self.ear = self.ear or Ear(self.rig.folders.socket)
                if self._open("red"):
                    return "up"
            state = Path(f"/proc/{self.rig.pid}/stat").read_text().rpartition(")")[2].split()[0]
            return "ended" if state == "Z" else ""

        return bool(until(known, "the service to be up, or to end", 0.002) == "up")

    def _open(self, name: str) -> bool:
        (one,) = [i for i in self.rig.call("status")["instruments"] if i["instrument"] == name]
        return bool(one["state"] == "open")

    def act(self, do: str, **fields: Any) -> bool:
        """A request; what it says was recorded is noted. Gives whether it was not refused."""
        try:
            reply = self.rig.call(do, **fields)
        except Unreachable:
            raise
        except MeterlinkError:
            return False
        self.heard.update({r["seq"]: r for r in reply["records"]})
        return True

    def touch(self) -> None:
        """The probe in the air, then on something until it has settled."""
        for value in (None, None, *["0.500"] * 5):
            shown = Reading(
                function="diode",
                value=None if value is None else Decimal(value),
                unit="V",
                resolution=Decimal("0.001"),
                state="ok" if value else "over",
            )
            frames = self._frames()
            self.rig.shared.t += 0.15
            self.rig.ports["red"].send(self.rig.frame(shown))
            until(lambda frames=frames: self._frames() > frames, "a frame")
        self.listen()

    def _frames(self) -> int:
        (one,) = [i for i in self.rig.call("status")["instruments"] if i["instrument"] == "red"]
        return int(one["frames"])

    def listen(self) -> None:
        """What those who watch were told to be recorded."""
        assert self.ear is not None
        why = f"heard {len(self.heard)}"
        self.rig.call("refused", why=why)
        self.ear.until(lambda m: m.get("text") == why, why)
        for message in self.ear.taken():
            if message["event"] == "record":
                self.heard[message["record"]["seq"]] = message["record"]

    def work(self) -> None:
        self.act("board take", board="GC-01", count_in=True)
        self.touch()
        self.act("find", what="found", part="C1", note="cracked")
        self.touch()
        self.act("void", of=max(self.heard, default=1), why="slipped")

    def end(self) -> int:
        if self.ear:
            self.ear.end()
        assert self.rig.pid is not None
        os.kill(self.rig.pid, signal.SIGTERM)
        return self.rig.ended()


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    rig = Rig(tmp_path)
    try:
        yield rig
    finally:
        rig.close()


def day(rig: Rig, n: int, forever: bool, code: int) -> list[str]:
    """A morning, one with the fault, and one after it; gives which operations failed."""
    before = Morning(rig)
    assert before.begin()
    before.act("job open", job="J1")  # refused where it is open already
    before.touch()
    assert before.end() == 0
    faulty = Morning(rig)
    (rig.root / "failed").unlink(missing_ok=True)
    if faulty.begin(n, int(forever), code):
        faulty.work()
        assert rig.pid is not None
        os.kill(rig.pid, signal.SIGUSR1)  # the disk works again
        rig.shared.t += LATER_S
        faulty.touch()
        assert faulty.act("job note", job="J1", text="the disk works")
        assert rig.call("status")["journal"]["failing"] is None
        assert faulty.end() == 0
    else:
        assert rig.ended() in (1, 4, 5), "a start that the disk refuses ends with the one line"
    after = Morning(rig)
    assert after.begin()
    after.act("board take", board="GC-02", count_in=True)
    after.touch()
    assert any(r["kind"] == "kept" for r in after.heard.values())
    assert after.end() == 0
    status, said = rig.command("journal", "verify")
    assert status == 0, said
    found = {e.seq: json.loads(msgspec.json.encode(e.record)) for e in entries(rig.folders.journal)}
    for morning in (before, faulty, after):
        for seq, record in morning.heard.items():
            told = {k: v for k, v in record.items() if k != "seq"}
            assert {k: v for k, v in found[seq].items() if k in told} == told, f"record {seq} was acknowledged"
    return (rig.root / "failed").read_text().split()


def days(rig: Rig, step: int, forever: bool, codes: tuple[int, ...]) -> set[str]:
    failed: set[str] = set()
    for i, n in enumerate(range(1, MOST, step)):
        names = day(rig, n, forever, codes[i % len(codes)])
        failed.update(names)
        if not names:
            return failed
    raise AssertionError("no run ended untouched")


@pytest.mark.parametrize(
    ("n", "forever", "code"), [(52, False, errno.ENOSPC), pytest.param(71, True, errno.EIO, marks=pytest.mark.long)]
)
def test_an_operation_fails_while_the_probe_touches(rig: Rig, n: int, forever: bool, code: int) -> None:
    assert day(rig, n, forever, code)


@pytest.mark.long
@pytest.mark.timeout(600)
@pytest.mark.parametrize("forever", [False, True], ids=["once", "for good"])
def test_many_operations_fail(rig: Rig, forever: bool) -> None:
    assert len(days(rig, 13, forever, CODES)) > 4


@pytest.mark.full
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("code", CODES, ids=errno.errorcode.get)
@pytest.mark.parametrize("forever", [False, True], ids=["once", "for good"])
def test_every_operation_fails(rig: Rig, forever: bool, code: int) -> None:
    assert days(rig, 1, forever, (code,)) >= {"open", "open_folder", "write", "sync", "held", "named", "read", "lock"}
