"""A file that appears whole or not at all."""

from __future__ import annotations

import errno
import os
import threading
from pathlib import Path

import pytest

from meterlink.errors import BadInput, Refused
from meterlink.wholefile import not_written, whole_file


def test_an_older_file_stays_until_the_new_one_is_whole(tmp_path: Path) -> None:
    target = tmp_path / "x"
    target.write_bytes(b"old")

    def half() -> None:
        with whole_file(target) as file:
            file.write(b"half")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        half()
    assert target.read_bytes() == b"old" and list(tmp_path.iterdir()) == [target]
    with whole_file(target) as file:
        file.write(b"new")
        file.flush()
        assert target.read_bytes() == b"old"
    assert target.read_bytes() == b"new" and list(tmp_path.iterdir()) == [target]


@pytest.mark.parametrize("place", ["folder", "file/below", "nowhere/x"])
def test_a_place_that_cannot_be_written(tmp_path: Path, place: str) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(BadInput, match="-o"), whole_file(tmp_path / place):
        pass


def test_a_pipe_is_written_to_and_stays_one(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    read: list[bytes] = []
    reader = threading.Thread(target=lambda: read.append(pipe.read_bytes()), daemon=True)
    reader.start()
    with whole_file(pipe, named=True) as file:
        file.write(b"through")
    reader.join(10)
    assert read == [b"through"] and pipe.is_fifo()


@pytest.mark.skipif(not Path("/dev/full").is_char_device(), reason="no /dev/full here")
def test_a_full_disk_is_a_refusal() -> None:
    """full(4): every write fails as on a full disk."""
    with pytest.raises(Refused, match="full"), whole_file(Path("/dev/full"), named=True) as file:
        file.write(b"x")
    assert Path("/dev/full").is_char_device()


FULL = OSError(errno.ENOSPC, "No space left on device")


@pytest.mark.parametrize(
    ("error", "cls"), [(FULL, Refused), (PermissionError(errno.EACCES, "Permission denied"), BadInput)]
)
def test_what_a_failed_write_is_to_the_user(error: OSError, cls: type[Exception]) -> None:
    told = not_written(Path("x"), error, "name another")
    assert type(told) is cls and str(told).startswith("x cannot be written") and "name another" in str(told)


def links_in_the_way(folder: Path, victim: Path) -> list[Path]:
    """What a stranger can foresee of the file that is written beside: the process's number, the target's name."""
    names = [f".{os.getpid()}.part", "x.part", ".x.part", "x.tmp", ".x.tmp"]
    for name in names:
        (folder / name).symlink_to(victim)
    return [folder / name for name in names]


@pytest.mark.parametrize("exists", [False, True])
def test_in_a_strangers_folder_no_link_is_followed(tmp_path: Path, exists: bool) -> None:
    victim, folder = tmp_path / "victim", tmp_path / "theirs"
    folder.mkdir()
    victim.write_text("mine")
    target = folder / "x"
    if exists:
        target.symlink_to(victim)
    links = links_in_the_way(folder, victim)
    with whole_file(target) as file:
        file.write(b"new")
    assert victim.read_text() == "mine"
    assert target.read_bytes() == b"new" and not target.is_symlink()
    assert all(one.is_symlink() for one in links)


@pytest.mark.parametrize("umask", [0o000, 0o022, 0o077])
def test_a_new_file_is_its_owners_alone_and_an_old_one_keeps_its_mode(tmp_path: Path, umask: int) -> None:
    before = os.umask(umask)
    try:
        for _ in range(2):
            with whole_file(tmp_path / "x") as file:
                file.write(b"new")
            assert (tmp_path / "x").stat().st_mode & 0o777 == 0o600
        (tmp_path / "x").chmod(0o644)
        with whole_file(tmp_path / "x") as file:
            file.write(b"newer")
        assert (tmp_path / "x").stat().st_mode & 0o777 == 0o644
    finally:
        os.umask(before)
