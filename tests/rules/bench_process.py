"""Services on a standing clock, each in a process of its own that can be killed as a power cut kills it.

    python -m tests.rules.bench_process CLOCK

Lines on stdin are orders, lines on stdout their answers: `start ROOT` forks a service (a fork, so that the imports are
paid for once) and answers its pid; `wait PID` answers how it ended. Ends with its stdin. CLOCK is the file of `Shared`.
`start ROOT N FOREVER ERRNO` forks one whose disk fails at its Nth operation, once or from then on, until SIGUSR1.

The service is the whole service; what differs from `meterlink run` is its clock, that what it tells is heard by who
watches alone, that lost devices are tried again at once (its waits are the machine's time, not the clock's), and that
the switches of its pedal say how often they were looked at.
"""

from __future__ import annotations

import mmap
import os
import signal
import sys
import threading
import traceback
from datetime import datetime, timedelta, timezone
from pathlib import Path

from meterlink.errors import MeterlinkError
from meterlink.exits import exit_code
from meterlink.folders import bench_folder
from meterlink.inputs import switches
from meterlink.inputs.settings import PedalSettings
from meterlink.inputs.switches import Switches
from meterlink.journal.disk import REAL
from meterlink.journal.writer import Writer
from meterlink.link.opening import open_link
from meterlink.service import input_supervisor, loop, supervisor
from meterlink.service.clock import Moment
from meterlink.service.config import load
from meterlink.service.loop import Service
from tests.journal_writer.disks import Faulty

BEGAN = datetime(2026, 11, 25, tzinfo=timezone.utc)
AGAIN_S = (0.02,)  # between two tries of a lost device
T, LOOKS, CHANGES = 0, 1, 2


class Shared:
    """Numbers that the test and the service both see: the clock, and what the pedal's thread has done with the contact.

    looks    times it looked at the contact
    changes  changes of the contact that it has dealt with
    """

    def __init__(self, path: Path) -> None:
        with path.open("r+b") as file:
            self._whole = memoryview(mmap.mmap(file.fileno(), 64))
        self._seconds = self._whole.cast("d")
        self._counts = self._whole.cast("q")

    t = property(lambda self: self._seconds[T], lambda self, t: self._seconds.__setitem__(T, t))
    looks = property(lambda self: self._counts[LOOKS], lambda self, n: self._counts.__setitem__(LOOKS, n))
    changes = property(lambda self: self._counts[CHANGES], lambda self, n: self._counts.__setitem__(CHANGES, n))

    def now(self) -> Moment:
        t = self.t
        return Moment(t, BEGAN + timedelta(seconds=t))


class Watched:
    """A pedal's switches that count: whoever asks again has dealt with what was given before."""

    def __init__(self, inner: Switches, shared: Shared) -> None:
        self._inner, self._shared, self._given = inner, shared, 0

    def changes(self, wait_s: float) -> list[tuple[str, bool]]:
        self._shared.looks += 1
        self._shared.changes += self._given
        out = self._inner.changes(min(wait_s, 0.004))
        self._given = len(out)
        return out

    def close(self) -> None:
        self._inner.close()


def serve(root: Path, shared: Shared, fault: list[str]) -> int:
    """One service, until SIGTERM; gives the exit status that the command line has for what ended it."""
    folders = bench_folder(root)
    disk = Faulty(REAL)
    if fault:
        n, forever, code = map(int, fault)
        disk.arm(n, forever=bool(forever), code=code)
        signal.signal(signal.SIGUSR1, lambda *_: disk.disarm())
    loop.Writer = lambda folder: Writer(folder, disk=disk)  # type: ignore[assignment, misc]
    try:
        service = Service(load(folders.config, folders), folders, open_link, lambda effect: None, shared)
        signal.signal(signal.SIGTERM, lambda *_: service.stop("SIGTERM"))
        service.run()
    except MeterlinkError as error:
        print(error, file=sys.stderr)
        return exit_code(error)
    finally:
        if fault:
            (root / "failed").write_text(" ".join(disk.failed), encoding="utf-8")
    return 0


def watch_the_pedal(shared: Shared) -> None:
    plain = PedalSettings.open
    PedalSettings.open = lambda self: Watched(plain(self), shared)  # type: ignore[method-assign]


def end_with(end: int) -> None:
    """Die with whoever holds the other end of this pipe: a test that is killed leaves no service behind."""

    def wait() -> None:
        os.read(end, 1)
        os.kill(os.getpid(), signal.SIGKILL)

    threading.Thread(target=wait, daemon=True).start()


def main() -> None:
    shared = Shared(Path(sys.argv[1]))
    ours, theirs = os.pipe()
    watch_the_pedal(shared)
    switches.FED_S = 0.0
    input_supervisor.BACK_OFF_S = supervisor.BACK_OFF_S = AGAIN_S
    for line in sys.stdin:
        order, _, what = line.strip().partition(" ")
        if order == "start":
            pid = os.fork()
            if pid == 0:
                os.close(0)
                os.close(theirs)
                end_with(ours)
                code = 70
                try:
                    place, *fault = what.split()
                    code = serve(Path(place), shared, fault)
                except BaseException:  # noqa: BLE001 - a child must never go on as its parent
                    traceback.print_exc()
                finally:
                    sys.stderr.flush()
                    os._exit(code)
            print(pid, flush=True)
        else:
            print(os.waitstatus_to_exitcode(os.waitpid(int(what), 0)[1]), flush=True)


if __name__ == "__main__":
    main()
