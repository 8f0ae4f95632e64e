"""A real Chromium before the pages: over TLS, under a name, with a server that can go away.

Debian's ``chromium`` and ``chromium-driver``; Selenium speaks with them. Without them the tests
that use this are skipped, unless ``VERIFY_REQUIRE_BROWSER`` says that they may not be.
"""

from __future__ import annotations

import base64
import gc
import hashlib
import os
import shutil
import socket
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import uvicorn
from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from verify.web.tls import own_certificate

NAME = "kitchen.test"
PHONE = (390, 844)
DESK = (1280, 900)
WAIT = 20.0  # seconds that a slow, shared machine may take for one thing


def require_browser() -> None:
    """Skip the test where there is no browser, or fail it where there has to be one."""
    missing = [name for name in ("chromium", "chromedriver") if shutil.which(name) is None]
    if not missing:
        return
    text = f"{' and '.join(missing)} not found: apt-get install chromium chromium-driver"
    if os.environ.get("VERIFY_REQUIRE_BROWSER"):
        pytest.fail(text)
    pytest.skip(text)


class Loses:
    """An application in front of another one; on demand it does the work and loses the answer."""

    def __init__(self, app: Any) -> None:
        self.app = app
        self.lose: str | None = None  # the end of the path whose answers are lost
        self.lost = 0

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        if self.lose is None or not scope.get("path", "").endswith(self.lose):
            await self.app(scope, receive, send)
            return

        async def nowhere(_message: Any) -> None:
            return None

        await self.app(scope, receive, nowhere)
        self.lost += 1
        # More is promised than comes: the connection breaks in the middle of the answer.
        headers = [(b"content-length", b"1000")]
        await send({"type": "http.response.start", "status": 200, "headers": headers})
        await send({"type": "http.response.body", "body": b"{", "more_body": True})
        raise ConnectionAbortedError("the answer is lost on its way")


class Server:
    """The pages over TLS on one port, which can be left and taken up again."""

    def __init__(self, app: Any, folder: Path) -> None:
        self.app = Loses(app)
        self.certificate = own_certificate(folder, [NAME])
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        self.url = f"https://{NAME}:{self.port}"
        self._running: tuple[uvicorn.Server, threading.Thread] | None = None

    def start(self) -> None:
        config = uvicorn.Config(
            self.app,
            host="127.0.0.1",
            port=self.port,
            log_level="critical",
            access_log=False,
            ssl_certfile=str(self.certificate.chain),
            ssl_keyfile=str(self.certificate.key),
            timeout_graceful_shutdown=1,
            lifespan="off",
        )
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, daemon=True)
        thread.start()
        until(lambda: server.started)
        self._running = server, thread

    def stop(self) -> None:
        if self._running is None:
            return
        server, thread = self._running
        server.should_exit = True
        thread.join(WAIT)
        assert not thread.is_alive()
        self._running = None
        gc.collect()  # what was cut off is told here, not in some later test

    @property
    def key_print(self) -> str:
        """Return what tells the browser that this one certificate is known."""
        certificate = x509.load_pem_x509_certificate(self.certificate.chain.read_bytes())
        public = certificate.public_key().public_bytes(
            Encoding.DER, PublicFormat.SubjectPublicKeyInfo
        )
        return base64.b64encode(hashlib.sha256(public).digest()).decode()


def until(done: Callable[[], Any], seconds: float = WAIT) -> Any:
    """Wait for something to be so; return it."""
    end = time.monotonic() + seconds
    while True:
        found = done()
        if found:
            return found
        assert time.monotonic() < end, f"{done} never came true"
        time.sleep(0.05)


# Connections that are cut in the middle are what some of these tests are about.
CUT_OFF = [
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
]


@dataclass
class Window:
    """One person's browser."""

    driver: Any
    server: Server

    def go(self, path: str) -> None:
        self.driver.get(self.server.url + path)

    @property
    def path(self) -> str:
        return str(self.driver.current_url).removeprefix(self.server.url).partition("#")[0]

    def all(self, css: str) -> list[Any]:
        return list(self.driver.find_elements("css selector", css))

    def text(self) -> str:
        return str(self.js("return document.body ? document.body.innerText : ''"))

    def js(self, script: str, *given: Any) -> Any:
        return self.driver.execute_script(script, *given)

    def seen(self, css: str, text: str = "") -> Any:
        """Return the first element that is shown and has a text in it; wait for it."""
        from selenium.common.exceptions import StaleElementReferenceException

        def look() -> Any:
            try:
                for found in self.all(css):
                    if found.is_displayed() and text in found.text:
                        return found
            except StaleElementReferenceException:
                pass
            return None

        try:
            return until(look)
        except AssertionError:
            raise AssertionError(
                f"no {css} with '{text}' at {self.path}:\n{self.text()[:1500]}"
            ) from None

    def hidden(self, css: str) -> None:
        """Wait until an element is there and not shown."""
        look = "const e = document.querySelector(arguments[0]); return e && !e.getClientRects()[0]"
        until(lambda: self.js(look, css))  # no element is held on to: the page may load anew

    def press(self, css: str, text: str = "") -> None:
        self._at_once(lambda: self.seen(css, text).click())

    def fill(self, css: str, text: str) -> None:
        def write() -> None:
            field = self.seen(css)
            field.clear()
            field.send_keys(text)

        self._at_once(write)

    def _at_once(self, act: Callable[[], None]) -> None:
        """Do something to an element; once more where the page was loaded anew in between."""
        from selenium.common.exceptions import StaleElementReferenceException

        try:
            act()
        except StaleElementReferenceException:
            act()

    def at(self, path: str) -> None:
        """Wait until a page is there."""
        here = until(lambda: self.path == path or None) if self.path != path else True
        assert here
        until(lambda: self.js("return document.readyState") == "complete")

    def sign_in(self, person: str, pin: str) -> None:
        self.go("/sign-in")
        self.fill("#person", person)
        self.fill("#pin", pin)
        self.press("main button.main")
        self.at("/")

    def errors(self) -> list[str]:
        """Return what the browser complained of since last asked."""
        return [e["message"] for e in self.driver.get_log("browser") if e["level"] == "SEVERE"]


Open = Callable[..., Window]


def open_window(
    server: Server, place: Path, size: tuple[int, int] = PHONE, camera: Path | None = None
) -> Window:
    """Open a browser that nobody has used before.

    Args:
        server: its certificate is trusted, its name resolved.
        place: folder for what the browser keeps.
        size: of the window, in CSS pixels; narrow ones are phones with a touch screen.
        camera: pictures that its camera shows, as Motion JPEG; None: it has no camera.
    """
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium") or "chromium"
    for word in (
        "--headless=new",
        "--no-sandbox",
        "--disable-gpu",
        "--disable-dev-shm-usage",
        "--disable-component-update",
        "--disable-background-networking",
        "--no-first-run",
        "--hide-scrollbars",
        "--lang=en-US",
        f"--user-data-dir={place}",
        f"--host-resolver-rules=MAP {NAME} 127.0.0.1",
        f"--ignore-certificate-errors-spki-list={server.key_print}",
        f"--window-size={size[0]},{size[1]}",
    ):
        options.add_argument(word)
    if camera is not None:
        options.add_argument("--use-fake-device-for-media-stream")
        options.add_argument("--use-fake-ui-for-media-stream")
        options.add_argument(f"--use-file-for-fake-video-capture={camera}")
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options, Service(shutil.which("chromedriver")))
    driver.set_page_load_timeout(60)
    metrics = {"width": size[0], "height": size[1], "deviceScaleFactor": 1, "mobile": False}
    if size[0] < 600:
        metrics["mobile"] = True
        driver.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": True})
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    return Window(driver, server)
