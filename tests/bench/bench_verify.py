"""What reading a journal costs, as ratios on one machine in one run.

    python -m tests.bench.bench_verify [--megabytes 1000] [--keep FOLDER]

Each figure is the better of two runs of a whole process, the journal in the page cache before: so start-up counts,
the disk does not. The index is measured inside one process against DuckDB inside one process.
Source of the limits: the project's issue on records (chain only within 2 times sha256sum; a board's keeps 20 times
faster than DuckDB, and at most 1.5 times slower on ten times the journal; show below 100 MB).
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

import duckdb

from meterlink.journal.index import Index, Query
from meterlink.journal.reader import segments
from tests.journal_reader.generate import big

COMMAND = (
    sys.executable, "-W", "ignore", "-c",
    "import atexit, re, sys; from meterlink.cli.journal import app;"
    "hwm = lambda: re.search(r'VmHWM:\\s+(\\d+)', open('/proc/self/status').read())[1];"
    "atexit.register(lambda: print(hwm(), file=sys.stderr)); app()",
)  # fmt: skip


def process(command: Sequence[str]) -> tuple[float, int]:
    """Seconds of wall time, and peak resident memory in bytes if it tells, of one process that must end well.

    (The kernel's ru_maxrss of a child begins with its parent's memory: proc(5), VmHWM, does not.)
    """
    began = time.perf_counter()
    done = subprocess.run(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, check=True)
    return time.perf_counter() - began, 1024 * int(done.stderr.split()[-1]) if done.stderr else 0


def best(command: Sequence[str]) -> tuple[float, int]:
    return min(process(command) for _ in range(2))


def seconds(work: Callable[[], object], times: int) -> float:
    """The best of some runs."""
    found = []
    for _ in range(times):
        began = time.perf_counter()
        work()
        found.append(time.perf_counter() - began)
    return min(found)


def keeps_by_index(folder: Path, board: str) -> list[bytes]:
    with Index(folder) as index:
        return [found.text for found in index.select(Query(board=board, kind="kept"))]


def keeps_by_duckdb(folder: Path, board: str) -> list[tuple[object, ...]]:
    files = [str(p) for p in segments(folder)]
    columns = "{seq: 'BIGINT', kind: 'VARCHAR', board: 'VARCHAR', point: 'VARCHAR', value: 'DOUBLE'}"
    return duckdb.execute(
        f"SELECT seq, point, value FROM read_json(?, format = 'newline_delimited', columns = {columns})"
        " WHERE kind = 'kept' AND board = ? ORDER BY seq",
        [files, board],
    ).fetchall()


def run(folder: Path, megabytes: int) -> None:
    large, small = folder / "large" / "journal", folder / "small" / "journal"
    for place, size in ((large, megabytes), (small, megabytes / 10)):
        if not place.exists():
            big(place, int(size * 1_000_000))
    files = [str(p) for p in segments(large)]
    size = sum(p.stat().st_size for p in segments(large))
    print(f"journal           {size / 1e6:.0f} MB in {len(files)} segments, {os.cpu_count()} cores")
    subprocess.run(["cat", *files], stdout=subprocess.DEVNULL, check=True)
    sha, _ = best(["sha256sum", *files])
    openssl, _ = best(["openssl", "dgst", "-sha256", *files])
    chain, chain_peak = best([*COMMAND, "verify", str(large), "--chain-only"])
    print(f"sha256sum         {sha:.2f} s; openssl dgst -sha256 {openssl:.2f} s")
    print(
        f"verify chain only {chain:.2f} s = {chain / sha:.2f} x sha256sum = {chain / openssl:.2f} x openssl"
        f"; {chain_peak / 1e6:.0f} MB at peak"
    )
    full, peak = process([*COMMAND, "verify", str(large)])
    _, small_peak = process([*COMMAND, "verify", str(small)])
    print(
        f"verify in full    {full:.1f} s = {size / full / 1e6:.1f} MB/s = {full / sha:.0f} x sha256sum"
        f"; {peak / 1e6:.0f} MB at peak, {small_peak / 1e6:.0f} MB on a tenth of the journal"
    )
    build = seconds(lambda: keeps_by_index(large, "B-000003"), 1)
    keeps_by_index(small, "B-000003")
    board = "B-000003"
    lines, rows = keeps_by_index(large, board), keeps_by_duckdb(large, board)
    assert lines, "the index finds keeps"
    assert len(lines) == len(rows), "the index and DuckDB find the same keeps"
    warm = seconds(lambda: keeps_by_index(large, board), 20)
    tenth = seconds(lambda: keeps_by_index(small, board), 20)
    duck = seconds(lambda: keeps_by_duckdb(large, board), 2)
    print(f"index             built in {build:.1f} s = {size / build / 1e6:.0f} MB/s")
    print(
        f"one board's keeps {warm * 1e3:.2f} ms with a warm index; DuckDB {duck * 1e3:.0f} ms = {duck / warm:.0f} x"
        f"; a tenth of the journal {tenth * 1e3:.2f} ms, so ten times the journal costs {warm / tenth:.2f} x"
    )
    bench = str(large.parent)
    show, show_peak = process([*COMMAND, "show", "--board", board, "--kind", "kept", "--dir", bench])
    _, all_peak = process([*COMMAND, "show", "--kind", "reading", "--json", "--dir", bench])
    print(
        f"journal show      {show:.2f} s for one board as a command, {show_peak / 1e6:.0f} MB at peak"
        f"; {all_peak / 1e6:.0f} MB for every reading"
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--megabytes", type=int, default=1000)
    parser.add_argument("--keep", type=Path, help="make the journals here, and use them again")
    given = parser.parse_args()
    if given.keep:
        run(given.keep, given.megabytes)
    else:
        with TemporaryDirectory() as made:
            run(Path(made), given.megabytes)
