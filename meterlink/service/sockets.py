"""The service half of the socket: a thread per peer that carries requests to the loop and replies back."""

from __future__ import annotations

import queue
import resource
import socket
import socketserver
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import msgspec

from meterlink.errors import Refused
from meterlink.service.wire import LONGEST, TOO_MANY, connected, request_of

MOST = 200  # peers at once: each holds a descriptor, and a segment or a meter that comes back needs one too
SHARE = 4  # of all descriptors that this process may have, the part that peers may hold at most
FIRST_S = 10.0  # for a peer to say what it wants: one that says nothing holds a place that others need
SPEAKS_S = 1.0  # in which any peer of ours has asked: one that has not goes first when all places are taken
FULL_S = 0.1  # between two looks while the system has no descriptor left
WAITING = 5000  # messages a watcher may be behind before it is dropped: slow readers never slow the bench


class Ask(msgspec.Struct, frozen=True):
    """A request and where its reply goes."""

    request: dict[str, Any]
    reply: Callable[[dict[str, Any]], None]


class Watchers:
    """Those who watch: each has its own bounded queue, and is dropped when it is full."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._queues: list[queue.Queue[bytes | None]] = []

    def __len__(self) -> int:
        return len(self._queues)

    def add(self, first: dict[str, Any]) -> queue.Queue[bytes | None]:
        q: queue.Queue[bytes | None] = queue.Queue(WAITING)
        q.put(msgspec.json.encode(first) + b"\n")
        with self._lock:
            self._queues.append(q)
        return q

    def drop(self, q: queue.Queue[bytes | None]) -> None:
        with self._lock:
            if q in self._queues:
                self._queues.remove(q)

    def tell(self, message: dict[str, Any]) -> None:
        """Hand a message to all of them; never waits."""
        if not self._queues:
            return
        line = msgspec.json.encode(message) + b"\n"
        with self._lock:
            for q in list(self._queues):
                try:
                    q.put_nowait(line)
                except queue.Full:
                    self._queues.remove(q)
                    q.get_nowait()
                    q.put_nowait(None)

    def end(self) -> None:
        with self._lock:
            for q in self._queues:
                while True:
                    try:
                        q.put_nowait(None)
                        break
                    except queue.Full:
                        q.get_nowait()
            self._queues.clear()


class _Handler(socketserver.StreamRequestHandler):
    server: Server

    timeout = FIRST_S

    def handle(self) -> None:
        while True:
            try:
                line = self.rfile.readline(LONGEST)
            except TimeoutError:
                return
            self.server.heard(self.request)
            if not line.endswith(b"\n"):
                return
            try:
                request = request_of(line)
            except (ValueError, RecursionError) as error:
                self._send({"ok": False, "error": f"not a request: {error}", "code": 2})
                continue
            replies: queue.Queue[dict[str, Any]] = queue.Queue(1)
            self.server.put(Ask(request, replies.put))
            reply = replies.get()
            q = reply.pop("watch", None)
            self._send(reply)
            if q is not None:
                self.connection.settimeout(None)  # it is told as long as it listens; its queue is bounded
                self._watch(q)
                return

    def _send(self, message: dict[str, Any]) -> None:
        self.wfile.write(msgspec.json.encode(message) + b"\n")

    def _watch(self, q: queue.Queue[bytes | None]) -> None:
        try:
            while (line := q.get()) is not None:
                self.wfile.write(line)
        except OSError:
            pass  # the watcher has gone: that is how watching ends
        finally:
            self.server.watchers.drop(q)


class Server(socketserver.ThreadingMixIn, socketserver.UnixStreamServer):
    """Listens until `end()`. `put` hands an Ask to the loop."""

    daemon_threads = True
    request_queue_size = 128  # so many may come at once; one more is refused as if no service ran
    block_on_close = False

    def __init__(self, path: Path, put: Callable[[Ask], None], watchers: Watchers) -> None:
        self.put = put
        self._peers, self._lock = 0, threading.Lock()
        self._silent: dict[socket.socket, float] = {}  # peers that have asked nothing yet, since when; oldest first
        descriptors = resource.getrlimit(resource.RLIMIT_NOFILE)[0]
        self._most = MOST if descriptors == resource.RLIM_INFINITY else min(MOST, descriptors // SHARE)
        self.watchers = watchers
        if path.exists():
            try:
                with connected(path, 1.0):
                    raise Refused(f"another service answers on {path}: stop it first")
            except Refused:
                raise
            except Exception:  # noqa: BLE001 - whatever it is, nobody answers there: a left-over of a killed service
                path.unlink()
        super().__init__(str(path), _Handler)
        path.chmod(0o600)
        self._path = path
        self._thread = threading.Thread(target=self.serve_forever, name="socket", daemon=True, args=(0.1,))
        self._thread.start()

    def verify_request(self, request: Any, client_address: Any) -> bool:
        """Beyond the bound one peer is told so and let go: the oldest that says nothing, else the one that comes."""
        if self._peers < self._most:
            return True
        silent = self._silent_one()
        leaves = request if silent is None else silent
        with suppress(OSError):
            leaves.sendall(
                msgspec.json.encode({"ok": False, "error": TOO_MANY, "code": 4}) + b"\n", socket.MSG_DONTWAIT
            )
            leaves.shutdown(socket.SHUT_RDWR)  # ends its thread's wait
        return silent is not None

    def _silent_one(self) -> socket.socket | None:
        with self._lock:
            oldest = next(iter(self._silent), None)
            if oldest is None or time.monotonic() - self._silent[oldest] < SPEAKS_S:
                return None
            del self._silent[oldest]
            return oldest

    def heard(self, request: socket.socket) -> None:
        """A peer has asked something."""
        with self._lock:
            self._silent.pop(request, None)

    def get_request(self) -> tuple[Any, Any]:
        """Without a descriptor accepting fails at once, and would be tried again without a pause."""
        try:
            return super().get_request()
        except OSError:
            time.sleep(FULL_S)
            raise

    def process_request(self, request: Any, client_address: Any) -> None:
        with self._lock:
            self._peers += 1
            self._silent[request] = time.monotonic()
        super().process_request(request, client_address)

    def process_request_thread(self, request: Any, client_address: Any) -> None:
        try:
            super().process_request_thread(request, client_address)
        finally:
            with self._lock:
                self._peers -= 1
                self._silent.pop(request, None)

    def handle_error(self, request: object, client_address: object) -> None:
        """A peer that goes away in mid-reply is its own affair."""

    def end(self) -> None:
        self.watchers.end()
        self.shutdown()
        self.server_close()
        self._path.unlink(missing_ok=True)
