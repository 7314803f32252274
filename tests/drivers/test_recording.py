"""The recording format (docs/recordings.md) and the link that plays it."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.errors import BadInput, LinkLost
from meterlink.link.opening import open_link
from meterlink.link.recording import Event, Recording, RecordingLink, dump, expected, parse, read, recordings
from meterlink.testing import FakeClock

HEAD = "# driver: fs9721\n# instrument: some meter\n# source: built by hand from the table of its sheet\n"
TIMES = st.lists(st.integers(0, 10**7).map(lambda ms: ms / 1000), max_size=12).map(sorted)
CONTENT = st.tuples(st.sampled_from("<>"), st.binary(min_size=1, max_size=20)) | st.tuples(
    st.just("="),
    st.text(st.characters(min_codepoint=0x20, max_codepoint=0x7E), max_size=10).map(str.strip).filter(bool),
)


@st.composite
def recorded(draw: st.DrawFn) -> Recording:
    events = []
    for at in draw(TIMES):
        way, what = draw(CONTENT)
        events.append(Event(at, way, text=what) if isinstance(what, str) else Event(at, way, what))
    return Recording({"driver": "ka:V2.0", "instrument": "a", "source": "b", "line": "9600 8N1"}, tuple(events))


@given(recorded())
def test_what_is_dumped_parses_back(recording: Recording) -> None:
    assert parse(dump(recording)) == recording


def test_blanks_lower_case_and_remarks_are_free() -> None:
    recording = parse(HEAD + "\n0 < 1720 35\n# a remark: with a colon\n  2.5 < ab CD\n3 = 12.34 V\n")
    assert [(e.at, e.way, e.data, e.text) for e in recording.events] == [
        (0.0, "<", b"\x17\x20\x35", ""),
        (2.5, "<", b"\xab\xcd", ""),
        (3.0, "=", b"", "12.34 V"),
    ]
    assert "a remark" not in recording.headers


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("# driver: x\n# instrument: y\n0 < 00\n", "# source"),
        (HEAD + "0 < 0x17\n", "line 4"),
        (HEAD + "0 < 123\n", "line 4"),
        (HEAD + "0.5 < 11\n0.4 < 22\n", "line 5"),
        (HEAD + "11 22 33\n", "line 4"),
        (HEAD + "-1 < 11\n", "line 4"),
    ],
)
def test_what_is_no_recording_names_the_line(text: str, told: str) -> None:
    with pytest.raises(BadInput, match="recording"):
        parse(text)
    with pytest.raises(BadInput) as error:
        parse(text, "some.rec")
    assert told in str(error.value)
    assert "\n" not in str(error.value)


@pytest.mark.parametrize(
    ("row", "told"),
    [
        ("{", "line 2"),
        ("[]", "line 2"),
        ('{"function":"voltage","value":1,"unit":"V"}', "state"),
        ('{"function":"voltage","value":1,"unit":"V","state":"ok","colour":"red"}', "colour"),
    ],
)
def test_a_wrong_expected_reading_names_file_and_line(tmp_path: Path, row: str, told: str) -> None:
    good = '{"function":"voltage","value":1.5,"unit":"V","state":"ok"}'
    (tmp_path / "a.expected.jsonl").write_text(f"{good}\n{row}\n")
    with pytest.raises(BadInput, match=r"a\.expected\.jsonl, line 2") as error:
        expected(tmp_path / "a.rec")
    assert told in str(error.value)


def test_recordings_belong_to_a_driver_by_their_header(tmp_path: Path) -> None:
    for name, driver in (("one", "ka"), ("two", "ka:V2.0"), ("three", "kaa")):
        (tmp_path / "deep").mkdir(exist_ok=True)
        (tmp_path / "deep" / f"{name}.rec").write_text(HEAD.replace("fs9721", driver))
    found = recordings([tmp_path, tmp_path / "deep"], "ka")
    assert [r.path.stem for r in found if r.path] == ["one", "two"]


def player(tmp_path: Path, text: str, pace: float = 1.0) -> tuple[RecordingLink, FakeClock]:
    file = tmp_path / "a.rec"
    file.write_text(HEAD + text)
    clock = FakeClock(1000.0)
    return RecordingLink(file, pace, now=clock, wait=clock.wait), clock


@pytest.mark.parametrize(("pace", "times"), [(1.0, (0.0, 2.0)), (10.0, (0.0, 0.2)), (0.0, (0.0, 0.0))])
def test_bytes_come_in_their_time(tmp_path: Path, pace: float, times: tuple[float, float]) -> None:
    link, clock = player(tmp_path, "0.000 < 11\n1.000 = one\n2.000 < 22\n", pace)
    came = {}
    while clock.now < 1005:
        at = clock.now
        for byte in link.read(0.01):
            came[byte] = clock.now - 1000
        assert clock.now <= at + 0.0101
    assert came == {0x11: pytest.approx(times[0], abs=0.02), 0x22: pytest.approx(times[1], abs=0.02)}


def test_an_answer_waits_for_its_question(tmp_path: Path) -> None:
    link, clock = player(tmp_path, "0 > 41\n0.2 < 01\n1 > 42\n1.1 < 02 03\n1.2 > 41\n1.3 < 04\n")
    assert link.read(5.0) == b""
    link.write(b"A")
    began = clock.now
    assert link.read(5.0) == b"\x01"
    assert clock.now - began == pytest.approx(0.2, abs=0.01)
    link.write(b"*IDN?")  # not in the recording: no answer
    assert link.read(1.0) == b""
    link.write(b"A")  # out of turn: the next place where it was asked
    assert link.read(5.0) == b"\x04"
    assert link.read(5.0) == b""


def test_a_recording_is_a_port(tmp_path: Path) -> None:
    file = tmp_path / "a.rec"
    file.write_text(HEAD + "0 < 17 20\n")
    link = open_link(f"recording:{file}", None)
    assert link.read(1.0) == b"\x17\x20"
    link.close()
    with pytest.raises(LinkLost):
        link.read(0.0)
    with pytest.raises(LinkLost, match=r"none\.rec is not there"):
        open_link(f"recording:{tmp_path / 'none.rec'}", None)


def test_every_recording_of_the_repository_says_where_its_frames_come_from() -> None:
    folder = Path(__file__).parents[2] / "captures"
    found = sorted(folder.rglob("*.rec"))
    assert found
    for path in found:
        source = read(path).headers["source"]
        assert any(word in source for word in ("printed", "built by hand", "composed by hand", "recorded from")), path
