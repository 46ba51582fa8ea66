"""A service that asks for access keys, in a real browser: one field, in two languages, for every page."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from ballgauge_service.pages.blueprint import PAGES
from ballgauge_service.web.access import access_keys

LAST = date.today() + timedelta(days=9000)


class Guarded(NamedTuple):
    """A server that asks for keys, and keys by the name of their scopes."""

    address: str
    keys: dict[str, str]


@pytest.fixture(scope="module")
def guarded(run_server: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Guarded]:
    folder = tmp_path_factory.mktemp("guarded")
    file = str(folder / "access.toml")
    keys = {
        "counter": access_keys.add(file, "counter", ["check", "sign"], LAST),
        "factory": access_keys.add(file, "factory", ["check", "lot", "design"], LAST),
    }
    program = str(Path(sys.executable).with_name("ballgauge"))
    environment = {**os.environ, "BALLGAUGE_KEYS": "demo", "BALLGAUGE_ACCESS_KEYS": file}
    environment.pop("BALLGAUGE_KEYS_FILE", None)

    def command(port: int) -> list[str]:
        return [program, "serve", "--port", str(port)]

    with (folder / "log").open("wb") as log, run_server(
        command, stdout=log, stderr=log, env=environment
    ) as address:  # fmt: skip
        yield Guarded(address, keys)


@pytest.fixture
def page(browser: Any, guarded: Guarded) -> Iterator[Any]:
    """The browser at the guarded service, with nothing kept from before."""
    usual, browser.server = browser.server, guarded.address
    browser.open("/verify")
    browser.run("sessionStorage.clear(); localStorage.clear()")
    yield browser
    # The fixture below holds every request of the page to this one service.
    foreign = [line for line in browser.driver.get_log("browser") if line["level"] == "SEVERE"]
    assert [line for line in foreign if "status of 4" not in line["message"]] == []
    browser.driver.get_log("performance")
    browser.driver.get("about:blank")
    browser.driver.get_log("performance")
    browser.server = usual


def is_asked(page: Any) -> bool:
    return bool(page.run("const box = document.getElementById('access'); return !box.hidden"))


def give(page: Any, key: str) -> None:
    """Type a key and press the return key, as a person does."""
    field = page.driver.find_element(By.ID, "access-key")
    field.send_keys(key, Keys.ENTER)


def test_a_key_is_asked_for_once_and_the_call_goes_on(page: Any, guarded: Guarded, sentence: Any) -> None:
    page.open("/check")
    assert not is_asked(page)
    before = page.answered()
    page.fill("example", "drilled")
    page.wait(lambda: is_asked(page), "no key was asked for")
    assert page.text("#access-told") == sentence("page: access key asked for")
    assert page.text("label[for=access-key]") == "Access key"
    give(page, guarded.keys["counter"])
    page.wait(lambda: page.answered() > before, "no answer after the key")
    assert not is_asked(page)
    assert page.text(".verdict-word").endswith("conforming")
    # Another page of the same tab has it; another tab has not.
    page.open("/desk")
    page.fill("ball.drilled_weight", "15.2")
    page.wait(lambda: page.count("#verdict[data-outcome]"), "no answer on the next page")
    assert not is_asked(page)


def test_the_key_is_in_no_address_text_or_lasting_store(page: Any, guarded: Guarded) -> None:
    page.open("/check")
    page.fill("example", "drilled")
    page.wait(lambda: is_asked(page))
    key = guarded.keys["counter"]
    give(page, key)
    page.wait(lambda: page.answered() > 0)
    assert key not in page.run("return location.href + document.documentElement.outerHTML + document.cookie")
    assert key not in page.run("return JSON.stringify({...localStorage})")
    # Until the tab is closed; the ball that is carried along is there beside it.
    kept = page.run("return Object.values(sessionStorage)")
    assert [text for text in kept if key in text] == [key]
    assert page.run("return document.getElementById('access-key').value") == ""
    assert "$BALLGAUGE_KEY" in page.source("call-http")
    assert 'key=os.environ["BALLGAUGE_KEY"]' in page.source("call-python")


def test_a_wrong_key_and_one_of_another_scope_are_told_apart(page: Any, guarded: Guarded) -> None:
    page.open("/motion")
    page.run("document.getElementById('ask').click()")
    page.wait(lambda: is_asked(page))
    give(page, "ballgauge_counter_no")
    page.wait(lambda: page.text("#access-told") == "This key is not valid. Type another.")
    assert page.run("return document.getElementById('access-key').getAttribute('aria-invalid')") == "true"
    give(page, guarded.keys["counter"])
    page.wait(lambda: "lacks the scope design" in page.text("#access-told"))
    give(page, guarded.keys["factory"])
    page.wait(lambda: page.count(".told-main"), "no motion after the right key")
    assert not is_asked(page)


def test_a_lot_is_sent_again_with_the_key(page: Any, guarded: Guarded) -> None:
    page.open("/lot")
    page.run("document.getElementById('start').click()")
    page.wait(lambda: is_asked(page))
    give(page, guarded.keys["factory"])
    page.wait(lambda: page.answered() > 0, "the lot was not judged")
    assert "$BALLGAUGE_KEY" in page.source("call-http")
    assert "BALLGAUGE_KEY" in page.source("call-python")


def test_whoever_types_is_not_torn_away(page: Any, guarded: Guarded) -> None:
    page.open("/check")
    field = page.driver.find_element(By.ID, "ball.weight")
    field.send_keys("15")
    page.wait(lambda: is_asked(page))
    assert page.run("return document.activeElement.id") == "ball.weight"
    field.send_keys(".2")
    give(page, guarded.keys["counter"])
    page.wait(lambda: page.count("#verdict[data-key]") or page.count("#verdict[data-outcome]"))
    assert page.run("return document.getElementById('ball.weight').value") == "15.2"


def test_the_field_in_german(page: Any, guarded: Guarded, sentence: Any) -> None:
    page.open("/check?lang=de")
    page.fill("example", "drilled")
    page.wait(lambda: is_asked(page))
    assert page.text("#access-told") == sentence("page: access key asked for, German")
    assert page.text("label[for=access-key]") == "Zugangsschlüssel"
    give(page, "x")
    page.wait(lambda: "nicht gültig" in page.text("#access-told"))


@pytest.mark.parametrize("light", ["light", "dark"])
@pytest.mark.parametrize("size", [(1280, 900), (390, 844)], ids=["desktop", "phone"])
def test_the_field_is_accessible(page: Any, guarded: Guarded, light: str, size: tuple[int, int]) -> None:
    """Against axe-core, in both lights, while the field is shown and its key was wrong."""
    page.open("/check", size)
    page.fill("light", light)
    page.fill("example", "drilled")
    page.wait(lambda: is_asked(page))
    give(page, "x")
    page.wait(lambda: "not valid" in page.text("#access-told"))
    assert page.problems() == []
    wide = page.run("return document.documentElement.scrollWidth - document.documentElement.clientWidth")
    assert wide <= 0


@pytest.mark.parametrize("name", PAGES)
def test_every_page_has_the_field_and_it_is_hidden(app: Any, name: str) -> None:
    text = app.test_client().get(f"/{name}").text
    (form,) = [line for line in text.splitlines() if 'id="access"' in line]
    assert form.endswith("hidden>")
    assert 'type="password" id="access-key"' in text
