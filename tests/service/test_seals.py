"""The bench's own key: a seal at each new segment and at the end of each job, made beside the loop."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from meterlink import records
from meterlink.errors import MeterlinkError
from meterlink.journal.reader import entries
from tests.program import meterlink
from tests.service.conftest import Running, bench_at, until
from tests.signers import key

pytestmark = pytest.mark.skipif(shutil.which("ssh-keygen") is None, reason="OpenSSH's ssh-keygen is not here")


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Running]:
    with bench_at(tmp_path / "bench") as running:
        yield running


def with_key(bench: Running, path: Path) -> None:
    with bench.folders.config.open("a") as file:
        file.write(f'[seal]\nkey = "{path}"\n')


def seals(bench: Running) -> list[records.Seal]:
    rows = entries(bench.folders.journal, readings=False)
    return [e.record for e in rows if isinstance(e.record, records.Seal)]


def log(bench: Running) -> str:
    return (bench.folders.root / "service.log").read_text()


def test_the_end_of_a_job_and_a_new_segment_are_sealed(bench: Running, tmp_path: Path) -> None:
    private, signers = key(tmp_path, "owner")
    with_key(bench, private)
    bench.start()
    until(lambda: seals(bench), what="the seal of the segment that began")
    bench.call("job open", job="J1")
    bench.call("board receive", board="GC-01")
    bench.call("job close", job="J1")
    until(lambda: len(seals(bench)) == 2, what="the seal of the job")
    closed = next(e.seq for e in entries(bench.folders.journal) if getattr(e.record, "event", "") == "closed")
    assert seals(bench)[-1].through >= closed
    bench.stop()
    verify = meterlink("journal", "verify", "--dir", str(bench.folders.root), "--allowed-signers", str(signers))
    assert verify.returncode == 0, verify.stdout
    assert "that owner@bench signed" in verify.stdout


@pytest.mark.parametrize("how", ["gone", "locked", "hangs"])
def test_a_key_that_does_not_sign_is_told_and_holds_nobody_up(
    bench: Running, tmp_path: Path, how: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    private, _ = key(tmp_path, "owner")
    if how == "gone":
        private.unlink()
    elif how == "locked":
        os.system(f"ssh-keygen -q -p -N secret -P '' -f {private} >/dev/null")
    else:
        (tmp_path / "bin").mkdir()
        (tmp_path / "bin" / "ssh-keygen").write_text("#!/bin/sh\nexec sleep 600\n")
        (tmp_path / "bin" / "ssh-keygen").chmod(0o700)
        monkeypatch.setenv("PATH", f"{tmp_path / 'bin'}:{os.environ['PATH']}")
    with_key(bench, private)
    bench.start()
    bench.call("job open", job="J1")
    bench.call("job close", job="J1")
    if how != "hangs":
        until(lambda: "the journal was not sealed" in log(bench), what="the word on it")
    bench.call("job open", job="J2")
    assert bench.stop() == 0
    assert not seals(bench)
    assert meterlink("journal", "verify", "--dir", str(bench.folders.root)).returncode == 0


@pytest.mark.parametrize(
    "fields",
    [
        {"head": "0" * 64, "through": 1, "signature_file": "x.sig"},
        {"head": "x", "through": 1, "signature_file": "x.sig"},
        {"head": "\u202e", "through": -5, "signature_file": "../x"},
        {"head": "0" * 64, "through": 2**63, "signature_file": "x.sig"},
    ],
)
def test_a_head_that_is_not_on_the_disk_is_not_recorded(bench: Running, fields: dict[str, object]) -> None:
    bench.start()
    with pytest.raises(MeterlinkError):
        bench.call("seal", **fields)
    assert not seals(bench)
