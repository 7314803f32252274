"""Sounds: pitch and length by measuring the wave, told apart by rhythm; a missing device is one warning."""

from __future__ import annotations

import io
import shutil
import subprocess
import time
import wave
from array import array
from collections.abc import Callable
from itertools import combinations, pairwise
from pathlib import Path
from typing import Any, get_args

import pytest

from meterlink import sound
from meterlink.bench.events import Effect, SoundName
from meterlink.sound import RATE, TONES, Player, Settings, length_s, wave_of

NAMES: tuple[SoundName, ...] = get_args(SoundName)


def samples(name: SoundName, volume: float = 1.0) -> array[int]:
    with wave.open(io.BytesIO(wave_of(name, volume))) as file:
        assert (file.getnchannels(), file.getsampwidth(), file.getframerate()) == (1, 2, RATE)
        return array("h", file.readframes(file.getnframes()))


@pytest.mark.parametrize("name", NAMES)
def test_pitch_and_length(name: SoundName) -> None:
    """Each tone's pitch by its rising zero crossings, within one crossing; pauses are silent."""
    data, at = samples(name), 0
    assert len(data) == pytest.approx(length_s(name) * RATE, abs=len(TONES[name]))
    for hertz, seconds in TONES[name]:
        n = round(seconds * RATE)
        part = data[at : at + n]
        at += n
        rising = sum(1 for a, b in pairwise(part) if a < 0 <= b)
        assert rising == pytest.approx(hertz * seconds, abs=1.01)
        assert hertz == 0 or max(part) > 25000


def test_no_two_have_the_same_rhythm_and_pitch() -> None:
    assert len({TONES[n] for n in NAMES}) == len(NAMES)
    assert length_s("alarm") > 1.0 > max(length_s(n) for n in ("ok", "not-ok", "short", "refused"))


def heard_as(name: SoundName) -> tuple[list[tuple[float, float]], list[float]]:
    """What an ear tells apart: when each tone begins and how long it is, measured on the wave, and its pitch."""
    data, rhythm, pitches = samples(name), [], []
    step = RATE // 200  # 5 ms
    loud = [max(abs(x) for x in data[i : i + step]) > 3000 for i in range(0, len(data) - step, step)]
    at = 0.0
    for hertz, seconds in TONES[name]:
        if hertz:
            middle = int((at + seconds / 2) * RATE) // step
            assert loud[middle], f"{name}: nothing is heard at {at:.2f} s"
            rhythm.append((at, seconds))
            pitches.append(hertz)
        at += seconds
    return rhythm, pitches


def far(one: SoundName, other: SoundName) -> tuple[bool, bool]:
    """Whether two differ in rhythm (count of tones, a begin or a length by 40 ms) and in pitch (a third, or the way
    they go)."""
    (rhythm, pitches), (rhythm_, pitches_) = heard_as(one), heard_as(other)
    in_rhythm = len(rhythm) != len(rhythm_) or any(
        abs(a - a_) >= 0.04 or abs(n - n_) >= 0.04 for (a, n), (a_, n_) in zip(rhythm, rhythm_, strict=True)
    )
    way = [(b > a) - (b < a) for a, b in pairwise(pitches)]
    way_ = [(b > a) - (b < a) for a, b in pairwise(pitches_)]
    mean, mean_ = sum(pitches) / len(pitches), sum(pitches_) / len(pitches_)
    return in_rhythm, way != way_ or max(mean, mean_) / min(mean, mean_) >= 1.19


@pytest.mark.parametrize("name", ["no-board", "sheet-done", "passed-over"])
def test_a_sound_is_told_apart_from_every_other_by_rhythm_and_by_pitch(name: SoundName) -> None:
    for other in NAMES:
        if other != name:
            assert far(name, other) == (True, True), other


@pytest.mark.long
def test_every_two_are_told_apart_by_rhythm_or_by_pitch() -> None:
    for one, other in combinations(NAMES, 2):
        assert any(far(one, other)), (one, other)


def test_volume() -> None:
    assert max(samples("ok", 0.5)) == pytest.approx(max(samples("ok")) / 2, rel=0.01)
    assert max(samples("ok", 0.0)) == 0


@pytest.mark.skipif(not shutil.which("soxi"), reason="sox is not installed")
def test_another_program_reads_the_file(tmp_path: Path) -> None:
    path = tmp_path / "ok.wav"
    path.write_bytes(wave_of("ok", 0.6))
    said = subprocess.run(["soxi", "-D", str(path)], capture_output=True, text=True, check=True).stdout
    assert float(said) == pytest.approx(length_s("ok"), abs=0.001)


def test_without_a_player_there_is_one_warning(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(sound.shutil, "which", lambda name: None)
    told: list[str] = []
    player = Player(Settings(speak=True), str(tmp_path), told.append)
    for _ in range(20):
        player.play(Effect("ok", "VIN ok"))
    player.end()
    assert len(told) == 1 and "work goes on" in told[0]


def test_a_player_that_fails_is_one_warning(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(sound, "player_command", lambda: ["false"])
    told: list[str] = []
    player = Player(Settings(), str(tmp_path), told.append)
    player.play(Effect("ok", "VIN ok"))
    player.play(Effect("short", "VIN short"))
    player.end()
    assert len(told) == 1


def script(path: Path, body: str) -> str:
    """A program of the system that stands for a player."""
    path.write_text(f"#!/bin/sh\n{body}\n")
    path.chmod(0o755)
    return str(path)


def until(condition: Callable[[], Any], limit_s: float = 10.0) -> None:
    end = time.monotonic() + limit_s
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.01)


def test_a_player_that_goes_and_comes_is_told_and_told_again(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Uninstalled while the bench runs, broken, then back: `problem` follows, and the thread lives."""
    path = tmp_path / "player"
    played = tmp_path / "played"
    monkeypatch.setattr(sound, "player_command", lambda: [str(path)])
    told: list[str] = []
    player = Player(Settings(), str(tmp_path), told.append)
    player.play(Effect("ok", "x"))
    until(lambda: player.problem is not None)
    assert "player" in str(player.problem)
    script(path, "echo device busy >&2; exit 3")
    player.play(Effect("ok", "x"))
    until(lambda: "device busy" in str(player.problem))
    script(path, f"echo $1 >> {played}")
    player.play(Effect("short", "x"))
    until(lambda: player.problem is None)
    assert played.read_text().endswith("short.wav\n")
    player.end()
    assert len(told) == 2 and "work goes on" in told[0] and "again" in told[1]


def test_a_folder_that_is_gone_is_a_problem_and_ends_nothing(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(sound, "player_command", lambda: ["true"])
    player = Player(Settings(), str(tmp_path / "gone"), lambda text: None)
    for _ in range(3 * Player.WAITING):
        player.play(Effect("ok", "x"))
    until(lambda: player.problem is not None)
    (tmp_path / "gone").mkdir()
    player.play(Effect("ok", "x"))
    until(lambda: player.problem is None)
    player.end()


@pytest.mark.parametrize(
    "body",
    ["exec sleep 600", "sleep 5 & exit 0", "trap '' TERM; sleep 600", "exec 2>&- 1>&-; sleep 600", "yes >&2"],
    ids=["hangs", "leaves a child", "is deaf", "closes", "floods"],
)
def test_the_end_waits_for_no_player(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, body: str) -> None:
    """Whatever the program does, with as many sounds waiting as can: the end comes in its time."""
    path = script(tmp_path / "player", body)
    monkeypatch.setattr(sound, "player_command", lambda: [path])
    monkeypatch.setattr(sound, "END_S", 0.3)
    monkeypatch.setattr(sound, "LONGEST_S", 60.0)
    player = Player(Settings(), str(tmp_path), lambda text: None)
    for _ in range(3 * Player.WAITING):
        player.play(Effect("ok", "x"))
    began = time.monotonic()
    player.end()
    assert time.monotonic() - began < 3.0


def test_a_player_that_hangs_is_ended_and_the_next_sound_is_tried(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    path, played = tmp_path / "player", tmp_path / "played"
    script(path, f'case "$1" in *short*) echo short > {played};; *) exec sleep 600;; esac')
    monkeypatch.setattr(sound, "player_command", lambda: [str(path)])
    monkeypatch.setattr(sound, "LONGEST_S", 0.2)
    player = Player(Settings(), str(tmp_path), lambda text: None)
    player.play(Effect("ok", "x"))
    until(lambda: "did not end" in str(player.problem))
    player.play(Effect("short", "x"))
    until(lambda: player.problem is None)
    assert played.exists()
    player.end()


def test_what_cannot_be_spoken_ends_nothing(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A NUL or half of a surrogate pair in a mark is no argument of a program; a text may be longer than one."""
    said = tmp_path / "said"
    voice = script(tmp_path / "espeak-ng", f'echo "$4" >> {said}')
    monkeypatch.setattr(sound, "player_command", lambda: ["true"])
    monkeypatch.setattr(sound.shutil, "which", lambda name: voice)
    player = Player(Settings(speak=True), str(tmp_path), lambda text: None)
    for text in ("a\0b", "\ud800", "x" * 300_000, "VIN ok"):
        player.play(Effect("ok", text))
    until(lambda: said.exists() and "VIN ok" in said.read_text())
    assert player.problem is None
    player.end()


def test_a_voice_that_is_missing_is_a_problem_of_its_own(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(sound, "player_command", lambda: ["true"])
    monkeypatch.setattr(sound.shutil, "which", lambda name: None)
    player = Player(Settings(speak=True), str(tmp_path), lambda text: None)
    player.play(Effect("ok", "x"))
    player.end()
    assert player.problem is not None and "espeak-ng" in player.problem
    monkeypatch.setattr(sound, "player_command", lambda: None)
    without = Player(Settings(), str(tmp_path), lambda text: None)
    assert without.problem is not None and "no player found" in without.problem
    without.end()
    muted = Player(Settings(on=False), str(tmp_path), print)
    assert muted.problem is None


def test_what_is_played(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The wave of the effect, then its text by the voice; muted, nothing is started at all."""
    said = tmp_path / "said"
    program = script(tmp_path / "program", f'echo "$@" >> {said}')
    monkeypatch.setattr(sound, "player_command", lambda: [program])
    monkeypatch.setattr(sound.shutil, "which", lambda name: program)
    player = Player(Settings(speak=True), str(tmp_path), print)
    player.play(Effect("short", "-h VIN short"))
    player.end()
    wave_, voice = said.read_text().splitlines()
    assert wave_ == str(tmp_path / "short.wav")
    assert voice.endswith("-- -h VIN short")  # a text that looks like an option is spoken, not obeyed
    said.unlink()
    muted = Player(Settings(on=False), str(tmp_path), print)
    muted.play(Effect("ok", "x"))
    muted.end()
    assert not said.exists()
