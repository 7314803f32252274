"""SCPI over a plain TCP socket, as bench instruments offer it: raw, no telnet; the port by the maker's manual."""

from __future__ import annotations

import select
import socket

from meterlink.errors import BadInput, LinkLost

CONNECT_S = 3.0
WRITE_S = 2.0
CHUNK = 4096


class TcpLink:
    """One connection. The instrument sees it come and go; many allow a single one at a time."""

    def __init__(self, address: str) -> None:
        """Connect to HOST:PORT (an IPv6 address in brackets). Raises LinkLost."""
        host, port = split(address)
        self._where = f"tcp:{address}"
        try:
            self._socket = socket.create_connection((host, port), CONNECT_S)
        except (socket.gaierror, UnicodeError) as error:  # UnicodeError: no name that DNS could hold
            raise LinkLost(f"{self._where}: no host of that name: check the name, or give its number") from error
        except ConnectionRefusedError as error:
            raise LinkLost(
                f"{self._where} refuses: is the port number right, and does the instrument serve no one else?"
            ) from error
        except OSError as error:
            raise LinkLost(f"{self._where} cannot be reached: is it on and in this network? ({error})") from error
        self._socket.settimeout(WRITE_S)
        # a query is a few bytes: it goes out at once; an instrument that was switched off is noticed in time
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)

    def read(self, wait_s: float) -> bytes:
        try:
            ready, _, _ = select.select([self._socket], [], [], max(wait_s, 0.0))
            if not ready:
                return b""
            data = self._socket.recv(CHUNK)
        except (OSError, ValueError) as error:  # ValueError: closed, and so without a descriptor
            raise LinkLost(f"{self._where} went away: {error}") from error
        if not data:
            raise LinkLost(f"{self._where} closed the connection: is it still on?")
        return data

    def write(self, data: bytes) -> None:
        try:
            self._socket.sendall(data)
        except OSError as error:
            raise LinkLost(f"{self._where} takes no bytes: {error}") from error

    def close(self) -> None:
        self._socket.close()


def split(address: str) -> tuple[str, int]:
    """("bench-psu", 5025) of "bench-psu:5025"; ("::1", 5025) of "[::1]:5025". Raises BadInput."""
    host, _, number = address.rpartition(":")
    if not host or not number.isdecimal() or not 0 < int(number) < 65536:
        raise BadInput(f"tcp:{address}: give a host and a port number, as in tcp:192.0.2.7:5025")
    return host.removeprefix("[").removesuffix("]"), int(number)
