"""What holds for every polled driver and each of its models; found by discovery, never listed."""

from __future__ import annotations

from contextlib import suppress
from functools import cache
from pathlib import Path

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from meterlink import registry
from meterlink.driver import BadFrame, Dialogue
from meterlink.link.recording import expected, read
from tests.drivers.polled import Conversation

CAPTURES = Path(__file__).parents[2] / "captures"
SPECS = [
    spec if not spec.info.models else registry.find(f"{spec.info.name}:{model}")
    for spec in registry.all_specs()
    if spec.info.poll_s is not None and spec.info.name != "poll14"
    for model in spec.info.models or ("",)
]
OURS = {"manson", "tti", "ka", "modbus_supply", "scpi_supply", "hioki", "fluke_ascii"}
SPECS = [spec for spec in SPECS if spec.info.name in OURS]
RECORDINGS = sorted(path for name in OURS for path in (CAPTURES / name).glob("*.rec"))
per_spec = pytest.mark.parametrize("spec", SPECS, ids=lambda spec: spec.name)

# Queries and the two openings that a sheet asks for; a Modbus read is function 03.
READS = {b"GETD\r", b"GETS\r", b"SYST:REM\n"}


def conversation(spec: registry.Spec) -> Conversation:
    framer = spec.driver()
    assert isinstance(framer, Dialogue)
    return Conversation(framer, lambda asked: spec.module.answer(asked, shown(spec), spec.model))


@cache
def shown(spec: registry.Spec) -> list:
    """The readings of one recording of this driver, whichever comes first."""
    path = next(p for p in RECORDINGS if p.parent.name == spec.info.name)
    return play(path)[0]


def play(path: Path) -> tuple[list, bytes]:
    recording = read(path)
    framer = registry.find(recording.driver).driver()
    now, readings = 0.0, []
    for event in recording.events:
        if event.way == ">":
            asked = None
            while asked is None:
                now += 0.01
                asked = framer.request(now)
                assert now < 60
            assert asked == event.data
        else:
            readings += framer.feed(event.data)
    assert framer.bad == 0, framer.last_bad
    return readings, framer.held


@pytest.mark.parametrize("path", RECORDINGS, ids=lambda p: f"{p.parent.name}/{p.stem}")
def test_recordings_give_the_readings_beside_them(path: Path) -> None:
    """Sources stand in each recording's header."""
    readings, _ = play(path)
    rows = expected(path)
    assert len(readings) == len(rows) > 0
    for reading, row in zip(readings, rows, strict=True):
        for key, wanted in row.items():
            got = getattr(reading, key)
            if key == "flags":
                assert sorted(got) == sorted(wanted)
            else:
                assert (float(got) if key in ("value", "resolution") and got is not None else got) == wanted, key
        assert registry.find(read(path).driver).decode(reading.raw, reading.asked)  # an auditor's way


@per_spec
def test_polling_never_tells_the_instrument_to_change(spec: registry.Spec) -> None:
    talk = conversation(spec)
    talk.run(8)
    assert len(talk.asked) > 3
    for asked in talk.asked:
        reads = asked.rstrip().endswith(b"?") or asked in READS or b"? CH" in asked or asked[:2] == b"\x01\x03"
        assert reads, asked


@per_spec
def test_rounds_follow_each_other_without_a_lost_byte(spec: registry.Spec) -> None:
    talk = conversation(spec)
    talk.run(8)
    assert (talk.framer.bad, talk.framer.skipped, talk.framer.timeouts) == (0, 0, 0), talk.framer.last_bad
    assert talk.framer.frames >= 3


@per_spec
@given(garbage=st.binary(max_size=60), asked=st.one_of(st.none(), st.binary(max_size=40)))
@settings(max_examples=30, deadline=None)
def test_decode_raises_bad_frame_only(spec: registry.Spec, garbage: bytes, asked: bytes | None) -> None:
    with suppress(BadFrame):
        spec.decode(garbage, asked)
    round_ = spec.driver().round
    joined = b"".join(q.ask for q in round_)
    with suppress(BadFrame):
        spec.decode(garbage, joined)
    whole = b"".join(spec.module.answer(q.ask, shown(spec), spec.model) for q in round_)
    cut = len(garbage) * 7 % (len(whole) + 1)
    for bent in (whole[:cut] + garbage + whole[cut:], whole[:cut], whole[cut:], whole[:cut] + garbage):
        with suppress(BadFrame):
            spec.decode(bent, joined)


@per_spec
@given(data=st.data())
@settings(max_examples=5, deadline=None, phases=[Phase.explicit, Phase.generate])
def test_late_split_and_garbled_replies_recover_by_themselves(spec: registry.Spec, data: st.DataObject) -> None:
    """Faults for a while, then an instrument that answers: readings come again, and every byte is accounted for."""
    talk = conversation(spec)
    good = talk.answer
    late: list[bytes] = []

    def faulty(asked: bytes) -> bytes:
        whole = good(asked)
        fault = data.draw(st.sampled_from(["good", "silent", "late", "cut", "noise", "double"]))
        if fault == "late":
            late.append(whole)
            return b""
        return {
            "good": whole,
            "silent": b"",
            "cut": whole[: len(whole) // 2],
            "noise": data.draw(st.binary(max_size=12)) + whole,
            "double": whole + whole,
        }[fault]

    talk.answer = faulty
    for _ in range(12):
        talk.run(0.3)
        if late:
            talk.feed(late.pop(0))
    talk.answer = good
    talk.run(14)  # the longest wait of a query, then rounds
    before = talk.framer.frames
    talk.run(6)
    assert talk.framer.frames >= before + 2


@per_spec
def test_replies_byte_by_byte_give_the_same(spec: registry.Spec) -> None:
    whole, split = conversation(spec), conversation(spec)
    expected_readings = whole.run(6)
    got = []
    for _ in range(600):
        split.now += 0.01
        asked = split.framer.request(split.now)
        if asked is not None:
            for byte in split.answer(asked):
                got += split.feed(bytes([byte]))
    assert got == expected_readings
    assert got


@per_spec
def test_a_round_reads_back_what_was_shown(spec: registry.Spec) -> None:
    """build is decode's inverse: what decodes from a built round reads the same from a round built of it."""
    joined = b"".join(q.ask for q in spec.driver().round)
    built = spec.module.build(shown(spec), spec.model)
    readings = spec.decode(built, joined)
    assert readings
    assert spec.decode(spec.module.build(readings, spec.model), joined) == readings


@pytest.mark.parametrize(
    ("asked", "reply", "shown"),
    [
        (b"VAL1?\r\n", b"+1.2345E+0\r\n=>\r\n", [("unknown", "1.2345", "1", "0.0001", "ok")]),  # C1; prompt M
        (b"MEAS1?\r\n", b"+1E+9\r\n=>\r\n", [("unknown", "None", "1", "None", "over")]),  # M
        (
            b"VAL?\r\n",
            b"+5.0012E+0,+50.00E+0\r\n=>\r\n",
            [("unknown", "5.0012", "1", "0.0001", "ok"), ("unknown", "50.00", "1", "0.01", "ok")],
        ),
        # FUNC1? was asked and did not answer: of what the number is stays open, and it is not taken
        (b"FUNC1?\r\nVAL1?\r\n", b"!>\r\n+1.2345E+0\r\n=>\r\n", [("unknown", "None", "1", "None", "blank")]),
    ],
)
def test_a_lone_value_of_the_fluke_set(asked: bytes, reply: bytes, shown: list[tuple[str, ...]]) -> None:
    """The worked exchanges of sheet scpi-multimeters C, format 1: the number stands in the reply, its unit does not."""
    readings = registry.find("fluke_ascii").decode(reply, asked)
    assert [(r.function, str(r.value), r.unit, str(r.resolution), r.state) for r in readings] == shown


def test_the_fluke_set_may_echo_each_command() -> None:
    """Echo on: each command stands before its reply (from memory, as the sheet says)."""
    asked = b"FUNC1?\r\nVAL1?\r\nFUNC1?\r\n"
    plain = registry.find("fluke_ascii").decode(b"VDC\r\n=>\r\n+1.5E+0\r\n=>\r\nVDC\r\n=>\r\n", asked)
    echoed = b"FUNC1?\r\nVDC\r\n=>\r\nVAL1?\r\n+1.5E+0\r\n=>\r\nFUNC1?\r\nVDC\r\n=>\r\n"
    assert [str(r.value) for r in plain] == ["1.5"]
    assert registry.find("fluke_ascii").decode(echoed, asked) == plain


@pytest.mark.parametrize(
    ("asked", "reply"),
    [
        (b"FUNC2?\r\nVAL1?\r\n", b"!>\r\n=>\r\n+1.5E+0 VDC\r\n=>\r\n"),  # a prompt is no value line
        (b"VAL2?\r\n", b"+1.5E+0 VDC,+2E+0 VDC\r\n=>\r\n"),  # the second display has one value
        (b"VAL1?\r\n", b"+1.5E+0 VDC\r\n!>\r\n"),
        (b"MOD?\r\nVAL1?\r\n", b"0\r\n?>\r\n+1.5E+0 VDC\r\n=>\r\n"),
        (b"\r\n\r\n", b""),
        (b"", b""),
    ],
)
def test_replies_that_do_not_fit_the_queries_of_the_fluke_set_are_refused(asked: bytes, reply: bytes) -> None:
    with pytest.raises(BadFrame):
        registry.find("fluke_ascii").decode(reply, asked)
