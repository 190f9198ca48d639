"""A headless Chromium, driven over its debugging pipe (the Chrome DevTools Protocol), for tests of pages."""

from __future__ import annotations

import base64
import json
import os
import select
import shutil
import subprocess
import sys
import time
from importlib.resources import files
from pathlib import Path
from typing import Any

from tests.support.tools import needs

PROGRAM = shutil.which("chromium") or "chromium"
NEEDS_CHROMIUM = needs("chromium", package="chromium")
ANSWER_S = 60
AXE = files("axe_core_python").joinpath("axe.min.js")
START = """
import fcntl, os, sys
ours = [fcntl.fcntl(int(number), fcntl.F_DUPFD, 10) for number in sys.argv[1:3]]
os.dup2(ours[0], 3)
os.dup2(ours[1], 4)
os.execvp(sys.argv[3], sys.argv[3:])
"""  # a Chromium takes its commands from 3, and answers on 4


class Chromium:
    """One browser with one page. `notes` has what it said about the page: console messages, errors, requests."""

    def __init__(self, directory: Path, *words: str) -> None:
        to_it, self._write = os.pipe()
        self._read, from_it = os.pipe()
        command = [
            PROGRAM, "--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--no-first-run",
            "--remote-debugging-pipe", f"--user-data-dir={directory}", *words, "about:blank",
        ]  # fmt: skip
        self._process = subprocess.Popen(
            [sys.executable, "-c", START, str(to_it), str(from_it), *command],
            pass_fds=(to_it, from_it), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        os.close(to_it)
        os.close(from_it)
        self._pending, self._number, self._session = b"", 0, ""
        self.notes: list[dict[str, Any]] = []
        try:
            self._begin()
        except BaseException:
            self.close()
            raise

    def _begin(self) -> None:
        target = self.ask("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.ask("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.ask(f"{domain}.enable")

    def close(self) -> None:
        """End the browser."""
        os.close(self._write)
        self._process.kill()
        self._process.wait()
        os.close(self._read)

    def ask(self, method: str, **parameters: Any) -> dict[str, Any]:
        """The result of a command."""
        self._number += 1
        message = {"id": self._number, "method": method, "params": parameters}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._write, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._next()
            if answer.get("id") == self._number:
                assert "error" not in answer, answer
                return dict(answer["result"])
            self.notes.append(answer)

    def open(self, url: str) -> None:
        """Open a page and wait until it is loaded."""
        self.notes.clear()
        self.ask("Page.navigate", url=url)
        while not any(note.get("method") == "Page.loadEventFired" for note in self.notes):
            self.notes.append(self._next())

    def run(self, script: str) -> Any:
        """The value of an expression on the page; a promise is awaited."""
        result = self.ask("Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in result, result
        return result["result"].get("value")

    def press(self, key: str) -> None:
        """Press and let go a key, such as Tab or ArrowRight."""
        code = {"Tab": 9, "ArrowRight": 39, "ArrowDown": 40, "ArrowLeft": 37, "ArrowUp": 38, "End": 35, "Home": 36}
        for kind in ("rawKeyDown", "keyUp"):
            self.ask("Input.dispatchKeyEvent", type=kind, key=key, code=key, windowsVirtualKeyCode=code[key])

    def look(self, *, dark: bool = False, media: str = "", width: int = 1200, scripts: bool = True) -> None:
        """How the page is looked at: as print or on a screen of that width."""
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.ask("Emulation.setEmulatedMedia", media=media, features=[scheme])
        self.ask("Emulation.setDeviceMetricsOverride", width=width, height=900, deviceScaleFactor=1, mobile=False)
        self.ask("Emulation.setScriptExecutionDisabled", value=not scripts)

    def picture(self, path: Path) -> None:
        """Save all of the page as a PNG."""
        data = self.ask("Page.captureScreenshot", captureBeyondViewport=True)["data"]
        path.write_bytes(base64.b64decode(data))

    def requests(self) -> list[str]:
        """The addresses that the page has asked for, its own among them."""
        return [
            note["params"]["request"]["url"] for note in self.notes if note.get("method") == "Network.requestWillBeSent"
        ]

    def complaints(self) -> list[dict[str, Any]]:
        """What the page wrote to the console, and what went wrong on it."""
        of = ("Runtime.consoleAPICalled", "Runtime.exceptionThrown", "Log.entryAdded")
        return [note for note in self.notes if note.get("method") in of]

    def _next(self) -> dict[str, Any]:
        until = time.monotonic() + ANSWER_S
        while b"\0" not in self._pending:
            ready, _, _ = select.select([self._read], [], [], max(0.0, until - time.monotonic()))
            assert ready, "the browser does not answer"
            piece = os.read(self._read, 1 << 20)
            assert piece, "the browser has ended"
            self._pending += piece
        message, _, self._pending = self._pending.partition(b"\0")
        return dict(json.loads(message))


def faults(browser: Chromium) -> list[str]:
    """What axe-core finds, by its rules of WCAG 2 (A and AA) and its best practices."""
    browser.run(AXE.read_text("utf-8") + ";1")
    found = browser.run("axe.run(document, { resultTypes: ['violations'] }).then(found => found.violations)")
    return [f"{one['id']}: {[node['html'][:120] for node in one['nodes'][:3]]}" for one in found]
