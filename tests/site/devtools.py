"""A browser to look at pages with, driven over a pipe: sizes, keys, scripts, pictures, print."""

import base64
import json
import os
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from tests.report.chromium import SWITCHES


class Tab:
    """One page in the browser."""

    def __init__(self, to: int, back: int) -> None:
        self._to, self._back = os.fdopen(to, "wb", buffering=0), os.fdopen(back, "rb", buffering=0)
        self._rest, self._last, self._session = b"", 0, None
        self.message: list[str] = []  # what the console and the browser complained of
        target = self._ask("Target.createTarget", url="about:blank")["targetId"]
        self._session = self._ask("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Log"):
            self._ask(f"{domain}.enable")

    def close(self) -> None:
        self._session = None
        self._ask("Browser.close")
        self._to.close()
        self._back.close()

    def size(self, width: int, height: int) -> None:
        self._ask(
            "Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1,
            mobile=width < 600,
        )  # fmt: skip

    def scripts(self, *, run: bool) -> None:
        self._ask("Emulation.setScriptExecutionDisabled", value=not run)

    def media(self, name: str) -> None:
        self._ask("Emulation.setEmulatedMedia", media=name)

    def scheme(self, name: str) -> None:
        """What the person likes: "light", "dark" or "" for nothing said."""
        self._ask("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": name}])

    def open(self, address: str) -> None:
        answer = self._ask("Page.navigate", url=address)
        assert "errorText" not in answer, answer
        self._until("Page.loadEventFired")

    def back(self) -> None:
        history = self._ask("Page.getNavigationHistory")
        before = history["entries"][history["currentIndex"] - 1]
        self._ask("Page.navigateToHistoryEntry", entryId=before["id"])
        self._until("Page.loadEventFired")

    def find(self, expression: str) -> Any:
        """What an expression is on the page; waits for a promise."""
        answer = self._ask("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in answer, answer
        return answer["result"].get("value")

    def press(self, key: str) -> None:
        codes = {"Tab": 9, "Enter": 13}
        for kind in ("keyDown", "keyUp"):
            text = {"text": "\r"} if key == "Enter" and kind == "keyDown" else {}
            self._ask(
                "Input.dispatchKeyEvent",
                type=kind,
                key=key,
                code=key,
                windowsVirtualKeyCode=codes[key],
                **text,
            )

    def write(self, text: str) -> None:
        self._ask("Input.insertText", text=text)

    def shot(self, path: Path, *, whole: bool = False) -> Path:
        answer = self._ask("Page.captureScreenshot", format="png", captureBeyondViewport=whole)
        path.write_bytes(base64.b64decode(answer["data"]))
        return path

    def paper(self) -> bytes:
        return base64.b64decode(self._ask("Page.printToPDF", preferCSSPageSize=True)["data"])

    def tree(self) -> list[tuple[str, str]]:
        """Role and name of everything that a screen reader is told of, in order.

        It grows as the page is laid out, so it is asked for until it stays as it is.
        """
        before, told = None, self._tree()
        while told != before:
            time.sleep(0.2)
            before, told = told, self._tree()
        return told

    def _tree(self) -> list[tuple[str, str]]:
        return [
            (node["role"]["value"], node.get("name", {}).get("value", ""))
            for node in self._ask("Accessibility.getFullAXTree")["nodes"]
            if not node.get("ignored")
        ]

    def _ask(self, method: str, **parameters: object) -> Any:
        self._last += 1
        message = {"id": self._last, "method": method, "params": parameters}
        if self._session:
            message["sessionId"] = self._session
        self._to.write(json.dumps(message).encode() + b"\0")
        return self._until(self._last)

    def _until(self, wanted: int | str) -> Any:
        """Read until an answer, by its number, or an event, by its name."""
        while True:
            while b"\0" not in self._rest:
                more = os.read(self._back.fileno(), 1 << 20)
                assert more, "the browser has gone"
                self._rest += more
            one, _, self._rest = self._rest.partition(b"\0")
            message = json.loads(one)
            method = message.get("method", "")
            if method in ("Runtime.exceptionThrown", "Log.entryAdded"):
                self.message.append(json.dumps(message["params"]))
            if message.get("id") == wanted:
                assert "error" not in message, message
                return message["result"]
            if method == wanted:
                return message["params"]


@contextmanager
def browser() -> Iterator[Tab]:
    """A tab of a headless browser. Skips without Chromium, which fails in CI."""
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        if os.environ.get("CI"):
            pytest.fail("chromium is not installed")
        pytest.skip("chromium is not installed (apt-get install chromium)")
    theirs_in, ours_out = os.pipe()
    ours_in, theirs_out = os.pipe()
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        # The browser reads from descriptor 3 and writes to descriptor 4.
        process = subprocess.Popen(
            ["/bin/bash", "-c", f'exec "$@" 3<&{theirs_in} 4>&{theirs_out}', "sh", program, *SWITCHES,
             f"--user-data-dir={profile}", "--remote-debugging-pipe"],
            pass_fds=(theirs_in, theirs_out), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        os.close(theirs_in)
        os.close(theirs_out)
        tab = None
        try:
            tab = Tab(ours_out, ours_in)
            yield tab
        finally:
            if tab is not None:
                try:
                    tab.close()
                    process.wait(timeout=10)
                except (OSError, AssertionError, subprocess.TimeoutExpired):
                    pass
            process.kill()
            process.wait()
