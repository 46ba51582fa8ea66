"""What a page prints."""

from __future__ import annotations

import base64
import shutil
import subprocess
from typing import Any

import pytest


def printed(browser: Any) -> tuple[str, int]:
    """The text of the page as printed without background graphics, and how many pages it has."""
    browser.run("dispatchEvent(new Event('beforeprint'))")
    if shutil.which("pdftotext") is None:
        pytest.skip("no pdftotext on this machine")
    found = browser.driver.execute_cdp_cmd("Page.printToPDF", {"printBackground": False})
    done = subprocess.run(
        ["pdftotext", "-layout", "-", "-"],
        input=base64.b64decode(found["data"]),
        capture_output=True,
        check=True,
    )
    text = done.stdout.decode("utf-8")
    return text, text.count("\f")


def on_paper(browser: Any, script: str) -> Any:
    """What a script finds while the page is styled for paper."""
    browser.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    try:
        return browser.run(script)
    finally:
        browser.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})


def ink(browser: Any) -> tuple[str, str]:
    """The colors of letters and paper on the printed page."""
    colors = "const paint = getComputedStyle(document.body); return [paint.color, paint.backgroundColor]"
    letters, paper = on_paper(browser, colors)
    return letters, paper


INK = ("rgb(0, 0, 0)", "rgb(255, 255, 255)")
