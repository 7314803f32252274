"""Every error at every call into a driver or a link, once and for good, at every step of an injection.

Rule 14: afterwards the output is off and was seen off, or an alarm stands, and goes on standing. Nothing here names the
code that keeps it: the sets are looked at, the journal, `status`, and what the service ends with.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from meterlink.errors import CheckFailed, LinkLost
from tests.injection.faults import ERRORS, Bench, Fault, Set, bench_of
from tests.service.conftest import until

# how often a whole injection calls there, and a few calls beyond: counted by test_the_sites_are_met
CALLS = {
    "say": 3, "switch": 2, "parse": 24, "take": 28, "decode": 16, "read": 60, "write": 32, "written": 32,
}  # fmt: skip
TOGETHER = 60  # sets on one service


def faults(every_error: bool) -> Iterator[tuple[Fault, ...]]:
    """Each site, each call of it, once and lasting, with each error; or with one error each, in turn."""
    n = 0
    for site, most in CALLS.items():
        for at in range(1, most + 1):
            for lasting in (False, True):
                for error in ERRORS if every_error else ERRORS[n % len(ERRORS) :][:1]:
                    yield (Fault(site, at, error, lasting),)
                n += 1
    lost = Fault("read", 30, lambda: LinkLost("pulled out"), False)
    blind = Fault("parse", 14, lambda: KeyError("STATUS"), True)  # off is owed when the driver meets the second fault
    for before, sites in ((lost, ("open", "close")), (blind, ("Driver", "feed", "request"))):
        for site in sites:
            for lasting in (False, True):
                for error in ERRORS:
                    yield (before, Fault(site, 1, error, lasting))


def batches(every_error: bool) -> list[list[tuple[Fault, ...]]]:
    each = list(faults(every_error))
    return [each[i : i + TOGETHER] for i in range(0, len(each), TOGETHER)]


def run(root: Path, some: list[tuple[Fault, ...]]) -> None:
    sets = [Set(f"s{i:03}", one) for i, one in enumerate(some)]
    with bench_of(root, *sets) as bench:
        for one in sets:
            bench.inject(one.name)
        until(lambda: all(one.armed for one in sets), what="every injection to begin")
        until(lambda: not unsettled(bench), 15.0, what=f"off and seen off, or an alarm: {unsettled(bench)}")
        told = bench.alarm()
        bench.stop()
        for one in sets:
            why = f"{[str(f) for f in one.faults]}: {one.peer.history}"
            if one.peer.on or not bench.seen_off(one.name):
                assert isinstance(bench.error, CheckFailed), why  # what `meterlink run` says at its end
                assert f"{one.name}: " in str(bench.error), why
            else:
                assert not one.peer.on, why
        assert bench.error is None or isinstance(bench.error, CheckFailed)
        assert bench.error is None or told


def unsettled(bench: Bench) -> list[str]:
    """Sets of which neither is true: off and seen off after all is over, or an alarm that names it."""
    status = bench.call("status")
    alarm, busy = str(status["alarm"] or ""), status["injecting"]
    return [
        f"{n}: {[str(f) for f in s.faults]}"
        for n, s in bench.sets.items()
        if f"{n}: " not in alarm and (n in busy or s.peer.on or not bench.seen_off(n))
    ]


FEW, MORE = batches(every_error=False)[:2], batches(every_error=False)[2:]


def each(some: list[list[tuple[Fault, ...]]]) -> pytest.MarkDecorator:
    return pytest.mark.parametrize("some", some, ids=lambda one: str(one[0][0]).replace(" ", "-"))


@each(FEW)
def test_first_calls_with_one_error(tmp_path: Path, some: list[tuple[Fault, ...]]) -> None:
    run(tmp_path, some)


@pytest.mark.long
@each(MORE)
def test_each_call_with_one_error(tmp_path: Path, some: list[tuple[Fault, ...]]) -> None:
    run(tmp_path, some)


@pytest.mark.full
@pytest.mark.timeout(900)
def test_each_call_with_every_error(tmp_path: Path) -> None:
    for i, some in enumerate(batches(every_error=True)):
        run(tmp_path / str(i), some)


def test_the_sites_are_met(tmp_path: Path) -> None:
    """An injection without a fault calls each site; the enumeration reaches its last call."""
    one = Set("s000")
    with bench_of(tmp_path, one) as bench:
        bench.inject("s000")
        until(lambda: [r.event for r in bench.records("s000")][-1:] == ["off"], what="the end")
        during = dict(one.calls)
        bench.stop()
    assert bench.error is None
    assert set(CALLS) <= set(during)
    for site in ("say", "parse", "take", "write", "written"):
        assert 0.5 * CALLS[site] <= during[site], (site, during)
