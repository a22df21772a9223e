"""Drive a headless Chromium through its debugging pipe: no port, no package, no network."""

from __future__ import annotations

import itertools
import json
import os
import select
import subprocess
import time
from pathlib import Path
from types import TracebackType
from typing import Any, Self

FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--remote-debugging-pipe", "--window-size=900,1300",
)  # fmt: skip


class Browser:
    """One page of one browser; everything that it says is kept in `events`."""

    def __init__(self, program: str, profile: Path) -> None:
        to_browser, self._write = os.pipe()
        self._read, from_browser = os.pipe()
        # The browser reads commands from descriptor 3 and writes answers to descriptor 4.
        line = f'exec "$0" "$@" 3<&{to_browser} 4>&{from_browser}'
        self._process = subprocess.Popen(
            ["bash", "-c", line, program, *FLAGS, f"--user-data-dir={profile}", "about:blank"],
            pass_fds=(to_browser, from_browser),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(to_browser)
        os.close(from_browser)
        self._numbers, self._buffer = itertools.count(1), b""
        self.events: list[dict[str, Any]] = []
        targets = self.call("Target.getTargets")["targetInfos"]
        page = next(t["targetId"] for t in targets if t["type"] == "page")
        self._session = ""
        self._session = self.call("Target.attachToTarget", targetId=page, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.call(f"{domain}.enable")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        os.close(self._write)  # the browser ends when its commands end
        try:
            self._process.wait(timeout=20)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        os.close(self._read)

    def call(self, method: str, **parameters: Any) -> dict[str, Any]:
        """Send a command and wait for its answer."""
        number = next(self._numbers)
        message: dict[str, Any] = {"id": number, "method": method, "params": parameters}
        if getattr(self, "_session", ""):
            message["sessionId"] = self._session
        os.write(self._write, json.dumps(message).encode() + b"\0")
        end = time.monotonic() + 60
        while time.monotonic() < end:
            answer = self._next(end)
            if answer.get("id") == number:
                assert "error" not in answer, answer["error"]
                return dict(answer["result"])
            self.events.append(answer)
        raise TimeoutError(method)

    def _next(self, end: float) -> dict[str, Any]:
        while b"\0" not in self._buffer:
            ready, _, _ = select.select([self._read], [], [], max(0.0, end - time.monotonic()))
            if not ready:
                raise TimeoutError("the browser says nothing")
            part = os.read(self._read, 1 << 16)
            if not part:
                raise ConnectionError("the browser has ended")
            self._buffer += part
        text, self._buffer = self._buffer.split(b"\0", 1)
        return dict(json.loads(text))

    def open(self, page: Path) -> None:
        """Load a page and wait until it is complete."""
        self.call("Page.navigate", url=page.as_uri())
        end = time.monotonic() + 30
        while self.value("document.readyState") != "complete" or self.value("location.href") == "about:blank":
            assert time.monotonic() < end, "the page does not load"
            time.sleep(0.05)

    def value(self, expression: str) -> Any:
        """Return the value of an expression in the page."""
        found = self.call("Runtime.evaluate", expression=expression, returnByValue=True)
        assert "exceptionDetails" not in found, found
        return found["result"].get("value")

    def hover(self, expression: str) -> None:
        """Move the pointer onto the middle of an element."""
        box = self.value(
            f"(() => {{ const e = {expression}; e.scrollIntoView({{block: 'center'}});"
            " const r = e.getBoundingClientRect(); return [r.x + r.width / 2, r.y + r.height / 2]; })()"
        )
        self.call("Input.dispatchMouseEvent", type="mouseMoved", x=box[0], y=box[1])

    def press(self, key: str, code: int) -> None:
        """Press and release a key."""
        for kind in ("keyDown", "keyUp"):
            self.call("Input.dispatchKeyEvent", type=kind, key=key, code=key, windowsVirtualKeyCode=code)

    def requests(self) -> list[str]:
        """Return the addresses asked for, but for the page itself and pictures inside it."""
        asked = [
            e["params"]["request"]["url"] for e in self.events if e["method"] == "Network.requestWillBeSent"
        ]
        return [url for url in asked if not url.startswith(("file:", "data:", "about:"))]

    def complaints(self) -> list[str]:
        """Return errors and warnings of the page."""
        found = []
        for event in self.events:
            if event["method"] == "Runtime.exceptionThrown":
                found.append(str(event["params"]["exceptionDetails"]))
            if event["method"] == "Runtime.consoleAPICalled" and event["params"]["type"] in {
                "error",
                "warning",
            }:
                found.append(str(event["params"]["args"]))
            if event["method"] == "Log.entryAdded" and event["params"]["entry"]["level"] in {
                "error",
                "warning",
            }:
                found.append(event["params"]["entry"]["text"])
        return found
