"""Where a bench keeps its things. `--dir D` puts everything below D; else the XDG folders are used.

The socket lies in the user's runtime folder either way (mode 0700, tmpfs): a path below D may be longer
than the 107 bytes that a Unix socket's address holds (unix(7)).
"""

from __future__ import annotations

import errno
import hashlib
import os
import stat
import warnings
from pathlib import Path

import msgspec
import platformdirs

from meterlink.errors import Refused

APP = "meterlink"
SOCKET_MOST = 107  # bytes of a Unix socket's path: unix(7)


class Folders(msgspec.Struct, frozen=True):
    """The places of one bench; none need exist yet."""

    root: Path
    config: Path  # the TOML file
    drivers: Path  # single-file drivers of this user: never below `--dir`, whose code is whoever's folder that is
    journal: Path
    sheets: Path
    profiles: Path
    known_good: Path
    reports: Path
    socket: Path


_trusted: Path | None = None


def trust_drivers(folder: Path | None) -> None:
    """Take single-file drivers from this folder instead of the user's own; None: from the user's own again."""
    global _trusted
    _trusted = folder.expanduser().absolute() if folder else None


def bench_folder(directory: Path | None = None) -> Folders:
    """The folders of the bench at `directory`, or of this user's bench."""
    root = (directory or Path(platformdirs.user_data_dir(APP))).expanduser().absolute()
    settings = root if directory else Path(platformdirs.user_config_dir(APP))
    key = hashlib.sha256(str(root.resolve()).encode()).hexdigest()[:16]
    return Folders(
        root=root,
        config=settings / "bench.toml",
        drivers=_trusted or Path(platformdirs.user_config_dir(APP)) / "drivers",
        journal=root / "journal",
        sheets=root / "sheets",
        profiles=root / "profiles",
        known_good=root / "known-good",
        reports=root / "reports",
        socket=_runtime() / f"{key}.sock",
    )


def make_private(folder: Path) -> Path:
    """The folder, and what is missing above it, for this user alone (mode 0700), whatever the umask. Gives it.

    Raises  OSError.
    """
    for one in reversed([f for f in (folder, *folder.parents) if not f.exists()]):
        one.mkdir(mode=0o700, exist_ok=True)
    if not folder.is_dir():
        raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR), str(folder))
    return folder


def runtime_folder(folders: Folders) -> Path:
    """Where the socket lies, made if need be: this user's alone.

    Raises  Refused for somebody else's folder, and for a path that no socket can have.
    """
    place = make_private(folders.socket.parent)
    if len(os.fsencode(folders.socket)) > SOCKET_MOST:
        raise Refused(f"{place} is too long for a socket's path (unix(7)): set XDG_RUNTIME_DIR to a shorter one")
    found = place.lstat()
    if not stat.S_ISDIR(found.st_mode) or found.st_uid != os.geteuid():
        raise Refused(f"{place} is not a folder of yours: have it removed, or set XDG_RUNTIME_DIR to one that is")
    if stat.S_IMODE(found.st_mode) != 0o700:
        place.chmod(0o700)
    return place


def _runtime() -> Path:
    """The user's runtime folder; without XDG_RUNTIME_DIR (a bare service, a container) one below /tmp."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # platformdirs tells of the fallback, which is as good here
        return Path(platformdirs.user_runtime_dir(APP))
