"""Rule 14, entered as on a bench: faults during an injection, the words of a person, the start after a kill."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from contextlib import suppress
from decimal import Decimal
from pathlib import Path
from typing import Any

import msgspec
import pytest

from meterlink import records, registry
from meterlink.bench.off import prepared
from meterlink.errors import BadInput, CheckFailed, JournalFailed, LinkLost, MeterlinkError, Refused
from meterlink.folders import bench_folder
from meterlink.journal.reader import entries
from meterlink.journal.writer import Writer
from meterlink.reading import Reading
from meterlink.service import doubt, hung, injector, loop
from meterlink.service.clock import SystemClock
from meterlink.service.injector import Injector
from tests.injection.faults import Bench, Fault, Set, bench_of
from tests.injection.peer import CONTROL, Peer
from tests.injection.test_injection import ORDER
from tests.service.conftest import until


class Deaf(Peer):
    """Does not obey `OUTP 0` until it may."""

    deaf = True

    def hear(self, data: bytes) -> bytes | None:
        if self.deaf and data == b"OUTP 0\n":
            self.history.append("OUTP 0")
            return None
        return super().hear(data)


def broken(site: str, at: int = 14, error: Callable[[], BaseException] = lambda: KeyError("STATUS")) -> Set:
    return Set("supply", (Fault(site, at, error, True),))


def left(bench: Bench, name: str = "supply") -> Any:
    """The last record of a supply."""
    return bench.records(name)[-1]


def test_an_error_in_parse_leaves_nothing_on_and_an_alarm_that_stays(tmp_path: Path) -> None:
    """The driver can say nothing any more: off is sent all the same, and that it was not seen is an alarm."""
    one = broken("parse")
    with bench_of(tmp_path, one) as bench:
        bench.inject("supply", hold_s=20.0)
        until(lambda: "OFF COULD NOT BE CONFIRMED" in bench.alarm(), what="the alarm")
        assert not one.peer.on
        assert "KeyError" in left(bench).why
        assert left(bench).seen == "nobody"
        tries = one.peer.history.count("OUTP 0")
        until(lambda: one.peer.history.count("OUTP 0") > tries, what="it to be tried again")
        assert "OFF COULD NOT BE CONFIRMED" in bench.alarm()
        with pytest.raises(CheckFailed, match="OFF COULD NOT BE CONFIRMED"):
            bench.call("supply off")
        assert [e.sound for e in bench.heard].count("alarm") == 1
        assert [r.seen for r in bench.records("supply") if r.event == "off"] == ["nobody"]  # not a line for each try
        bench.stop()
        assert isinstance(bench.error, CheckFailed)


def test_the_alarm_ends_when_the_set_says_off_though_its_driver_is_gone(tmp_path: Path) -> None:
    """parse fails, then the framer: nothing is read any more, and off is still tried until it is seen."""
    one = Set(
        "supply", (Fault("parse", 14, lambda: KeyError("x"), True), Fault("feed", 1, lambda: SystemExit(1), True))
    )
    with bench_of(tmp_path, one) as bench:
        bench.inject("supply")
        until(lambda: "OFF COULD NOT" in bench.alarm(), what="the alarm")
        until(
            lambda: "goes on without it" in str(bench.call("status")["instruments"][0]["why"]), what="the driver's end"
        )
        one.faults = one.faults[1:]
        until(lambda: not bench.alarm(), what="the alarm to end")
        assert left(bench).event == "off"
        assert left(bench).seen == "set"


@pytest.mark.parametrize("error", [KeyError, SystemExit, KeyboardInterrupt, MemoryError])
def test_supply_off_works_though_the_driver_has_ended(tmp_path: Path, error: type[BaseException]) -> None:
    """The output was switched on by hand; the meter's thread has met its driver's end before `supply off` comes."""
    one = Set("supply", (Fault("feed", 1, lambda: error("x"), True),))
    with bench_of(tmp_path, one) as bench:
        one.armed = True
        until(lambda: bench.call("status")["instruments"][0]["state"] == "lost", what="the driver's end")
        one.peer.on = True
        assert bench.call("supply off")["off"] == ["supply"]
        assert not one.peer.on
        assert left(bench).seen == "set"


def test_supply_off_answers_when_it_was_seen_off(tmp_path: Path) -> None:
    """Two offs are not obeyed: the answer comes after the third."""
    one = Set("supply", peer=Deaf())
    with bench_of(tmp_path, one) as bench:
        bench.inject("supply", hold_s=20.0)
        until(lambda: one.peer.on, what="the output to be on")
        threading.Thread(target=until, args=(lambda: one.peer.history.count("OUTP 0") >= 2, 10.0), daemon=True).start()

        def obey() -> None:
            until(lambda: one.peer.history.count("OUTP 0") >= 2, what="two offs")
            one.peer.deaf = False  # type: ignore[attr-defined]

        threading.Thread(target=obey, daemon=True).start()
        assert bench.call("supply off")["off"] == ["supply"]
        assert not one.peer.on
        assert [r.event for r in bench.records("supply")][-1] == "off"


def test_an_alarm_ends_by_hand_and_for_good(tmp_path: Path) -> None:
    """It stays, nothing is switched on meanwhile; a person says that it is off: recorded, the next start is calm."""
    one = Set("supply", peer=Deaf())
    with bench_of(tmp_path, one) as bench:
        with pytest.raises(BadInput, match="no output is in doubt"):
            bench.call("supply off", by_hand=True)
        bench.inject("supply")
        until(lambda: "OFF COULD NOT" in bench.alarm(), what="the alarm")
        with pytest.raises(Refused, match="while an alarm stands"):
            bench.inject("supply")
        with pytest.raises(BadInput, match="no alarm stands for 'other'"):
            bench.call("supply off", by_hand=True, instrument="other")
        one.peer.on = False  # the person's hand
        assert bench.call("supply off", by_hand=True, by="Ada")["off"] == ["supply"]
        assert not bench.alarm()
        assert (left(bench).seen, left(bench).by, left(bench).board) == ("person", "Ada", "GC-06")
        tries = one.peer.history.count("OUTP 0")
    assert bench.error is None
    again = Set("supply", peer=Deaf())
    with bench_of(tmp_path, again, started=False) as bench:
        bench.start()
        assert not bench.alarm()
        assert again.peer.history == []
    assert one.peer.history.count("OUTP 0") == tries


def test_one_supply_seen_off_ends_no_other_ones_alarm(tmp_path: Path) -> None:
    deaf, good = Set("deaf", peer=Deaf()), Set("good")
    with bench_of(tmp_path, deaf, good) as bench:
        bench.inject("deaf")
        until(lambda: "deaf: OFF COULD NOT" in bench.alarm(), what="the alarm")
        bench.inject("good")
        until(lambda: [r.event for r in bench.records("good")][-1:] == ["off"], what="the other's end")
        assert "deaf: OFF COULD NOT" in bench.alarm()
        assert "good" not in bench.alarm()


@pytest.mark.parametrize("source", ["a\nb", "", 7, None, ["x"]])
def test_off_is_never_refused_for_how_it_was_asked(tmp_path: Path, source: Any) -> None:
    one = Set("supply")
    with bench_of(tmp_path, one) as bench:
        bench.inject("supply", hold_s=20.0)
        until(lambda: one.peer.on, what="the output to be on")
        assert bench.call("supply off", source=source)["off"] == ["supply"]
        assert not one.peer.on


def shows(**fields: Any) -> list[Reading]:
    return [Reading(**{"function": "voltage", "value": Decimal(1), "unit": "V", "channel": "1", **fields})]


NO_READINGS: list[Any] = [
    shows(value=Decimal("Infinity")),
    shows(value=Decimal("9" * 400)),
    shows(value=Decimal("1E+400")),
    shows(value=Decimal("1E-400")),
    shows(resolution=Decimal("1E+999999")),
    shows(flags=None),
    shows(flags=["on"]),
    shows(flags=("on",) * 100),
    shows(state="evil"),
    shows(state=[]),
    shows(coupling="DC"),
    shows(channel=1),
    shows(display="x" * (1 << 20)),
    shows(function="x" * 200),
    shows(unit=None),
    [Reading(function="voltage", value=Decimal("NaN"), unit="V", channel="1")],
    [Reading(function="voltage", value=1.5, unit="V", channel="1")],  # type: ignore[arg-type]
    [Reading(function="voltage", value=Decimal(1), unit="\ud800", channel="1")],
    [Reading(function="voltage", value=Decimal(1), unit="V", flags=(1,), channel="1")],  # type: ignore[arg-type]
    ["1.5 V"],
    7,
]


@pytest.mark.parametrize(
    "readings",
    [pytest.param(r, marks=[] if i % 4 == 0 else pytest.mark.long) for i, r in enumerate(NO_READINGS)],
    ids=lambda r: str(r)[:60],
)
def test_no_reading_of_a_driver_ends_the_service(tmp_path: Path, readings: Any) -> None:
    """Rule 16: what no journal can hold ends with its own meter; during an injection that is off, and seen off."""
    bad, good = Set("bad"), Set("good")
    with bench_of(tmp_path, bad, good) as bench:
        bench.inject("bad", hold_s=20.0)
        until(lambda: bad.peer.on, what="the output to be on")
        bad.gives = readings
        until(lambda: not bad.peer.on, what="the output to be off")
        until(lambda: bench.seen_off("bad"), what="the record")
        assert "the driver failed" in left(bench, "bad").why
        until(lambda: bench.call("status")["instruments"][0]["state"] == "lost", what="its end")
        before = bench.call("status")["instruments"][1]["readings"]
        until(lambda: bench.call("status")["instruments"][1]["readings"] > before, what="the other to go on")
    assert bench.error is None


def test_a_driver_that_hangs_is_told_as_lost_and_ignored_from_then_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(hung, "HUNG_S", 0.3)
    free = threading.Event()
    bad, good = Set("bad"), Set("good")
    with bench_of(tmp_path, bad, good) as bench:
        bad.hangs = free
        until(lambda: bench.call("status")["instruments"][0]["state"] == "lost", what="its loss")
        assert "hangs" in bench.call("status")["instruments"][0]["why"]
        before = bench.call("status")["instruments"][1]["readings"]
        until(lambda: bench.call("status")["instruments"][1]["readings"] > before, what="the other to go on")
        ends = bench.call("status")["journal"]["next_seq"]
        free.set()
        until(lambda: not bench.service.supervisors["bad"].talking, what="the thread to come back")
        until(lambda: bench.call("status")["journal"]["next_seq"] > ends + 5, what="the other to go on")
        bench.call("job note", text="flush")
        rows = [e.record for e in entries(bench.folders.journal) if e.seq >= ends]
    assert {r.instrument for r in rows if e_is_reading(r)} == {"good"}
    lost = [r for r in (e.record for e in entries(bench.folders.journal)) if getattr(r, "event", "") == "lost"]
    assert [(r.instrument, "hangs" in r.why) for r in lost] == [("bad", True)]
    assert bench.error is None


def e_is_reading(record: Any) -> bool:
    return isinstance(record, records.Reading)


def test_the_sleep_of_a_machine_is_nobodys_hanging(tmp_path: Path) -> None:
    one = Set("one")
    with bench_of(tmp_path, one) as bench:
        t = [0.0]
        (supervisor,) = bench.service.supervisors.values()
        watch = hung.HangWatch([supervisor], lambda: t[0])
        for _ in range(10):
            t[0] += 3600
            watch.look()
        assert not supervisor.hung


# -- the start after a kill


def killed(root: Path, **fields: Any) -> None:
    """A journal as a kill leaves it: an output switched on, and no word of it since."""
    folders = bench_folder(root)
    writer = Writer(folders.journal)
    on = records.Supply(instrument="supply", event="on", voltage=1.0, current_limit=1.5, why=None, by="x", **fields)
    writer.append(on, SystemClock().now().at)
    writer.commit()
    writer.close()


@pytest.mark.parametrize("fields", [{}, {"job": "GC-2611"}, {"job": "GC-2611", "board": "GC-06", "rail": "+3V3"}])
def test_what_was_left_on_is_seen_off_first(tmp_path: Path, fields: dict[str, str]) -> None:
    """Whatever board it was on for, or none."""
    killed(tmp_path, **fields)
    one = Set("supply")
    one.peer.on = True
    with bench_of(tmp_path, one, started=False) as bench:
        bench.start()
        until(lambda: not bench.alarm(), what="it to be seen off")
        assert not one.peer.on
        assert (left(bench).event, left(bench).seen, left(bench).board) == ("off", "set", fields.get("board"))


def test_what_was_left_on_and_is_no_longer_known_is_an_alarm(tmp_path: Path) -> None:
    """The instrument was renamed, or may not be switched any more: only a person can end that."""
    killed(tmp_path)
    with bench_of(tmp_path, Set("renamed"), started=False) as bench:
        bench.start()
        assert "supply: it was switched on by a service that did not see it off (record 1)" in bench.alarm()
        until(lambda: [e.sound for e in bench.heard].count("alarm") == 1, what="it to be heard")
        bench.call("supply off", by_hand=True)
        assert not bench.alarm()


def test_what_was_left_on_and_does_not_answer_is_an_alarm(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(doubt, "GRACE_S", 0.2)
    killed(tmp_path)
    one = Set("supply", (Fault("open", 1, lambda: LinkLost("not there"), True),))
    one.armed = True
    with bench_of(tmp_path, one, started=False) as bench:
        bench.thread.start()
        until(lambda: any(e.sound == "alarm" and "not there" in e.text for e in bench.heard), what="the alarm")
        bench.stop()
        assert isinstance(bench.error, CheckFailed)


# -- the journal


@pytest.mark.parametrize("at", [pytest.param(at, marks=[] if at in (1, 4) else pytest.mark.long) for at in range(1, 9)])
@pytest.mark.parametrize("how", ["refused", "slow", "raises"])
def test_a_journal_that_fails_switches_off(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, how: str, at: int) -> None:
    """From the n-th commit on: refused by the disk, slower than may be waited for, or a fault that ends the loop."""
    monkeypatch.setattr(injector, "PUT_S", 0.1)
    monkeypatch.setattr(loop, "ENDING_S", 3.0)
    one = Set("supply")
    with bench_of(tmp_path, one) as bench:
        writer, n = bench.service.writer, 0
        commit = writer.commit

        def failing() -> Any:
            nonlocal n
            n += one.armed
            if n >= at and how == "slow":
                time.sleep(0.15)  # the disk's own slowness: what is tested is that nobody waits for it
            elif n >= at and how == "raises":
                raise RuntimeError("a fault of our own")
            elif n >= at:
                raise JournalFailed("the disk is full", full=True)
            return commit()

        monkeypatch.setattr(writer, "commit", failing)
        bench.inject("supply", hold_s=0.6)
        until(lambda: "CURR 1.500" in one.peer.history or n >= at, what="the injection to begin")
        until(lambda: bench.service.supply.injecting == [], what="the end")
        until(lambda: not one.peer.on, what="the output to be off")
        monkeypatch.setattr(writer, "commit", commit)


# -- what hangs, and what comes late


def test_a_driver_that_hangs_is_an_alarm(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Off is sent past it, and nobody can see whether it helped; `supply off` says so, and so does the end."""
    monkeypatch.setattr(injector, "SET_UP_S", 0.2)
    monkeypatch.setattr(doubt, "ANSWER_S", 0.5)
    monkeypatch.setattr(loop, "ENDING_S", 0.5)
    free = threading.Event()

    def hang() -> BaseException:
        free.wait(60)
        return KeyError("freed")

    one = broken("parse", error=hang)
    with bench_of(tmp_path, one) as bench:
        bench.inject("supply")
        until(lambda: "hangs" in bench.alarm(), what="the alarm")
        assert not one.peer.on
        with pytest.raises(CheckFailed, match="hangs"):
            bench.call("supply off")
        bench.stop()
        free.set()
        assert isinstance(bench.error, CheckFailed)


def test_a_late_answer_is_not_taken_for_off() -> None:
    """The volts of a KA, late, begin with "0": as a status byte that would be off. The set is deaf, and stays on."""

    class Late:
        def __init__(self) -> None:
            self.due: list[tuple[float, bytes]] = []

        def read(self, wait_s: float) -> bytes:
            end = time.monotonic() + wait_s
            while True:
                now = time.monotonic()
                if ready := [x for x in self.due if x[0] <= now]:
                    self.due.remove(ready[0])
                    return ready[0][1]
                if now >= end:
                    return b""
                time.sleep(0.005)  # a port waits for its first byte

        def write(self, data: bytes) -> None:
            after = {b"STATUS?": (0.1, b"\x51"), b"VOUT1?": (0.15, b"01.00")}.get(data)
            if after:
                self.due.append((time.monotonic() + after[0], after[1]))

        def close(self) -> None:
            """Nothing to give back."""

    spec = registry.find("ka")
    control = spec.module.control()
    volts = msgspec.structs.replace(control.measured[0], wait_s=0.1)
    off = prepared(control)
    off = msgspec.structs.replace(off, commands=(volts, msgspec.structs.replace(off.commands[0], pause_s=0.0)))
    one = Injector("supply", None, control, off, spec, lambda _: None, SystemClock())
    assert not one.run(Late()).seen


def test_an_injection_that_could_not_begin_never_begins_by_itself(tmp_path: Path) -> None:
    """It was asked for while the link went away: when the cable is back, nothing is switched on."""
    one = Set("supply", (Fault("read", 1, lambda: LinkLost("pulled out"), True),))
    with bench_of(tmp_path, one) as bench:
        one.armed = True
        until(lambda: bench.call("status")["instruments"][0]["state"] == "lost", what="the loss")
        switch = bench.service.supervisors["supply"].switch
        assert switch is not None
        switch.inject(ORDER)  # past the loop's look at the link, as in the instant before the loss is known
        one.healed = True
        until(lambda: bench.call("status")["instruments"][0]["state"] == "open", what="the link")
        until(lambda: switch.injector is None, what="it to be given up")
        assert one.peer.history == []


# -- what ends it, and what is refused


@pytest.mark.parametrize(
    ("do", "fields", "why"),
    [
        ("board take", {"board": "GC-07"}, "another board was asked for while its rail was fed"),
        ("scanned", {"text": "gc-07"}, "another board was asked for while its rail was fed"),
        ("board state", {"state": "handed on"}, "another board was asked for while its rail was fed"),
        ("power", {}, "the power of GC-06 was confirmed on"),
        ("job close", {}, "another board was asked for while its rail was fed"),
    ],
)
def test_what_is_fed_is_the_board_on_the_bench(tmp_path: Path, do: str, fields: dict[str, Any], why: str) -> None:
    one = Set("supply")
    with bench_of(tmp_path, one) as bench:
        bench.call("board receive", board="GC-07")
        bench.inject("supply", hold_s=20.0)
        until(lambda: one.peer.on, what="the output to be on")
        with suppress(Refused):
            bench.call(do, **fields)
        until(lambda: not one.peer.on, what="the output to be off")
        until(lambda: left(bench).event == "off", what="the record")
        assert left(bench).why == why
        assert bench.call("status")["context"]["board"] == "GC-06"


def test_no_injection_while_power_is_confirmed_on(tmp_path: Path) -> None:
    one = Set("supply")
    with bench_of(tmp_path, one) as bench:
        bench.call("power")
        with pytest.raises(Refused, match="the power of GC-06 is confirmed on"):
            bench.inject("supply")
        bench.call("power")
        bench.inject("supply")


def test_cautions_are_confirmed_for_each_board_and_not_by_words(tmp_path: Path) -> None:
    """Cells off and capacitors discharged are facts of one board; an old note with the words counts for nothing."""
    one = Set("supply")
    with bench_of(tmp_path, one) as bench:
        bench.call("find", what="note", text="cautions for injecting confirmed")
        with pytest.raises(Refused, match="Confirm for GC-06"):
            bench.inject("supply", confirm=False)
        bench.inject("supply")
        until(lambda: [r.event for r in bench.records("supply")][-1:] == ["off"], what="the end")
        until(lambda: bench.service.supply.injecting == [], what="the end")
        bench.inject("supply", confirm=False)
        until(lambda: bench.service.supply.injecting == [], what="the end")
        bench.call("board receive", board="GC-07")
        bench.call("board take", board="GC-07")
        with pytest.raises(Refused, match="Confirm for GC-07"):
            bench.inject("supply", confirm=False)


NO_NUMBERS: list[Any] = ["x", "", "NaN", "sNaN", "inf", "-Infinity", -1, 0, 1e300, "1e999999", True, [1], {}]


@pytest.mark.parametrize("value", NO_NUMBERS, ids=repr)
@pytest.mark.parametrize("key", ["nominal", "volts", "amperes", "hold_s"])
def test_numbers_are_numbers(numbers: Bench, key: str, value: Any) -> None:
    with pytest.raises((BadInput, Refused)) as refused:
        numbers.inject("supply", **{key: value})
    assert isinstance(refused.value, BadInput)
    assert numbers.sets["supply"].peer.history == []


@pytest.mark.parametrize("fields", [{"rail": "a\nb"}, {"rail": ""}, {"rail": 7}, {"by": "\ud800"}, {"rail": "x" * 200}])
def test_names_are_names(numbers: Bench, fields: dict[str, Any]) -> None:
    with pytest.raises(BadInput):
        numbers.inject("supply", **fields)


@pytest.fixture(scope="module")
def numbers(tmp_path_factory: pytest.TempPathFactory) -> Any:
    with bench_of(tmp_path_factory.mktemp("numbers"), Set("supply")) as bench:
        yield bench


@pytest.mark.parametrize(
    "change",
    [
        {"settings": ()},
        {"measured": ()},
        {"switch": lambda on: ()},
        {"switch": lambda on: CONTROL.switch(True)},
        {"switch": lambda on: {}[on]},
        {"settings": (CONTROL.switch(True)[0],)},
        {"output_state": (CONTROL.switch(True)[0],)},
        {"switch": lambda on: (msgspec.structs.replace(CONTROL.switch(on)[0], pause_s=1e9),)},
    ],
)
def test_what_cannot_be_limited_switched_off_and_read_back_is_not_switched_on(
    tmp_path: Path, change: dict[str, Any]
) -> None:
    one = Set("supply")
    one.control = msgspec.structs.replace(one.control, **change)
    with bench_of(tmp_path, one) as bench:
        with pytest.raises(MeterlinkError, match="not switched on"):
            bench.inject("supply")
        assert one.peer.history == []
        with pytest.raises(CheckFailed, match="OFF COULD NOT BE CONFIRMED"):
            bench.call("supply off")
    assert Decimal(0) == one.peer.set["VOLT"]


@pytest.mark.parametrize("why", ["\ud800", "a\nb", "x" * 2_000_000], ids=["surrogate", "lines", "long"])
def test_no_words_of_a_lost_link_end_the_service(tmp_path: Path, why: str) -> None:
    """Rule 16: the reason of a loss is a stranger's text, and it is recorded."""
    bad, good = Set("bad", (Fault("feed", 1, lambda: LinkLost(why), True),)), Set("good")
    with bench_of(tmp_path, bad, good) as bench:
        bad.armed = True
        until(lambda: bench.call("status")["instruments"][0]["losses"] > 0, what="the loss")
        assert bench.call("job note", text="it goes on")["ok"]
