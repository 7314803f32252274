"""Sounds, told apart without looking: each has its own rhythm and its own pitch; made here, played by what is there.

`wave_of` is pure (WAV bytes from the standard library); `Player` is a thread that plays one after another, so
that a sound never holds the bench up. A sound is asked for only after its record is on the disk: a beep
means that it is kept. Without a sound device there is one warning, and work goes on.
"""

from __future__ import annotations

import array
import io
import math
import queue
import shutil
import subprocess
import threading
import wave
from collections.abc import Callable
from typing import get_args

import msgspec

from meterlink.bench.events import Effect, SoundName

RATE = 22050  # samples per second
RAMP_S = 0.004  # fade in and out, so that no click is heard
PAUSE = 0.0  # a pitch of 0 Hz is a pause

Tone = tuple[float, float]  # Hz, seconds

# High means done, low means look; the count of tones tells the rest. A short is a falling pair that repeats: the one
# result that a technician must not take for another.
TONES: dict[str, tuple[Tone, ...]] = {
    "kept": ((880, 0.09),),
    "ok": ((1320, 0.07), (PAUSE, 0.03), (1760, 0.09)),
    "not-ok": ((440, 0.12), (PAUSE, 0.05), (440, 0.12)),
    "short": ((660, 0.08), (330, 0.14), (PAUSE, 0.05), (660, 0.08), (330, 0.14)),
    "refused": ((220, 0.30),),
    "wrong-function": ((330, 0.07), (PAUSE, 0.04)) * 3,
    "moved": ((660, 0.05), (880, 0.05), (660, 0.05)),
    "no-board": ((220, 0.10), (PAUSE, 0.05), (220, 0.10), (PAUSE, 0.05), (220, 0.10)),
    "stepped": ((1100, 0.04),),
    "sheet-done": ((660, 0.08), (880, 0.08), (1100, 0.20)),
    "passed-over": ((1100, 0.10), (PAUSE, 0.05), (660, 0.10), (PAUSE, 0.05), (1100, 0.10)),
    "taken-back": ((880, 0.06), (660, 0.06), (440, 0.08)),
    "confirm": ((550, 0.10), (PAUSE, 0.06), (825, 0.16)),
    "alarm": ((988, 0.15), (740, 0.15)) * 4,
    "short-cleared": ((440, 0.08), (660, 0.08), (880, 0.08), (1320, 0.16)),
}
PLAYERS = (("pw-play", "-"), ("paplay", ""), ("aplay", "-q"), ("play", "-q"))  # by what systems usually have


class Settings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The [sound] table: on or off, volume 0 to 1, and whether value and verdict are spoken (espeak-ng)."""

    on: bool = True
    volume: float = 0.6
    speak: bool = False


def length_s(name: str) -> float:
    """How long a sound is, in seconds."""
    return sum(seconds for _, seconds in TONES[name])


def wave_of(name: SoundName, volume: float) -> bytes:
    """A sound as a WAV file: mono, 16 bit, RATE samples a second; volume 0 to 1."""
    samples = array.array("h")
    for hertz, seconds in TONES[name]:
        n = round(seconds * RATE)
        ramp = RAMP_S * RATE
        for i in range(n):
            edge = min(1.0, i / ramp, (n - 1 - i) / ramp)
            samples.append(round(32000 * volume * edge * math.sin(2 * math.pi * hertz * i / RATE)))
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(RATE)
        file.writeframes(samples.tobytes())
    return out.getvalue()


def player_command() -> list[str] | None:
    """The command that plays a WAV file named after it, or None where the system has none."""
    for name, option in PLAYERS:
        if path := shutil.which(name):
            return [path, *([option] if option not in ("", "-") else [])]
    return None


class Player:
    """Plays effects one after another in a thread of its own; `warn` is told once when nothing can be played."""

    WAITING = 8  # a technician does not listen to older ones

    def __init__(self, settings: Settings, folder: str, warn: Callable[[str], None]) -> None:
        self._settings = settings
        self._folder = folder
        self._warn: Callable[[str], None] | None = warn
        self._queue: queue.Queue[Effect | None] = queue.Queue(self.WAITING)
        self._command = player_command() if settings.on else None
        self._files: dict[str, str] = {}
        self._voice = shutil.which("espeak-ng") if settings.speak else None
        self._thread = threading.Thread(target=self._run, name="sound", daemon=True)
        if settings.on:
            self._thread.start()
            if self._command is None:
                self._fail("no player found (pw-play, paplay, aplay or play)")
            if settings.speak and self._voice is None:
                self._fail("espeak-ng is not installed")

    def play(self, effect: Effect) -> None:
        """Ask for an effect's sound; never waits. When too many wait, the new one is left out."""
        if self._settings.on:
            try:
                self._queue.put_nowait(effect)
            except queue.Full:
                pass  # older sounds are still being played; the screen and the journal have this one

    def end(self) -> None:
        """Play what waits, then end."""
        if self._settings.on:
            self._queue.put(None)
            self._thread.join(5.0)

    def _run(self) -> None:
        while (effect := self._queue.get()) is not None:
            if self._command:
                self._call([*self._command, self._file(effect.sound)])
            if self._voice:
                self._call([self._voice, "-a", str(round(100 * self._settings.volume)), "--", effect.text])

    def _file(self, name: SoundName) -> str:
        if name not in self._files:
            path = f"{self._folder}/{name}.wav"
            with open(path, "wb") as file:  # noqa: PTH123 - a name for another program's command line
                file.write(wave_of(name, self._settings.volume))
            self._files[name] = path
        return self._files[name]

    def _call(self, command: list[str]) -> None:
        try:
            done = subprocess.run(command, capture_output=True, timeout=15, check=False)
        except (OSError, subprocess.TimeoutExpired) as error:
            self._fail(str(error))
            return
        if done.returncode:
            self._fail(done.stderr.decode(errors="replace").strip().split("\n")[0])

    def _fail(self, why: str) -> None:
        if self._warn:
            self._warn(f"no sound: {why}; work goes on, the screen tells the same")
            self._warn = None


assert set(TONES) == set(get_args(SoundName))  # every sound the bench can ask for has tones
