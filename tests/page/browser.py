"""A real browser without a window, driven over a pipe: messages of its debugging protocol, each ended by a zero."""

from __future__ import annotations

import base64
import json
import os
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

NAMES = ("chromium", "chromium-browser", "google-chrome")


def find_browser() -> str | None:
    return next((path for name in NAMES if (path := shutil.which(name))), None)


class NoAnswer(Exception):
    """The browser refused a message, or the page it was for has gone."""


class Browser:
    """One page of a browser; ``requests`` and ``complaints`` (of its console, of its policy) since it was opened."""

    def __init__(self, to_browser: Any, from_browser: Any) -> None:
        self._write, self._read = to_browser, from_browser
        self._count = 0
        self.requests: list[str] = []
        self.complaints: list[str] = []
        target = self._send("Target.createTarget", {"url": "about:blank"})["targetId"]
        self._session = self._send("Target.attachToTarget", {"targetId": target, "flatten": True})["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.send(f"{domain}.enable")

    def send(self, method: str, **parameters: Any) -> dict[str, Any]:
        return self._send(method, parameters, self._session)

    def open(self, path: Path) -> None:
        """Load a file, and wait until it stands."""
        self.requests.clear()
        self.complaints.clear()
        self.send("Page.navigate", url=path.absolute().as_uri())
        while self._receive().get("method") != "Page.loadEventFired":
            pass

    def run(self, script: str) -> Any:
        """What an expression comes to in the page; promises are waited for."""
        answer = self.send("Runtime.evaluate", expression=script, awaitPromise=True, returnByValue=True)
        assert "exceptionDetails" not in answer, answer
        return answer["result"].get("value")

    def wait_for(self, script: str, seconds: float = 10.0) -> None:
        """Until the expression is true. Asked anew each time: a page that gives way to another never answers."""
        until = time.monotonic() + seconds
        while True:
            try:
                if self.run(script):
                    return
            except NoAnswer:
                if time.monotonic() > until:
                    raise
            assert time.monotonic() < until, f"waited in vain for {script}"
            time.sleep(0.02)

    def press(self, key: str, code: int) -> None:
        for kind in ("keyDown", "keyUp"):
            self.send("Input.dispatchKeyEvent", type=kind, key=key, code=key, windowsVirtualKeyCode=code)

    def click(self, selector: str) -> None:
        """On the middle of an element."""
        place = f"""(() => {{
            const element = document.querySelector({json.dumps(selector)});
            element.scrollIntoView({{ block: "center" }});
            const box = element.getBoundingClientRect();
            return [box.x + box.width / 2, box.y + box.height / 2];
        }})()"""
        x, y = self.run(place)
        self.click_at(x, y)

    def click_at(self, x: float, y: float) -> None:
        for kind in ("mousePressed", "mouseReleased"):
            self.send("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", clickCount=1)

    def picture(self, path: Path, width: int, *, height: int | None = None, dark: bool = False) -> None:
        """A PNG of the page at a width, whole or from its top; for people to look at."""
        self.send(
            "Emulation.setDeviceMetricsOverride", width=width, height=900, deviceScaleFactor=1, mobile=width < 500
        )
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.send("Emulation.setEmulatedMedia", features=[scheme])
        self.run("new Promise((done) => setTimeout(done, 300))")
        whole = self.run("document.documentElement.scrollHeight") if height is None else height
        clip = {"x": 0, "y": 0, "width": width, "height": whole, "scale": 1}
        shot = self.send("Page.captureScreenshot", captureBeyondViewport=True, clip=clip)
        path.write_bytes(base64.b64decode(shot["data"]))

    def _send(self, method: str, parameters: dict[str, Any], session: str | None = None) -> dict[str, Any]:
        self._count += 1
        message = {"id": self._count, "method": method, "params": parameters}
        if session is not None:
            message["sessionId"] = session
        self._write.write(json.dumps(message).encode() + b"\0")
        self._write.flush()
        while (answer := self._receive()).get("id") != self._count:
            pass
        if "error" in answer:
            raise NoAnswer(f"{method}: {answer['error']}")
        return dict(answer["result"])

    def _receive(self) -> dict[str, Any]:
        data = bytearray()
        while (byte := self._read.read(1)) != b"\0":
            assert byte, "the browser has gone"
            data += byte
        message: dict[str, Any] = json.loads(data)
        method, of = message.get("method"), message.get("params", {})
        if method == "Network.requestWillBeSent":
            self.requests.append(of["request"]["url"])
        elif method == "Log.entryAdded":
            self.complaints.append(of["entry"]["text"])
        elif method == "Runtime.exceptionThrown":
            self.complaints.append(json.dumps(of["exceptionDetails"]))
        elif method == "Runtime.consoleAPICalled":
            self.complaints.append(json.dumps(of["args"]))
        return message


@contextmanager
def browsing(binary: str, profile: Path) -> Iterator[Browser]:
    """A browser of our own for the time of a ``with`` block; its profile lies in an empty folder."""
    read_by_it, to_it = os.pipe()
    from_it, written_by_it = os.pipe()
    # it reads from 3 and writes to 4
    plumbing = f'exec "$@" 3<&{read_by_it} 4>&{written_by_it}'
    options = [
        "--headless=new",
        "--no-sandbox",
        "--disable-gpu",
        "--remote-debugging-pipe",
        f"--user-data-dir={profile}",
    ]
    options += ["--disable-dev-shm-usage", "--no-first-run", "--disable-background-networking", "--hide-scrollbars"]
    process = subprocess.Popen(
        ["bash", "-c", plumbing, "bash", binary, *options],
        pass_fds=(read_by_it, written_by_it),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    os.close(read_by_it)
    os.close(written_by_it)
    try:
        with os.fdopen(to_it, "wb") as writing, os.fdopen(from_it, "rb") as reading:
            yield Browser(writing, reading)
    finally:
        process.terminate()
        process.wait(timeout=20)
