"""USBTMC against the sheet's worked headers, the kernel's constants, and an instrument that stalls on a breach."""

from __future__ import annotations

import re
import time
from pathlib import Path

import pytest
from construct import ConstructError
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.errors import LinkLost
from meterlink.link import usbtmc
from meterlink.link.usb import parse_id
from meterlink.link.usbtmc import HEADER, UsbTmcLink, message_out, request_in
from tests.link.simulated_bus import SimulatedBus
from tests.link.usb_devices import IN, OUT, UsbTmc

KERNEL = Path("/usr/include/linux/usb/tmc.h")


def opened(instrument: UsbTmc) -> UsbTmcLink:
    return UsbTmcLink(parse_id("2A8D:0001"), SimulatedBus(instrument), sleep=lambda _: None)


def read_until(link: UsbTmcLink, end: bytes = b"\n", limit_s: float = 5.0) -> bytes:
    got, until = b"", time.monotonic() + limit_s
    while not got.endswith(end) and time.monotonic() < until:
        got += link.read(0.2)
    return got


def echo(asked: bytes) -> bytes:
    return b"answer to " + asked


@pytest.mark.parametrize(
    ("made", "worked"),
    [  # sheet usbtmc, worked headers
        (message_out(1, b"*IDN?\n"), "01 01 FE 00 06 00 00 00 01 00 00 00 2A 49 44 4E 3F 0A 00 00"),
        (request_in(2, 1024), "02 02 FD 00 00 04 00 00 00 00 00 00"),
        (request_in(2, 1024, 0x0A), "02 02 FD 00 00 04 00 00 02 0A 00 00"),
        (message_out(255, b"READ?\n"), "01 FF 00 00 06 00 00 00 01 00 00 00 52 45 41 44 3F 0A 00 00"),
    ],
)
def test_worked_headers(made: bytes, worked: str) -> None:
    assert made == bytes.fromhex(worked)


def test_worked_answer() -> None:
    """The sheet's answer +1.25 LF to bTag 2, taken by the link."""
    instrument = UsbTmc(lambda _: None)
    link = opened(instrument)
    link.write(b"READ?\n")  # takes tag 1, the request tag 2
    assert link.read(0.01) == b""
    instrument.send(IN, bytes.fromhex("02 02 FD 00 06 00 00 00 01 00 00 00 2B 31 2E 32 35 0A 00 00"))
    assert link.read(1.0) == b"+1.25\n"


@pytest.mark.parametrize("head", ["02 02 FE 00 00 04 00 00 00 00 00 00", "02 02 FD 00 00 04 00 00 00 00 00"])
def test_no_headers(head: str) -> None:
    with pytest.raises(ConstructError):
        HEADER.parse(bytes.fromhex(head))


@pytest.mark.skipif(not KERNEL.exists(), reason="the kernel's headers are not installed (linux-libc-dev)")
def test_constants_are_the_kernels() -> None:
    told = {
        m[1]: int(m[2], 0) for m in re.finditer(r"#define USBTMC(\w+)\s+(0x[0-9a-fA-F]+|\d+)\n", KERNEL.read_text())
    }
    assert {
        "_STATUS_SUCCESS": usbtmc.SUCCESS,
        "_STATUS_PENDING": usbtmc.PENDING,
        "_REQUEST_INITIATE_ABORT_BULK_IN": usbtmc.INITIATE_ABORT_BULK_IN,
        "_REQUEST_CHECK_ABORT_BULK_IN_STATUS": usbtmc.CHECK_ABORT_BULK_IN,
        "_REQUEST_INITIATE_CLEAR": usbtmc.INITIATE_CLEAR,
        "_REQUEST_CHECK_CLEAR_STATUS": usbtmc.CHECK_CLEAR,
        "_REQUEST_GET_CAPABILITIES": usbtmc.GET_CAPABILITIES,
        "488_REQUEST_GOTO_LOCAL": usbtmc.GO_TO_LOCAL,
        "488_CAPABILITY_GOTO_LOCAL": usbtmc.REMOTE_LOCAL,
    }.items() <= told.items()


def test_a_query_and_its_answer() -> None:
    instrument = UsbTmc(echo)
    link = opened(instrument)
    link.write(b"*IDN?\n")
    assert read_until(link) == b"answer to *IDN?\n"
    assert instrument.asked == [b"*IDN?\n"]
    assert (link.bad, instrument.halted) == (0, set())


def test_nothing_is_requested_that_was_not_asked_for() -> None:
    """An instrument stalls on a request without a query (query UNTERMINATED)."""
    instrument = UsbTmc(echo)
    link = opened(instrument)
    assert link.read(0.01) == b""
    link.write(b"*RST\n")
    link.write(b"DISP:TEXT 'READY?'\n")
    link.write(b'DISP:TEXT "READY?"\n')
    assert link.read(0.01) == b""
    link.write(b"READ?\n")
    assert read_until(link) == b"answer to READ?\n"
    assert link.read(0.01) == b""
    assert (link.bad, instrument.halted) == (0, set())


@settings(deadline=None, max_examples=60)
@given(
    answers=st.lists(st.binary(min_size=1, max_size=300), min_size=1, max_size=4),
    packet=st.sampled_from([8, 64, 512]),
    most=st.integers(1, 400),
)
def test_any_answer_in_any_cut(answers: list[bytes], packet: int, most: int) -> None:
    """Several packets, several transfers, totals that are and are not a multiple of the packet size."""
    left = list(answers)
    instrument = UsbTmc(lambda _: left.pop(0), packet)
    instrument.most_per_transfer = most
    link = opened(instrument)
    for answer in answers:
        link.write(b"READ?\n")
        got = b""
        while len(got) < len(answer) and instrument.there:
            part = link.read(1.0)
            assert part
            got += part
        assert got == answer
    assert (link.bad, instrument.halted) == (0, set())


@pytest.mark.parametrize("packet", [64, 512, 1024])
@pytest.mark.parametrize("size", [usbtmc.MOST - 12, usbtmc.MOST, usbtmc.MOST + 1])
def test_an_answer_as_long_as_was_asked_for(packet: int, size: int) -> None:
    """Its last packet may be a full one: there must be room for it, and it all comes in one transfer of MOST."""
    answer = bytes(i % 251 for i in range(size - 1)) + b"\n"
    instrument = UsbTmc(lambda _: answer, packet)
    link = opened(instrument)
    link.write(b"CURV?\n")
    got = b""
    while len(got) < size:
        part = link.read(1.0)
        assert part
        got += part
    assert got == answer
    assert (link.bad, len(instrument.tags)) == (0, 2 if size <= usbtmc.MOST else 3)


def test_tags_run_from_1_to_255_and_begin_again() -> None:
    instrument = UsbTmc(echo)
    link = opened(instrument)
    for _ in range(130):
        link.write(b"READ?\n")
        read_until(link)
    assert instrument.tags == [i % 255 + 1 for i in range(260)]


def test_a_long_message_goes_in_pieces_of_which_the_last_ends_it() -> None:
    instrument = UsbTmc(echo)
    link = opened(instrument)
    message = b"DATA " + b"1.25," * 2000 + b"0\n"
    link.write(message)
    assert instrument.asked == [message]
    assert len(instrument.tags) == -(-len(message) // usbtmc.PIECE)


def test_a_slow_answer_is_waited_for_over_many_reads() -> None:
    instrument = UsbTmc(lambda _: None)
    link = opened(instrument)
    link.write(b"READ?\n")
    assert [link.read(0.01) for _ in range(3)] == [b"", b"", b""]
    instrument.ready(b"1.25\n")
    assert read_until(link) == b"1.25\n"
    assert instrument.tags == [1, 2]  # one request, however often it was read


@pytest.mark.parametrize("aborts", [True, False])
def test_an_answer_that_never_came_is_aborted_before_the_next_question(aborts: bool) -> None:
    instrument = UsbTmc(lambda asked: None if asked == b"SLOW?\n" else echo(asked))
    instrument.aborts = aborts
    instrument.pending = 3
    link = opened(instrument)
    instrument.controls.clear()
    link.write(b"SLOW?\n")
    assert link.read(0.01) == b""
    instrument.log.clear()
    link.write(b"READ?\n")
    assert read_until(link) == b"answer to READ?\n"
    # sheet: INITIATE_ABORT_BULK_IN and its status while pending, else INITIATE_CLEAR and its status, then bulk-OUT
    assert instrument.controls == ([3, 4, 4, 4, 4] if aborts else [3, 5, 6, 6, 6, 6])
    assert instrument.log == ([] if aborts else ["clear halt 02"])
    assert link.bad == 1


def test_an_answer_that_came_too_late_is_not_taken_for_the_next() -> None:
    instrument = UsbTmc(lambda asked: None if asked == b"SLOW?\n" else echo(asked))
    link = opened(instrument)
    link.write(b"SLOW?\n")
    assert link.read(0.01) == b""
    instrument.ready(b"late\n")
    link.write(b"READ?\n")
    assert read_until(link) == b"answer to READ?\n"


def test_an_answer_to_another_request_is_dropped_and_all_cleared() -> None:
    instrument = UsbTmc(echo)
    link = opened(instrument)
    instrument.wrong_tag = True
    instrument.controls.clear()
    link.write(b"READ?\n")
    assert link.read(0.5) == b""
    assert instrument.controls == [3, 4, 4, 5, 6, 6]
    assert (link.bad, "something else" in link.last_bad) == (1, True)
    link.write(b"READ?\n")
    assert read_until(link) == b"answer to READ?\n"


def test_noise_in_place_of_an_answer_is_cleared() -> None:
    instrument = UsbTmc(lambda _: None)
    link = opened(instrument)
    link.write(b"READ?\n")
    instrument.send(IN, b"\xff" * 30)
    assert link.read(0.5) == b""
    assert link.bad == 1


def test_a_stalled_answer_is_cleared_and_the_next_one_comes() -> None:
    instrument = UsbTmc(echo)
    link = opened(instrument)
    link.write(b"READ?\n")
    instrument.stall(IN)
    instrument.log.clear()
    assert link.read(0.5) == b""
    assert instrument.log == ["clear halt 02", "clear halt 81"]
    link.write(b"READ?\n")
    assert read_until(link) == b"answer to READ?\n"


def test_a_refused_message_is_told_and_cleared() -> None:
    instrument = UsbTmc(echo)
    link = opened(instrument)
    instrument.stall(OUT)
    with pytest.raises(LinkLost, match="is that a command of this instrument"):
        link.write(b"READ?\n")
    assert instrument.halted == set()
    link.write(b"READ?\n")
    assert read_until(link) == b"answer to READ?\n"


def test_a_transfer_that_ends_early_gives_nothing_and_is_aborted() -> None:
    """A header that promises six bytes, and a short packet after three."""
    instrument = UsbTmc(lambda asked: None if asked == b"SLOW?\n" else echo(asked))
    link = opened(instrument)
    link.write(b"SLOW?\n")
    assert link.read(0.01) == b""
    instrument.send(IN, bytes.fromhex("02 02 FD 00 06 00 00 00 01 00 00 00 2B 31 2E"))
    assert link.read(0.05) == b""
    link.write(b"READ?\n")
    assert read_until(link) == b"answer to READ?\n"
    assert link.bad == 1


def test_an_answer_in_short_packets_is_put_together() -> None:
    """Against the class (a short packet ends a transfer), but TransferSize says how much there is."""
    instrument = UsbTmc(lambda _: None)
    link = opened(instrument)
    link.write(b"READ?\n")
    assert link.read(0.01) == b""
    instrument.send(IN, bytes.fromhex("02 02 FD 00 06 00 00 00 01 00 00 00 2B 31 2E 32 35 0A 00 00"), split=5)
    assert read_until(link) == b"+1.25\n"
    assert link.bad == 0


def test_unplugged_in_the_middle_of_an_answer() -> None:
    instrument = UsbTmc(lambda _: None)
    link = opened(instrument)
    link.write(b"READ?\n")
    instrument.send(IN, bytes.fromhex("02 02 FD 00 06 00 00 00 01 00 00 00 2B 31 2E"))
    assert link.read(0.05) == b""
    instrument.unplug()
    with pytest.raises(LinkLost, match="went away"):
        link.read(0.5)
    link.close()
    link.close()


def test_it_begins_clean_and_ends_local() -> None:
    """Sheet: clear what an earlier user left; send GO_TO_LOCAL when leaving."""
    instrument = UsbTmc(echo)
    instrument.send(IN, b"left over")
    link = opened(instrument)
    assert instrument.controls == [7, 5, 6, 6]
    link.write(b"*RST\n")
    assert not instrument.local
    link.close()
    assert instrument.local
    assert (instrument.claimed, instrument.kernel_driver, instrument.opened) == (set(), {0}, 0)
    assert instrument.controls.count(161) == 1


def test_one_without_the_488_subclass_is_not_told_to_go_local() -> None:
    instrument = UsbTmc(echo)
    instrument.interfaces[0].codes = (0xFE, 3, 0)
    opened(instrument).close()
    assert 161 not in instrument.controls


def test_one_that_refuses_to_be_cleared_is_used_as_it_is() -> None:
    instrument = UsbTmc(echo)
    instrument.clears = False
    link = opened(instrument)
    link.write(b"READ?\n")
    assert read_until(link) == b"answer to READ?\n"
    assert (link.bad, link.last_bad) == (1, "refuses INITIATE_CLEAR")


def test_one_that_stays_pending_for_ever_is_given_up() -> None:
    instrument = UsbTmc(lambda _: None)
    link = opened(instrument)
    instrument.pending = 10**6
    link.write(b"READ?\n")
    assert link.read(0.01) == b""
    with pytest.raises(LinkLost, match="switch it off and on again"):
        link.write(b"READ?\n")
