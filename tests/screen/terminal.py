"""A program in a real terminal: tmux sends the keys and reads what stands there."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.service.conftest import until

tmux = pytest.mark.skipif(shutil.which("tmux") is None, reason="tmux is not installed")


class Terminal:
    """One terminal with one program in it."""

    def __init__(self, socket: Path, columns: int, rows: int, *command: str) -> None:
        self._tmux = ("tmux", "-S", str(socket), "-f", os.devnull)
        size = ("-x", str(columns), "-y", str(rows))
        self._do("new-session", "-d", "-s", "t", *size, "env", "TERM=xterm-256color", *command)
        self._do("set-option", "-t", "t", "remain-on-exit", "on")

    def _do(self, *words: str) -> str:
        return subprocess.run([*self._tmux, *words], check=True, capture_output=True, text=True).stdout

    def keys(self, *keys: str) -> None:
        self._do("send-keys", "-t", "t", *keys)

    @property
    def text(self) -> str:
        return self._do("capture-pane", "-p", "-t", "t")

    @property
    def ended(self) -> bool:
        return self._do("display-message", "-p", "-t", "t", "#{pane_dead}").strip() == "1"

    def at_once(self, text: str) -> None:
        """All of it in one write, as a scanner, a paste or a script sends it; \\r is Enter."""
        self._do("send-keys", "-t", "t", "-l", text)

    def paste(self, text: str) -> None:
        """As a terminal pastes it: between the marks of a bracketed paste, where the program asked for them."""
        self._do("set-buffer", text)
        self._do("paste-buffer", "-p", "-r", "-t", "t")

    def shows(self, words: str) -> None:
        until(lambda: words in self.text, what=f"{words!r} in\n{self.text}")

    def end(self) -> None:
        subprocess.run([*self._tmux, "kill-server"], check=False, capture_output=True)
