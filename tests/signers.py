"""OpenSSH keys for tests, and allowed-signers files that know them (ssh-keygen(1))."""

from __future__ import annotations

import subprocess
from pathlib import Path

from meterlink.journal.seal import NAMESPACE


def key(folder: Path, name: str) -> tuple[Path, Path]:
    """A fresh key, and an allowed-signers file that knows it as NAME@bench."""
    path = folder / name
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", name, "-f", path], check=True)
    signers = folder / f"{name}.signers"
    signers.write_text(f'{name}@bench namespaces="{NAMESPACE}" {Path(f"{path}.pub").read_text()}')
    return path, signers
