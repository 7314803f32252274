"""Proof 2: a seal is an OpenSSH signature over a segment's bytes up to and with one record.

What is before that segment is sealed too, through the `prev` of its first record. The signature lies beside the
segment as `SEGMENT.through-SEQ.sig`; the `seal` record that names it comes after, through the one writer.
Source: ssh-keygen(1), -Y sign and -Y verify; OpenSSH PROTOCOL.sshsig; docs/auditor.md.
"""

from __future__ import annotations

import os
import re
import subprocess
import threading
from collections.abc import Callable
from hashlib import sha256
from pathlib import Path
from typing import IO

import msgspec

from meterlink import records
from meterlink.errors import BadInput
from meterlink.journal.reader import lines, locate, segments, seq_of
from meterlink.plainfile import opened
from meterlink.wholefile import whole_file

NAMESPACE = "meterlink-journal"
_SIGNATURE = re.compile(r"([^/\\]+\.jsonl)\.through-([1-9][0-9]{0,17})\.sig")
_PIECE = 1 << 20
LARGEST = 1 << 16  # bytes of a signature file: one by the largest of keys has some 3 KB
ALONE_S = 60.0  # for a touch of a hardware key, where nobody waits


class Sealed(msgspec.Struct, frozen=True):
    """What a check of one seal found: `wrong`, or `unchecked` (why it could not be checked), or who signed."""

    who: str | None = None
    wrong: str | None = None
    unchecked: str | None = None


def make(folder: Path, key: Path, through: int | None = None) -> records.Seal:
    """Sign the newest segment as far as it goes, or through a record of it, and write the signature beside it.

    Takes   the journal's folder; an OpenSSH private key, or a public one whose other half an agent holds. With
            `through` nobody is there to be asked: a key that needs a passphrase does not sign, and ALONE_S is the most.
    Gives   the record that says so; who may write appends it.
    Raises  BadInput: no record to seal, a key that cannot sign; Refused: the folder cannot be written.
    """
    holding = [p for p in segments(folder) if next(lines([p]), None) is not None]
    if not holding:
        raise BadInput(f"there is nothing to seal: the journal in {folder} holds no record")
    if not key.is_file():
        raise BadInput(f"there is no key {key}: make one with `ssh-keygen -t ed25519 -f {key}`")
    segment, size, last = holding[-1], 0, b""
    for line in lines([segment]):
        size, last = line.offset + len(line.text) + 1, line.text
        if through is not None and seq_of(last) == through:
            break
    sealed = seq_of(last)
    if sealed is None or through not in (None, sealed):
        raise BadInput(f"the last line of {segment.name} is not the record to seal: run `meterlink journal verify`")
    done = _keygen(["sign", "-f", str(key), "-n", NAMESPACE, "-q"], segment, size, alone=through is not None)
    if done.returncode != 0:
        raise BadInput(f"{key} did not sign: {_said(done)}")
    name = f"{segment.name}.through-{sealed}.sig"
    with whole_file(folder / name) as file:
        file.write(done.stdout)
    return records.Seal(head=sha256(last).hexdigest(), through=sealed, signature_file=name)


Check = Callable[[Path, records.Seal, "Path | None"], Sealed]


def check(folder: Path, seal: records.Seal, signers: Path | None) -> Sealed:
    """Hold one seal against the files.

    Takes   the folder in which segment and signature lie; an allowed-signers file (ssh-keygen(1)), or None:
            then it is seen that a key signed these bytes, not whose key it is.
    """
    match = _SIGNATURE.fullmatch(seal.signature_file)
    if not match or int(match[2]) != seal.through:
        return Sealed(
            wrong=f"its signature file {seal.signature_file!r} is not named SEGMENT.through-{seal.through}.sig"
        )
    segment = folder / match[1]
    if not segment.is_file() or segment.is_symlink():
        return Sealed(unchecked=f"{match[1]} is not here")
    _, offset = locate([segment], seal.through)
    line = next(lines([segment], offset), None)
    if line is None or seq_of(line.text) != seal.through:
        return Sealed(wrong=f"{match[1]} does not hold record {seal.through}")
    if sha256(line.text).hexdigest() != seal.head:
        return Sealed(wrong=f"its head is not the SHA-256 of record {seal.through}")
    return held_against(folder, seal, signers)


def held_against(folder: Path, seal: records.Seal, signers: Path | None) -> Sealed:
    """Hold a signature file against the segment alone, whatever the seal's head says; takes what `check` takes."""
    match = _SIGNATURE.fullmatch(seal.signature_file)
    if not match:
        return Sealed(wrong=f"{seal.signature_file!r} is no signature's name")
    segment, signature = folder / match[1], folder / seal.signature_file
    _, offset = locate([segment], seal.through)
    line = next(lines([segment], offset), None)
    if line is None or seq_of(line.text) != seal.through:
        return Sealed(wrong=f"{match[1]} does not hold record {seal.through}")
    if not os.path.lexists(signature):
        return Sealed(unchecked=f"{seal.signature_file} is not here")
    if not signature.is_file() or signature.is_symlink():
        return Sealed(unchecked=f"{seal.signature_file} is no plain file")
    if signature.stat().st_size > LARGEST:  # ssh-keygen would read all of it
        return Sealed(wrong=f"{seal.signature_file}: longer than {LARGEST >> 10} KiB, no signature is")
    size = offset + len(line.text) + 1
    if signers is None:
        done = _keygen(["check-novalidate", "-n", NAMESPACE, "-s", str(signature)], segment, size)
        if done.returncode != 0:
            return Sealed(wrong=f"{seal.signature_file}: {_said(done)}")
        key = re.search(r"key (SHA256:\S+)", _said(done))
        return Sealed(who=f"the key {key[1] if key else '?'}, not held against allowed signers")
    allowed = ["-f", str(signers), "-n", NAMESPACE, "-s", str(signature)]
    found = _keygen(["find-principals", *allowed], segment, 0)
    names = found.stdout.decode("utf-8", "replace").splitlines()
    if found.returncode != 0 or not names:
        return Sealed(wrong=f"{seal.signature_file}: no allowed signer made it ({_said(found)})")
    done = _keygen(["verify", *allowed, "-I", names[0]], segment, size)
    if done.returncode != 0:
        return Sealed(wrong=f"{seal.signature_file}: {_said(done)}")
    return Sealed(who=names[0])


def beside(segment: Path) -> dict[int, str]:
    """The signature files that lie beside a segment: the record through which each was made, and its name."""
    names = (_SIGNATURE.fullmatch(p.name) for p in segment.parent.glob(f"{segment.name}.through-*.sig"))
    return {int(m[2]): m[0] for m in names if m and m[1] == segment.name}


def _keygen(
    arguments: list[str], segment: Path, size: int, *, alone: bool = False
) -> subprocess.CompletedProcess[bytes]:
    """ssh-keygen -Y ... with the first bytes of a segment on its standard input, in constant memory; `alone` away from
    any terminal that it could ask on, and for no longer than ALONE_S."""
    try:
        process = subprocess.Popen(
            ["ssh-keygen", "-Y", *arguments],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            start_new_session=alone,
            env={**os.environ, "SSH_ASKPASS_REQUIRE": "never"} if alone else None,
        )
    except FileNotFoundError as error:
        raise BadInput("there is no ssh-keygen here: install OpenSSH's client (Debian: openssh-client)") from error
    assert process.stdin is not None
    limit = threading.Timer(ALONE_S, process.kill)
    limit.daemon = True
    if alone:
        limit.start()
    with opened(segment) as file:
        _copy(file, process.stdin, size)
    out, err = process.communicate()
    limit.cancel()
    return subprocess.CompletedProcess(process.args, process.returncode, out, err)


def _copy(source: IO[bytes], target: IO[bytes], size: int) -> None:
    try:
        while size and (piece := source.read(min(size, _PIECE))):
            target.write(piece)
            size -= len(piece)
        target.flush()
    except BrokenPipeError:
        pass  # it said why it stopped, and its exit status tells


def _said(done: subprocess.CompletedProcess[bytes]) -> str:
    text = (done.stdout + done.stderr).decode("utf-8", "replace")
    return "; ".join(line.strip() for line in text.splitlines() if line.strip()) or "ssh-keygen said nothing"
