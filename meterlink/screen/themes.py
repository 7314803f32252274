"""Two themes: light letters on dark ground, and the other way round. Their contrast: tests/screen/test_screen.py."""

from __future__ import annotations

from textual.theme import Theme

DARK = Theme(
    name="bench dark",
    primary="#9fc3d9",
    foreground="#f4f1e8",
    background="#101418",
    surface="#1a2026",
    panel="#252d35",
    success="#7fd18a",
    warning="#f2c14e",
    error="#ff8a75",
    dark=True,
    variables={"quiet": "#9aa7b2"},
)
LIGHT = Theme(
    name="bench light",
    primary="#1f4e6b",
    foreground="#14181b",
    background="#fbfaf6",
    surface="#f0eee6",
    panel="#e2dfd3",
    success="#14662a",
    warning="#7a4b00",
    error="#a3130f",
    dark=False,
    variables={"quiet": "#4e5a63"},
)
