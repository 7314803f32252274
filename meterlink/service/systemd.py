"""Tells systemd that the service is ready and that it lives (sd_notify(3): datagrams to NOTIFY_SOCKET)."""

from __future__ import annotations

import os
import socket
import time

_last = 0.0


def notify(state: str) -> None:
    """Send one state; without NOTIFY_SOCKET nothing happens."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
        try:
            sock.sendto(state.encode(), "\0" + address[1:] if address[0] == "@" else address)
        except OSError:
            pass  # a supervisor that does not listen must not stop the bench


def alive() -> None:
    """WATCHDOG=1 at half the period that systemd asked for (sd_watchdog_enabled(3))."""
    global _last
    period_us = int(os.environ.get("WATCHDOG_USEC", "0"))
    if period_us and time.monotonic() - _last >= period_us / 2e6:
        _last = time.monotonic()
        notify("WATCHDOG=1")
