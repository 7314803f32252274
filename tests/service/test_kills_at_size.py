"""SIGKILL of the whole service at any moment of its life: at its start, at work, at midnight, while it seals.

Each life is a fork of a process that has imported everything (tests/rules/bench_process.py), so that ten thousand are a
matter of minutes. What was acknowledged is noted outside of it. The clock stands, and is set on by what is done.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import threading
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import msgspec
import pytest

from meterlink.errors import MeterlinkError
from meterlink.journal.reader import entries
from tests.rules.rig import Rig
from tests.signers import key

LIVES = 100  # on one journal: then it is looked at, and another one begins
LONGEST_S = 0.4  # of a life; a start takes about half of that


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    rig = Rig(tmp_path)
    try:
        if shutil.which("ssh-keygen"):
            with rig.folders.config.open("a") as file:
                file.write(f'[seal]\nkey = "{key(tmp_path, "owner")[0]}"\n')
        yield rig
    finally:
        rig.close()


def live(rig: Rig, dice: random.Random, acknowledged: dict[int, dict[str, Any]]) -> None:
    """One life: requests as fast as they are answered, until it is killed at a moment that nobody knows."""
    rig.fork()
    pid = rig.pid
    assert pid is not None
    killer = threading.Timer(dice.uniform(0.0, LONGEST_S), os.kill, (pid, signal.SIGKILL))
    killer.start()
    n = 0
    while killer.is_alive():
        do = dice.choice(("note", "point", "keep", "touch", "midnight", "close"))
        try:
            for record in asked(rig, do, n):
                acknowledged[record["seq"]] = record
        except (MeterlinkError, OSError, ValueError):
            continue  # not up yet, refused, or killed in mid-reply: not acknowledged
        n += 1
    killer.join()
    assert rig.ended() == -signal.SIGKILL


def asked(rig: Rig, do: str, n: int) -> list[dict[str, Any]]:
    match do:
        case "note":
            return list(rig.call("job note", job="J1", text=f"note {n}")["records"])
        case "point":
            return list(rig.call("point", point=f"P{n}")["records"])
        case "keep":
            return list(rig.call("keep")["records"])
        case "midnight":
            rig.shared.t += 86_400.0 / 3
            return list(rig.call("job open", job=f"J{n % 3}")["records"])
        case "close":
            return list(rig.call("job close", job=f"J{n % 3}")["records"])
        case _:
            rig.call("status")  # one that is not up reads nothing, and the line would fill
            rig.shared.t += 0.15
            rig.ports["red"].send(FRAMES[n % 2])
            return []


FRAMES = [bytes.fromhex("132030475d6e788090a0b2c4d0e0"), bytes.fromhex("1720354557687f8297a0b0c0d4e0")]


def look(rig: Rig, acknowledged: dict[int, dict[str, Any]]) -> None:
    """Start once more and end in order; every acknowledged record is there, and the journal verifies."""
    rig.start()
    assert rig.stop() == 0
    found = {e.seq: json.loads(msgspec.json.encode(e.record)) for e in entries(rig.folders.journal, readings=False)}
    for seq, record in acknowledged.items():
        told = {k: v for k, v in record.items() if k != "seq"}
        assert {k: v for k, v in found[seq].items() if k in told} == told, f"record {seq} was acknowledged"
    status, said = rig.command("journal", "verify")
    assert status == 0, said


def killed(rig: Rig, times: int, seed: int) -> int:
    """So many lives; gives how many records were acknowledged in all."""
    dice, count = random.Random(seed), 0
    for begin in range(0, times, LIVES):
        acknowledged: dict[int, dict[str, Any]] = {}
        for _ in range(min(LIVES, times - begin)):
            live(rig, dice, acknowledged)
        look(rig, acknowledged)
        count += len(acknowledged)
        with suppress(FileNotFoundError):
            shutil.rmtree(rig.folders.journal)
    return count


@pytest.mark.long
@pytest.mark.timeout(600)
def test_a_hundred_lives(rig: Rig) -> None:
    assert killed(rig, LIVES, seed=1) > LIVES // 10  # a busy machine acknowledges little in a short life


@pytest.mark.full
@pytest.mark.timeout(7200)
@pytest.mark.parametrize("seed", range(8))
def test_ten_thousand_lives(rig: Rig, seed: int) -> None:
    assert killed(rig, 1250, seed=100 + seed) > 125
