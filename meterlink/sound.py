"""Sounds, told apart without looking: each has its own rhythm and its own pitch; made here, played by what is there.

`wave_of` is pure (WAV bytes from the standard library); `Player` is a thread that plays one after another, so
that a sound never holds the bench up. A sound is asked for only after its record is on the disk: a beep
means that it is kept. What is wrong with the sound is told once, stands in `problem` until it works again, and
work goes on: whatever the player's program does, it ends neither the thread nor the wait for its end.
"""

from __future__ import annotations

import array
import io
import math
import os
import queue
import shutil
import signal
import subprocess
import threading
import wave
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Annotated, get_args

import msgspec

from meterlink.bench.events import Effect, SoundName
from meterlink.visible import hidden

RATE = 22050  # samples per second
RAMP_S = 0.004  # fade in and out, so that no click is heard
END_S = 5.0  # what waits at the end is played for so long
LONGEST_S = 15.0  # of one program
LONGEST_SPOKEN = 300  # characters
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
    "stepped": ((1100, 0.04),),
    "taken-back": ((880, 0.06), (660, 0.06), (440, 0.08)),
    "confirm": ((550, 0.10), (PAUSE, 0.06), (825, 0.16)),
    "alarm": ((988, 0.15), (740, 0.15)) * 4,
    "short-cleared": ((440, 0.08), (660, 0.08), (880, 0.08), (1320, 0.16)),
    "no-board": ((262, 0.20), (PAUSE, 0.05), (392, 0.07), (PAUSE, 0.05), (392, 0.07)),
    "sheet-done": ((1047, 0.14), (PAUSE, 0.06), (1047, 0.14), (PAUSE, 0.06), (1568, 0.36)),
    "passed-over": ((1047, 0.14), (PAUSE, 0.06), (523, 0.24), (PAUSE, 0.10), (1047, 0.07), (PAUSE, 0.05), (1047, 0.07)),
}
PLAYERS = (("pw-play", "-"), ("paplay", ""), ("aplay", "-q"), ("play", "-q"))  # by what systems usually have


class Settings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The [sound] table: on or off, volume 0 to 1, and whether value and verdict are spoken (espeak-ng)."""

    on: bool = True
    volume: Annotated[float, msgspec.Meta(ge=0, le=1)] = 0.6
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
    """Plays effects one after another in a thread of its own.

    problem  what is wrong with the sound now: no player, a program that fails, no voice; None when it works
    `warn` is told when that begins and when it is over.
    """

    WAITING = 8  # a technician does not listen to older ones

    def __init__(self, settings: Settings, folder: str, warn: Callable[[str], None]) -> None:
        self.problem: str | None = None
        self._problems: dict[str, str] = {}
        self._settings = settings
        self._folder = Path(folder)
        self._warn = warn
        self._queue: queue.Queue[Effect | None] = queue.Queue(self.WAITING)
        self._child: subprocess.Popen[bytes] | None = None
        self._over = False
        self._thread = threading.Thread(target=self._run, name="sound", daemon=True)
        if settings.on:
            self._programs()
            self._thread.start()

    def play(self, effect: Effect) -> None:
        """Ask for an effect's sound; never waits. When too many wait, the new one is left out."""
        if self._settings.on:
            try:
                self._queue.put_nowait(effect)
            except queue.Full:
                pass  # older sounds are still being played; the screen and the journal have this one

    def end(self) -> None:
        """Play what waits, then end; what is still played after END_S is cut off."""
        if not self._settings.on:
            return
        while True:
            try:
                self._queue.put_nowait(None)
                break
            except queue.Full:
                with suppress(queue.Empty):
                    self._queue.get_nowait()
        self._thread.join(END_S)
        self._over = True
        if child := self._child:
            _kill(child)

    def _run(self) -> None:
        while (effect := self._queue.get()) is not None and not self._over:
            player, voice = self._programs()
            if player:
                try:
                    file = self._file(effect.sound)
                except OSError as error:
                    self._now("player", f"{error.filename or self._folder} cannot be written: {error.strerror}")
                else:
                    self._call("player", [*player, file])
            if voice:
                volume = str(round(100 * self._settings.volume))
                self._call("voice", [voice, "-a", volume, "--", _spoken(effect.text)])

    def _programs(self) -> tuple[list[str] | None, str | None]:
        """Player and voice as the system has them now: one that is installed meanwhile is found."""
        player = player_command()
        if player is None:
            self._now("player", "no player found (pw-play, paplay, aplay or play)")
        voice = shutil.which("espeak-ng") if self._settings.speak else None
        if self._settings.speak and voice is None:
            self._now("voice", "espeak-ng is not installed")
        return player, voice

    def _file(self, name: SoundName) -> str:
        path = self._folder / f"{name}.wav"
        if not path.exists():
            part = path.with_suffix(".part")
            part.write_bytes(wave_of(name, self._settings.volume))
            part.replace(path)
        return str(path)

    def _call(self, which: str, command: list[str]) -> None:
        """Run a program to its end, LONGEST_S at most; what it says of an error is read, never waited for."""
        told, end = os.pipe()
        try:
            child = subprocess.Popen(
                command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=end, start_new_session=True
            )
        except (OSError, ValueError) as error:
            self._now(which, str(error))
            os.close(told)
            return
        finally:
            os.close(end)
        self._child = child
        try:
            code = child.wait(LONGEST_S)
            self._now(which, self._said(told) or f"{command[0]} ended with {code}" if code else None)
        except subprocess.TimeoutExpired:
            self._now(which, f"{command[0]} did not end in {LONGEST_S:g} s")
            _kill(child)
        finally:
            self._child = None
            os.close(told)

    @staticmethod
    def _said(pipe: int) -> str:
        os.set_blocking(pipe, False)
        with suppress(OSError):  # nothing was said
            return os.read(pipe, 2000).decode(errors="replace").strip().split("\n")[0]
        return ""

    def _now(self, which: str, why: str | None) -> None:
        """What is wrong with the player or the voice now, or that it works."""
        before = self.problem
        self._problems.pop(which, None)
        if why:
            self._problems[which] = why
        self.problem = "; ".join(self._problems.values()) or None
        with suppress(OSError):  # the terminal was closed
            if self.problem and not before:
                self._warn(f"no sound: {self.problem}; work goes on, the screen tells the same")
            elif before and not self.problem:
                self._warn("sound works again")


def _spoken(text: str) -> str:
    """A text as an argument of a program: nothing hidden, no NUL, no half of a surrogate pair, and not for minutes."""
    return "".join(c for c in text if not hidden(c))[:LONGEST_SPOKEN]


def _kill(child: subprocess.Popen[bytes]) -> None:
    """End a program of ours and what it started in its session."""
    if child.poll() is None:
        with suppress(OSError):
            os.killpg(child.pid, signal.SIGKILL)
        with suppress(subprocess.TimeoutExpired):
            child.wait(1.0)


assert set(TONES) == set(get_args(SoundName))  # every sound the bench can ask for has tones
