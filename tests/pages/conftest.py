"""A real browser and a server that signs with the demonstration key."""

from __future__ import annotations

import json
import os
import shutil
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.support.ui import WebDriverWait
from tests import node

from .desks import Desk
from .proxy import Line, line_to

FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--lang=en-US",
    "--use-fake-ui-for-media-stream",
)
DESKTOP, PHONE = (1280, 900), (390, 844)
PATIENCE = 30


class Browser:
    """A page in Chromium, and what a person does with it."""

    def __init__(self, driver: webdriver.Chrome, server: str) -> None:
        self.driver = driver
        self.server = server

    def open(self, path: str, size: tuple[int, int] = DESKTOP) -> None:
        """Open a page afresh, in a window of this size."""
        self.driver.get("about:blank")
        self.resize(*size)
        self.driver.get(self.server + path)

    def resize(self, width: int, height: int) -> None:
        """Give the window another size."""
        metrics = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600}
        self.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)

    def state(self) -> str:
        """Where the page stands."""
        return str(self.run("return document.documentElement.dataset.state"))

    def run(self, script: str, *given: Any) -> Any:
        """Run a script in the page."""
        return self.driver.execute_script(script, *given)

    def text(self, selector: str) -> str:
        """The text of an element as it is shown."""
        return str(self.run("return document.querySelector(arguments[0])?.innerText ?? ''", selector))

    def source(self, identity: str) -> str:
        """The text of an element, shown or folded away."""
        return str(self.run("return document.getElementById(arguments[0]).textContent", identity))

    def count(self, selector: str) -> int:
        """How many elements match."""
        return int(self.run("return document.querySelectorAll(arguments[0]).length", selector))

    def wait(self, condition: Callable[[], Any], told: str = "") -> Any:
        """Wait until a condition holds, and give its value."""
        return WebDriverWait(self.driver, PATIENCE, 0.05).until(lambda _: condition(), told)

    def fill(self, name: str, value: str) -> None:
        """Put a value in a field of the form, as typing does."""
        script = """const input = document.getElementById(arguments[0]);
            input.value = arguments[1]; input.dispatchEvent(new Event('input', {bubbles: true}));
            input.dispatchEvent(new Event('change', {bubbles: true}));"""
        self.run(script, name, value)

    def enter(self, name: str, value: str) -> None:
        """Put a value in a field of the form and stay there, as one who is still typing."""
        script = """const input = document.getElementById(arguments[0]);
            input.value = arguments[1]; input.dispatchEvent(new Event('input', {bubbles: true}));"""
        self.run(script, name, value)

    def example(self, name: str) -> None:
        """Start from an example, and wait for its verdict."""
        before = self.answered()
        self.run("window.confirm = () => true")
        self.fill("example", name)
        self.wait(lambda: self.answered() > before, "no answer to the example")

    def answered(self) -> int:
        """How many answers the page has shown."""
        return int(self.run("return Number(document.documentElement.dataset.answered ?? 0)"))

    def problems(self) -> list[dict[str, Any]]:
        """What axe-core finds wrong on the page as it stands: WCAG 2.2 A and AA, and its best practices."""
        self.run((node.modules() / "axe-core" / "axe.min.js").read_text(encoding="utf-8"))
        script = """const done = arguments[0];
            axe.run(document, {resultTypes: ['violations'], rules: {'target-size': {enabled: true}}})
                .then((found) => done(found.violations.map(({id, impact, nodes}) =>
                    ({id, impact, nodes: nodes.map((node) => node.html.slice(0, 200))}))));"""
        found: list[dict[str, Any]] = self.driver.execute_async_script(script)
        return found


@pytest.fixture(scope="session")
def page_server(run_server: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of a server with the demonstration key."""
    program = str(Path(sys.executable).with_name("ballgauge"))
    environment = {**os.environ, "BALLGAUGE_KEYS": "demo"}
    environment.pop("BALLGAUGE_KEYS_FILE", None)
    with (
        (tmp_path_factory.mktemp("pages") / "log").open("wb") as log,
        run_server(
            lambda port: [program, "serve", "--port", str(port)], stdout=log, stderr=log, env=environment
        ) as address,
    ):
        yield address


@pytest.fixture(scope="session")
def downloads(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the browser puts what it saves."""
    return tmp_path_factory.mktemp("downloads")


@pytest.fixture(scope="session")
def session_browser(
    page_server: str, downloads: Path, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Browser]:
    """One Chromium for all tests, with a profile of its own."""
    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium") or "chromium"
    for flag in (*FLAGS, f"--user-data-dir={tmp_path_factory.mktemp('profile')}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))
    driver.set_script_timeout(PATIENCE)
    saving = {"behavior": "allow", "downloadPath": str(downloads)}
    driver.execute_cdp_cmd("Browser.setDownloadBehavior", saving)
    try:
        yield Browser(driver, page_server)
    finally:
        driver.quit()


@pytest.fixture
def browser(session_browser: Browser) -> Iterator[Browser]:
    """The browser; after each test its console has no error, and nothing was asked of another host."""
    session_browser.driver.get("about:blank")  # a page that is left still keeps what it holds
    for kind in ("browser", "performance"):
        session_browser.driver.get_log(kind)
    session_browser.driver.execute_cdp_cmd(
        "Storage.clearDataForOrigin", {"origin": session_browser.server, "storageTypes": "local_storage"}
    )
    yield session_browser
    errors = [line for line in session_browser.driver.get_log("browser") if line["level"] == "SEVERE"]
    assert not [line for line in errors if not _is_refusal(line["message"])], errors
    addresses = list(_asked_for(session_browser.driver.get_log("performance")))
    own = (session_browser.server, "data:", "blob:", "about:", "chrome:")
    assert [address for address in addresses if not address.startswith(own)] == []


@pytest.fixture(scope="session")
def line(page_server: str) -> Iterator[Line]:
    """A line to the server that can be slow or cut."""
    with line_to(page_server) as line:
        yield line


@pytest.fixture
def desk(browser: Browser, line: Line) -> Iterator[Desk]:
    """The desk at the end of that line."""
    line.latency, line.is_cut = 0.0, False
    usual, browser.server = browser.server, line.address
    yield Desk(browser, line)
    # The line is another address than the session's, which alone the browser may ask.
    clearing = {"origin": line.address, "storageTypes": "all"}
    browser.driver.execute_cdp_cmd("Storage.clearDataForOrigin", clearing)
    browser.driver.get("about:blank")
    for kind in ("browser", "performance"):
        browser.driver.get_log(kind)
    browser.server = usual


@pytest.fixture
def behind_a_line(browser: Browser, page_server: str) -> Iterator[tuple[Browser, Line]]:
    """The browser at the end of a line of its own."""
    with line_to(page_server) as line:
        browser.server = line.address
        yield browser, line
        browser.driver.get("about:blank")
        errors = [each for each in browser.driver.get_log("browser") if each["level"] == "SEVERE"]
        # A question before leaving is shown only to one who has touched the page: an "intervention".
        errors = [each for each in errors if each["source"] != "intervention"]
        assert [each for each in errors if "Failed to load resource" not in each["message"]] == []
        browser.driver.get_log("performance")
        browser.server = page_server


def _is_refusal(message: str) -> bool:
    """Whether Chromium reports a 4xx answer of the service, which pages show to the person."""
    return "/v1/" in message and "the server responded with a status of 4" in message


def _asked_for(log: list[dict[str, Any]]) -> Iterator[str]:
    for line in log:
        message = json.loads(line["message"])["message"]
        if message["method"] == "Network.requestWillBeSent":
            yield message["params"]["request"]["url"]
