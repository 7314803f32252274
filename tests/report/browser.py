"""A headless Chromium with one page, spoken to over a pipe (Chrome DevTools Protocol, --remote-debugging-pipe:
JSON messages ended by a NUL byte, fd 3 in, fd 4 out)."""

from __future__ import annotations

import base64
import json
import os
import select
import shutil
import subprocess
import time
from pathlib import Path
from types import TracebackType
from typing import Any

CHROMIUM = shutil.which("chromium")
ARGUMENTS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--host-resolver-rules=MAP * ~NOTFOUND",
    "--remote-debugging-pipe",
)
PATIENCE_S = 60.0


class Browser:
    """One page. `requests` are the URLs that it asked for, `complaints` what its console was told."""

    def __init__(self, profile: Path) -> None:
        assert CHROMIUM
        inner, self._out = os.pipe()
        self._in, outer = os.pipe()

        def wire() -> None:  # the two ends become 3 and 4, whatever they are now
            a, b = os.dup(inner), os.dup(outer)
            os.dup2(a, 3)
            os.dup2(b, 4)

        self._process = subprocess.Popen(
            [CHROMIUM, *ARGUMENTS, f"--user-data-dir={profile}"],
            preexec_fn=wire, close_fds=False, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        os.close(inner)
        os.close(outer)
        self._buffer = b""
        self._number = 0
        self._events: list[dict[str, Any]] = []
        self._session: str | None = None
        self.requests: list[str] = []
        self.complaints: list[str] = []
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Network", "Log", "Runtime"):
            self.call(f"{domain}.enable")

    def __enter__(self) -> Browser:
        return self

    def __exit__(self, *_: type[BaseException] | BaseException | TracebackType | None) -> None:
        self._process.terminate()
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        os.close(self._in)
        os.close(self._out)

    def _message(self) -> dict[str, Any]:
        deadline = time.monotonic() + PATIENCE_S
        while b"\0" not in self._buffer:
            left = deadline - time.monotonic()
            assert left > 0 and select.select([self._in], [], [], left)[0], "the browser does not answer"
            data = os.read(self._in, 1 << 20)
            assert data, "the browser has gone"
            self._buffer += data
        text, _, self._buffer = self._buffer.partition(b"\0")
        message: dict[str, Any] = json.loads(text)
        match message.get("method"):
            case "Network.requestWillBeSent":
                self.requests.append(message["params"]["request"]["url"])
            case "Log.entryAdded":
                self.complaints.append(message["params"]["entry"]["text"])
            case "Runtime.consoleAPICalled" | "Runtime.exceptionThrown":
                self.complaints.append(str(message["params"]))
        if "method" in message:
            self._events.append(message)
        return message

    def call(self, method: str, **params: Any) -> dict[str, Any]:
        self._number += 1
        message: dict[str, Any] = {"id": self._number, "method": method, "params": params}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._out, json.dumps(message).encode() + b"\0")
        while (answer := self._message()).get("id") != self._number:
            pass
        assert "error" not in answer, answer
        result: dict[str, Any] = answer["result"]
        return result

    def open(self, url: str) -> None:
        """Load it, and wait until it is loaded and painted."""
        self._events.clear()
        self.call("Page.navigate", url=url)
        while not any(e["method"] == "Page.loadEventFired" for e in self._events):
            self._message()
        self.painted()

    def painted(self) -> None:
        self.ask("new Promise(r => requestAnimationFrame(() => requestAnimationFrame(() => r(1))))")

    def size(self, width: int, height: int) -> None:
        self.call("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=False)

    def ask(self, expression: str) -> Any:
        answer = self.call("Runtime.evaluate", expression=expression, awaitPromise=True, returnByValue=True)
        assert "exceptionDetails" not in answer, answer
        return answer["result"].get("value")

    def picture(self) -> bytes:
        """A PNG of the whole page."""
        return base64.b64decode(self.call("Page.captureScreenshot", captureBeyondViewport=True)["data"])

    def pdf(self) -> bytes:
        return base64.b64decode(self.call("Page.printToPDF", preferCSSPageSize=True, printBackground=True)["data"])
