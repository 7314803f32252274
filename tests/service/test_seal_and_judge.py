"""Sealing beside a running service, and old keeps held against what was learned since."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import pytest

from meterlink.journal.reader import entries
from tests import program
from tests.service.conftest import Running


def meterlink(running: Running, *words: str) -> subprocess.CompletedProcess[str]:
    return program.meterlink(*words, "--dir", str(running.folders.root))


@pytest.mark.skipif(not shutil.which("ssh-keygen"), reason="ssh-keygen is not installed")
def test_a_seal_beside_the_running_service(bench: Running, tmp_path: Path) -> None:
    """The record goes through the one writer; plain ssh-keygen agrees through `journal verify`."""
    key = tmp_path / "key"
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", str(key)], check=True)
    signers = tmp_path / "signers"
    signers.write_text(f'bench namespaces="meterlink-journal" {key.with_suffix(".pub").read_text()}')
    bench.call("job open", job="GC-2611")
    done = meterlink(bench, "journal", "seal", "--key", str(key), "--json")
    assert done.returncode == 0, done.stderr
    seal = json.loads(done.stdout)
    assert bench.stop() == 0
    assert any(x.seq == seal["seq"] and x.kind == "seal" for x in entries(bench.folders.journal))
    verify = meterlink(bench, "journal", "verify", "--allowed-signers", str(signers))
    assert verify.returncode == 0, verify.stdout + verify.stderr
    lie = {"head": "0" * 64, "through": seal["seq"] + 10**6, "signature_file": "x"}
    bench.start()
    with pytest.raises(Exception, match="not on the disk"):
        bench.call("seal", **lie)


def test_keeps_are_judged_anew_and_nothing_is_rewritten(bench: Running, tmp_path: Path) -> None:
    """Three boards turn out good at 0.60 V; a keep of 0.95 V that nothing spoke against is high now."""
    sheet = tmp_path / "sheet.toml"
    sheet.write_text('model = "IC-8 rev C"\n[[point]]\nname = "U7"\nfunction = "diode"\nexpect = "known-good"\n')
    bench.call("job open", job="GC-2611", sheet=str(sheet))
    for board, volts in (("GC-01", 0.600), ("GC-02", 0.602), ("GC-03", 0.598), ("GC-04", 0.950)):
        bench.call("board take", board=board, count_in=True)
        bench.handheld.touch(volts)
        bench.call("status")
        for _ in range(200):
            keep = bench.call("status")["last_keep"]
            if keep and keep["board"] == board:
                break
            subprocess.run(["sleep", "0.02"], check=True)
        bench.handheld.lift()
        subprocess.run(["sleep", "0.15"], check=True)
        if board != "GC-04":
            bench.call("board state", state="tested good")
    before = [p.read_bytes() for p in bench.folders.journal.glob("*.jsonl")]
    assert meterlink(bench, "known-good", "learn", "--job", "GC-2611").returncode == 0
    done = meterlink(bench, "journal", "show", "--kind", "kept", "--judge", "--json")
    judged = {r["board"]: (r["verdict"], r["judged"]["verdict"]) for r in map(json.loads, done.stdout.splitlines())}
    assert judged["GC-01"][1] == "ok" and judged["GC-04"] == (None, "high")
    assert "now high" in meterlink(bench, "journal", "show", "--board", "GC-04", "--judge").stdout
    after = [p.read_bytes() for p in bench.folders.journal.glob("*.jsonl")]
    assert all(a.startswith(b) for a, b in zip(after, before, strict=True))
