"""The desk as a person uses it."""

from __future__ import annotations

from typing import Any, NamedTuple

from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys

from .proxy import Line


class Desk(NamedTuple):
    """The desk in a browser, at the end of a line that may be slow or cut."""

    browser: Any
    line: Line

    def open(self, address: str = "/desk#rules.on=2026-05-01", size: tuple[int, int] = (1280, 900)) -> None:
        """Open the page and begin a ball."""
        self.browser.open(address, size)
        self.focus()

    def focus(self) -> None:
        """Begin a ball."""
        self.browser.run("document.getElementById('ball.serial').focus()")

    def type(self, *keys: str) -> None:
        """Type without a pause between the keys."""
        ActionChains(self.browser.driver).send_keys(*keys).perform()

    def scan(self, serial: str, weight: str, side: str) -> None:
        """A whole ball, from its serial to Enter, wherever the focus was left."""
        self.type(serial, Keys.ENTER, Keys.TAB, weight, *(Keys.TAB,) * 3, side, Keys.ENTER)

    def read(self, text: str, *ends: str) -> bool:
        """What a scanner does: a text and its ends, faster than anybody types, into the field at hand.

        Tells whether the last key is left to the browser.
        """
        script = """const [text, ends] = arguments;
            let at = performance.now();
            const press = (key) => {
                const ctrlKey = key.startsWith('Ctrl+');
                const event = new KeyboardEvent('keydown',
                    {key: key.replace('Ctrl+', ''), ctrlKey, bubbles: true, cancelable: true});
                Object.defineProperty(event, 'timeStamp', {value: at += 1});
                return document.activeElement.dispatchEvent(event);
            };
            for (const key of text) {
                press(key);
                document.activeElement.value += key;
                document.activeElement.dispatchEvent(new Event('input', {bubbles: true}));
            }
            let left = true;
            for (const end of ends) {
                const {form} = document.activeElement;
                left = press(end);
                if (left && end === 'Enter') form.requestSubmit();
            }
            return left;"""
        return bool(self.browser.run(script, text, ends or ("Enter",)))

    def press(self, selector: str) -> None:
        """Press a button."""
        self.browser.run("document.querySelector(arguments[0]).click()", selector)

    def value(self, name: str) -> str:
        """What a field holds."""
        return str(self.browser.run("return document.getElementById(arguments[0]).value", name))

    def rows(self) -> list[list[str]]:
        """Serial, readings and state of each ball in the order of entry, as the list shows them."""
        script = """return [...document.querySelectorAll('#list tbody tr')].reverse().map((row) =>
            [...['.row-ball strong', '.row-readings'].map((part) => row.querySelector(part).textContent),
             row.dataset.outcome])"""
        return list(self.browser.run(script))

    def wait_for_rows(self, count: int) -> None:
        """Wait until so many balls are shown, each with its outcome."""
        self.browser.wait(lambda: len(self.rows()) == count)
        self.browser.wait(lambda: self.browser.count("#list tr[data-outcome=waiting]") == 0)

    def kept(self) -> list[dict[str, Any]]:
        """What the browser keeps, in the order of entry."""
        script = """return Object.entries(localStorage).filter(([key]) => key.startsWith('ballgauge.desk/'))
            .map(([, text]) => JSON.parse(text)).sort((a, b) => a.at - b.at)"""
        return list(self.browser.run(script))
