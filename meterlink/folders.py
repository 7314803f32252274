"""Where a bench keeps its things. `--dir D` puts everything below D; else the XDG folders are used.

The socket lies in the user's runtime folder either way (mode 0700, tmpfs): a path below D may be longer
than the 107 bytes that a Unix socket's address holds (unix(7)).
"""

from __future__ import annotations

import hashlib
import warnings
from pathlib import Path

import msgspec
import platformdirs

APP = "meterlink"


class Folders(msgspec.Struct, frozen=True):
    """The places of one bench; none need exist yet."""

    root: Path
    config: Path  # the TOML file
    drivers: Path  # single-file drivers of this user
    journal: Path
    sheets: Path
    profiles: Path
    known_good: Path
    reports: Path
    socket: Path


def bench_folder(directory: Path | None = None) -> Folders:
    """The folders of the bench at `directory`, or of this user's bench."""
    root = (directory or Path(platformdirs.user_data_dir(APP))).expanduser().absolute()
    settings = root if directory else Path(platformdirs.user_config_dir(APP))
    key = hashlib.sha256(str(root.resolve()).encode()).hexdigest()[:16]
    return Folders(
        root=root,
        config=settings / "bench.toml",
        drivers=settings / "drivers",
        journal=root / "journal",
        sheets=root / "sheets",
        profiles=root / "profiles",
        known_good=root / "known-good",
        reports=root / "reports",
        socket=_runtime() / f"{key}.sock",
    )


def _runtime() -> Path:
    """The user's runtime folder; without XDG_RUNTIME_DIR (a bare service, a container) one below /tmp."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # platformdirs tells of the fallback, which is as good here
        return Path(platformdirs.user_runtime_dir(APP))
