"""A real Chromium without a window, spoken to through its DevTools pipe; no driver is needed.

Protocol: Chrome DevTools Protocol, messages of JSON that end in a zero byte, on file
descriptors 3 (to the browser) and 4 (from it).
"""

from __future__ import annotations

import base64
import contextlib
import json
import os
import select
import shutil
import subprocess
import tempfile
import time
from pathlib import Path

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)
_PATIENCE_S = 60.0


class Browser:
    """One Chromium with one page."""

    def __init__(self) -> None:
        self.folder = tempfile.mkdtemp(prefix="browser-")
        to_read, self._write = os.pipe()
        self._read, to_write = os.pipe()
        command = [
            CHROMIUM, "--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars",
            "--disable-dev-shm-usage", "--no-first-run", "--disable-background-networking",
            "--disable-component-update", "--remote-debugging-pipe",
            f"--user-data-dir={self.folder}", "about:blank",
        ]  # fmt: skip

        def give_pipes():
            os.dup2(to_read, 63)
            os.dup2(to_write, 64)
            os.dup2(63, 3)
            os.dup2(64, 4)

        self.process = subprocess.Popen(
            command, preexec_fn=give_pipes, close_fds=False,  # noqa: PLW1509 - before any thread
            start_new_session=True,
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        os.close(to_read)
        os.close(to_write)
        self._buffer, self._number, self.events, self.session = b"", 0, [], None
        targets = self.send("Target.getTargets")["targetInfos"]
        target = next(t["targetId"] for t in targets if t["type"] == "page")
        attached = self.send("Target.attachToTarget", targetId=target, flatten=True)
        self.session = attached["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.send(f"{domain}.enable")

    def close(self) -> None:
        with contextlib.suppress(Exception):
            self.session = None
            self.send("Browser.close")
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.process.wait(timeout=10)
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        os.close(self._read)
        os.close(self._write)
        shutil.rmtree(self.folder, ignore_errors=True)

    def send(self, method: str, **parameters: object) -> dict:
        self._number += 1
        message = {"id": self._number, "method": method, "params": parameters}
        if self.session is not None:
            message["sessionId"] = self.session
        os.write(self._write, json.dumps(message).encode() + b"\0")
        until = time.monotonic() + _PATIENCE_S
        while True:
            answer = self._next(until)
            if answer.get("id") == self._number:
                assert "error" not in answer, answer["error"]
                return answer["result"]
            self.events.append(answer)

    def _next(self, until: float) -> dict:
        while b"\0" not in self._buffer:
            left = until - time.monotonic()
            assert left > 0 and select.select([self._read], [], [], left)[0], "no answer"
            part = os.read(self._read, 1 << 20)
            assert part, "the browser has gone"
            self._buffer += part
        text, _, self._buffer = self._buffer.partition(b"\0")
        return json.loads(text)

    def open(self, path: Path, *, script: bool = True) -> None:
        """Open a file and wait until it is loaded."""
        self.events.clear()
        self.send("Emulation.setScriptExecutionDisabled", value=not script)
        self.send("Page.navigate", url=path.resolve().as_uri())
        until = time.monotonic() + _PATIENCE_S
        while not any(e.get("method") == "Page.loadEventFired" for e in self.events):
            self.events.append(self._next(until))

    def ask(self, expression: str) -> object:
        """The value of an expression, a promise waited for."""
        result = self.send(
            "Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True
        )
        assert "exceptionDetails" not in result, result["exceptionDetails"]
        return result["result"].get("value")

    def screen(self, width: int, height: int, *, dark: bool = False, phone: bool = False) -> None:
        self.send(
            "Emulation.setDeviceMetricsOverride", width=width, height=height,
            deviceScaleFactor=2 if phone else 1, mobile=phone,
        )  # fmt: skip
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.send("Emulation.setEmulatedMedia", features=[scheme])

    def picture(self) -> bytes:
        """The whole page as PNG."""
        shot = self.send("Page.captureScreenshot", captureBeyondViewport=True)
        return base64.b64decode(shot["data"])

    def paper(self, *, width_in: float = 8.27, height_in: float = 11.69) -> bytes:
        """The page as Chromium prints it, A4 unless told otherwise."""
        printed = self.send(
            "Page.printToPDF", paperWidth=width_in, paperHeight=height_in,
            preferCSSPageSize=False, printBackground=False,
        )  # fmt: skip
        return base64.b64decode(printed["data"])

    def messages(self) -> list[str]:
        """What the page complained of."""
        found = []
        for event in self.events:
            if event.get("method") == "Runtime.exceptionThrown":
                found.append(event["params"]["exceptionDetails"].get("text", ""))
            elif event.get("method") == "Log.entryAdded":
                found.append(event["params"]["entry"]["text"])
            elif event.get("method") == "Runtime.consoleAPICalled":
                found.append(str(event["params"]["args"]))
        return found
