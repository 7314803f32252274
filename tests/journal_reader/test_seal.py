"""Seals: made and checked with OpenSSH itself."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

from meterlink import records
from meterlink.errors import BadInput
from meterlink.journal import seal as seals
from meterlink.journal.reader import segments
from tests.journal_reader.chains import all_lines, append, check
from tests.signers import key

pytestmark = pytest.mark.skipif(shutil.which("ssh-keygen") is None, reason="OpenSSH's ssh-keygen is not here")


@pytest.fixture
def sealed(journal: Path, tmp_path: Path) -> tuple[Path, records.Seal, Path]:
    """A sealed journal, its seal, and whose seals count."""
    private, signers = key(tmp_path, "owner")
    made = seals.make(journal, private)
    text = f'"at":"2026-11-26T10:00:00.000000Z","kind":"seal","head":"{made.head}","through":{made.through}'
    append(journal, f'{text},"signature_file":"{made.signature_file}"}}'.encode())
    return journal, made, signers


def test_a_seal_is_checked_by_plain_ssh_keygen(sealed: tuple[Path, records.Seal, Path]) -> None:
    journal, made, signers = sealed
    segment = segments(journal)[-1]
    assert made.signature_file == f"{segment.name}.through-{made.through}.sig"
    signed = b"".join(segment.read_bytes().splitlines(keepends=True)[:-1])
    plain = ["ssh-keygen", "-Y", "verify", "-f", signers, "-I", "owner@bench", "-n", "meterlink-journal",
             "-s", journal / made.signature_file]  # fmt: skip
    assert subprocess.run(plain, input=signed, check=False).returncode == 0
    assert subprocess.run(plain, input=signed[:-2] + b"\n", check=False, capture_output=True).returncode != 0
    other = [*plain[:-3], "file", *plain[-2:]]
    assert subprocess.run(other, input=signed, check=False, capture_output=True).returncode != 0, "another namespace"


def test_verify_says_who_signed(sealed: tuple[Path, records.Seal, Path]) -> None:
    journal, made, signers = sealed
    report = check(journal, signers=signers)
    assert report.ok
    assert report.seals == [f"through record {made.through}: signed by owner@bench"]
    (unheld,) = check(journal).seals
    assert "not held against allowed signers" in unheld


def test_a_seal_of_somebody_else(sealed: tuple[Path, records.Seal, Path], tmp_path: Path) -> None:
    journal, _, _ = sealed
    _, strangers = key(tmp_path, "stranger")
    report = check(journal, signers=strangers)
    assert "no allowed signer" in report.faults[0].reason
    assert report.faults[0].line == segments(journal)[-1].read_bytes().count(b"\n")


def test_a_signature_over_other_bytes(sealed: tuple[Path, records.Seal, Path], tmp_path: Path) -> None:
    journal, made, signers = sealed
    other = tmp_path / "other"
    other.write_bytes(b"something else")
    subprocess.run(
        ["ssh-keygen", "-q", "-Y", "sign", "-f", tmp_path / "owner", "-n", seals.NAMESPACE, other], check=True
    )
    shutil.copy(tmp_path / "other.sig", journal / made.signature_file)
    assert made.signature_file in check(journal, signers=signers).faults[0].reason
    assert made.signature_file in check(journal).faults[0].reason


def test_a_signature_without_end_is_not_read(sealed: tuple[Path, records.Seal, Path]) -> None:
    journal, made, signers = sealed
    os.truncate(journal / made.signature_file, 1 << 40)  # takes no room on the disk
    for options in ({}, {"signers": signers}):
        assert "longer than 64 KiB, no signature is" in check(journal, **options).faults[0].reason


def test_a_signature_that_is_not_here(sealed: tuple[Path, records.Seal, Path]) -> None:
    journal, made, signers = sealed
    (journal / made.signature_file).unlink()
    assert "is not here" in check(journal).seals[0]
    assert "is not here" in check(journal, signers=signers).faults[0].reason


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"head": "0" * 64}, "its head is not the SHA-256"),
        ({"through": 1}, "is not named"),
        ({"signature_file": "../../x.jsonl.through-1.sig"}, "is not named"),
        ({"signature_file": "/etc/passwd"}, "is not named"),
        ({"signature_file": "2026-11-26.jsonl.through-1.sig", "through": 1}, "does not hold record 1"),
    ],
)
def test_a_seal_record_that_lies(sealed: tuple[Path, records.Seal, Path], change: dict[str, object], word: str) -> None:
    journal, made, signers = sealed
    lying = records.Seal(
        **{"head": made.head, "through": made.through, "signature_file": made.signature_file, **change}
    )  # type: ignore[arg-type]
    found = seals.check(journal, lying, signers)
    assert word in str(found.wrong)


def test_what_cannot_be_sealed(journal: Path, tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="there is no key"):
        seals.make(journal, tmp_path / "nokey")
    (tmp_path / "text").write_text("no key at all")
    with pytest.raises(BadInput, match="did not sign"):
        seals.make(journal, tmp_path / "text")
    (tmp_path / "empty").mkdir()
    with pytest.raises(BadInput, match="nothing to seal"):
        seals.make(tmp_path / "empty", tmp_path / "text")
    assert not list(journal.glob("*.sig"))


def test_the_seal_covers_the_newest_whole_record(sealed: tuple[Path, records.Seal, Path], tmp_path: Path) -> None:
    journal, _, signers = sealed
    with segments(journal)[-1].open("ab") as file:
        file.write(b'{"prev":"half a line')
    made = seals.make(journal, tmp_path / "owner")
    assert made.through == len(all_lines(journal))
    assert seals.check(journal, made, signers).who == "owner@bench"


def test_records_that_were_signed_and_cut_off(sealed: tuple[Path, records.Seal, Path]) -> None:
    """What is left is a whole chain; the signature that lies beside it tells of a record that is not there."""
    journal, made, _ = sealed
    segment = segments(journal)[-1]
    segment.write_bytes(b"".join(segment.read_bytes().splitlines(keepends=True)[:-3]))
    for chain_only in (False, True):
        report = check(journal, chain_only=chain_only)
        assert f"{made.signature_file} signed more: newer records were cut off" in report.faults[0].reason
    (journal / made.signature_file).unlink()
    assert check(journal).ok, "without it nothing tells: docs/auditor.md, section 2"
