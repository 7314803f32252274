"""Sounds: pitch and length by measuring the wave, told apart by rhythm; a missing device is one warning."""

from __future__ import annotations

import io
import shutil
import subprocess
import wave
from array import array
from itertools import pairwise
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


def test_what_is_played(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The wave of the effect, then its text by the voice; muted, nothing is started at all."""
    calls: list[Any] = []
    monkeypatch.setattr(sound, "player_command", lambda: ["player"])
    monkeypatch.setattr(sound.shutil, "which", lambda name: f"/bin/{name}")
    monkeypatch.setattr(
        sound.subprocess,
        "run",
        lambda command, **_: calls.append(command) or subprocess.CompletedProcess(command, 0, b"", b""),
    )
    player = Player(Settings(speak=True), str(tmp_path), print)
    player.play(Effect("short", "-h VIN short"))
    player.end()
    assert calls[0] == ["player", str(tmp_path / "short.wav")]
    assert calls[1][-2:] == ["--", "-h VIN short"]  # a text that looks like an option is spoken, not obeyed
    calls.clear()
    muted = Player(Settings(on=False), str(tmp_path), print)
    muted.play(Effect("ok", "x"))
    muted.end()
    assert calls == []
