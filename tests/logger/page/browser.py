"""A real chromium, driven over its debugging pipe with nothing but the standard library."""

from __future__ import annotations

import base64
import fcntl
import json
import os
import select
import shutil
import subprocess
import time
from pathlib import Path
from types import TracebackType
from typing import Any, Self

NAMES = ("chromium", "chromium-browser", "google-chrome")

PATIENCE_S = 90.0
"""How long a busy machine may take; conditions are waited for, never a time. [s]"""


def find() -> str | None:
    """Path of a chromium, or None."""
    return next((path for name in NAMES if (path := shutil.which(name))), None)


class Browser:
    """One page of one chromium."""

    def __init__(self, program: str, profile: Path) -> None:
        to_child, self._out = os.pipe()
        self._in, from_child = os.pipe()

        def wire() -> None:
            """Give the child its two ends of the pipes as descriptors 3 and 4."""
            far = [fcntl.fcntl(fd, fcntl.F_DUPFD, 100) for fd in (to_child, from_child)]
            os.dup2(far[0], 3)
            os.dup2(far[1], 4)

        command = [
            program, "--headless=new", "--no-sandbox", "--disable-gpu", "--remote-debugging-pipe",
            "--hide-scrollbars", "--no-first-run", "--disable-background-networking",
            f"--user-data-dir={profile}", "about:blank",
        ]  # fmt: skip
        self._child = subprocess.Popen(
            command,
            preexec_fn=wire,  # noqa: PLW1509 - chromium wants exactly these two descriptors
            pass_fds=(3, 4),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(to_child)
        os.close(from_child)
        self._left = b""
        self._number = 0
        self._session: str | None = None
        self.events: list[dict[str, Any]] = []
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.call(f"{domain}.enable")
        self.call("Page.setLifecycleEventsEnabled", enabled=True)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        os.close(self._out)
        try:
            self._child.wait(5)
        except subprocess.TimeoutExpired:
            self._child.kill()
            self._child.wait()
        os.close(self._in)

    def call(self, method: str, **params: Any) -> dict[str, Any]:
        """Send one command and wait for its answer."""
        self._number += 1
        message: dict[str, Any] = {"id": self._number, "method": method, "params": params}
        if self._session is not None:
            message["sessionId"] = self._session
        os.write(self._out, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._receive(PATIENCE_S)
            if answer.get("id") == self._number:
                if "error" in answer:
                    raise RuntimeError(f"{method}: {answer['error']['message']}")
                result: dict[str, Any] = answer["result"]
                return result
            self.events.append(answer)

    def _receive(self, seconds: float) -> dict[str, Any]:
        end = time.monotonic() + seconds
        while b"\0" not in self._left:
            ready, _, _ = select.select([self._in], [], [], max(end - time.monotonic(), 0))
            if not ready:
                raise TimeoutError("chromium does not answer")
            self._left += os.read(self._in, 1 << 16)
        text, _, self._left = self._left.partition(b"\0")
        answer: dict[str, Any] = json.loads(text)
        return answer

    def size(self, width: int, height: int, *, dark: bool = False, mobile: bool = False) -> None:
        """Set the viewport, and light or dark."""
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=mobile,
        )
        scheme = "dark" if dark else "light"
        self.call("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": scheme}])

    def scripts(self, *, on: bool) -> None:
        """Let pages run scripts, or not."""
        self.call("Emulation.setScriptExecutionDisabled", value=not on)

    def go(self, address: str) -> None:
        """Open an address and wait until it has loaded."""
        self.events.clear()
        loader = self.call("Page.navigate", url=address)["loaderId"]
        self.loaded(loader)
        end = time.monotonic() + PATIENCE_S
        while not self.ask("location.href").startswith(address) and time.monotonic() < end:
            time.sleep(0.05)  # the old document may still answer for a moment
        while not self.ask("document.styleSheets.length") and time.monotonic() < end:
            time.sleep(0.05)  # on a busy machine the style may follow the load

    def loaded(self, loader: str | None = None, seconds: float = PATIENCE_S) -> None:
        """Wait until a document has loaded: the one of this loader, or any that begins now."""
        end = time.monotonic() + seconds
        while True:
            for event in self.events:
                told = event.get("params", {})
                if told.get("name") == "load" and loader in {None, told.get("loaderId")}:
                    return
            self.events.append(self._receive(max(end - time.monotonic(), 0.01)))

    def ask(self, expression: str) -> Any:
        """Value of a script expression; works with the page's own scripts off too."""
        result = self.call("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        if "exceptionDetails" in result:
            raise RuntimeError(str(result["exceptionDetails"]))
        return result["result"].get("value")

    def key(self, name: str) -> None:
        """Press and release a key."""
        code = {"Tab": 9, "Enter": 13}[name]
        for kind in ("keyDown", "keyUp"):
            self.call(
                "Input.dispatchKeyEvent", type=kind, key=name, code=name, windowsVirtualKeyCode=code,
                text="\r" if name == "Enter" and kind == "keyDown" else "",
            )  # fmt: skip

    def shot(self, path: Path, *, full: bool = True) -> None:
        """Write a picture of the page."""
        made = self.call("Page.captureScreenshot", captureBeyondViewport=full, format="png")
        path.write_bytes(base64.b64decode(made["data"]))

    def full_height(self) -> int:
        """Height of the whole page in CSS pixels."""
        return int(self.ask("document.documentElement.scrollHeight"))

    def complaints(self) -> list[str]:
        """What the browser refused or missed since `go`: policy violations, script errors."""
        told = []
        for event in self.events:
            if event.get("method") == "Log.entryAdded":
                told.append(event["params"]["entry"]["text"])
            if event.get("method") == "Runtime.exceptionThrown":
                told.append(event["params"]["exceptionDetails"]["text"])
        return told
