"""A lot, in a real browser: its decision and numbers are the interface's."""

from __future__ import annotations

from importlib.resources import files
from typing import Any

import requests

from .papers import INK, ink, printed


def test_an_example_lot_is_judged(browser: Any) -> None:
    """Against `/v1/lots` asked from here with the same file: outcome, worst ball and left-out rows."""
    text = files("ballgauge_schemas").joinpath("example_lots", "ostrel_tarn_48.csv").read_bytes()
    form = {"options": (None, '{"rules": {"body": "usbc", "on": "2026-05-01"}}'), "file": ("lot.csv", text)}
    answer = requests.post(f"{browser.server}/v1/lots", files=form).json()
    browser.open("/lot#on=2026-05-01")
    browser.run("document.getElementById('start').click()")
    browser.wait(lambda: browser.answered() == 1)
    assert (
        browser.run("return document.getElementById('verdict').dataset.outcome")
        == (answer["acceptance"]["outcome"])
    )
    assert answer["acceptance"]["message"] in browser.text("#verdict")
    assert answer["worst_balls"][0]["serial"] in browser.text("#results")
    assert f"{answer['left_out']['rows']} rows" in browser.text("#results")
    bars = {each["quantity"]: each["histogram"]["counts"] for each in answer["quantities"]}
    for name in ("weight", "hardness"):
        browser.fill("quantity", name)
        assert browser.count("#histogram .bar") == len(bars[name])
    assert "file=@" in browser.source("call-http")
    for kind, name in (("html", "report"), ("pdf", "report"), ("csv", "balls"), ("parquet", "balls")):
        browser.run(f"document.getElementById('take-{kind}').click()")
        browser.wait(lambda kind=kind, name=name: browser.count(f"a[download$='-{name}.{kind}']"))
    browser.run("document.getElementById('sign').click()")
    browser.wait(lambda: browser.count("#signed a[download='lot-record.jws']"))
    address = browser.run(
        "return document.querySelector('#signed a[href^=\"/verify\"]').getAttribute('href')"
    )
    assert browser.problems() == []
    assert browser.run("return document.documentElement.scrollWidth - innerWidth") <= 0
    browser.fill("light", "dark")
    text, _ = printed(browser)
    told = (
        "nonconforming",
        answer["worst_balls"][0]["serial"],
        "Mass-bias mark to high axis",
        "Oil absorption",
    )
    assert [each for each in told if each not in text] == []
    assert "Make the report" not in text
    assert ink(browser) == INK
    browser.open(address)
    browser.wait(lambda: browser.text(".verdict-word").endswith("genuine"))
    assert answer["file"]["sha256"] in browser.text("#results")


def give(browser: Any, text: str, name: str = "lot.csv") -> None:
    """Choose a file of this text."""
    script = """const given = new DataTransfer();
        given.items.add(new File([arguments[0]], arguments[1]));
        const input = document.getElementById('file');
        input.files = given.files; input.dispatchEvent(new Event('change', {bubbles: true}));"""
    browser.run(script, text, name)


def state(browser: Any) -> str:
    return str(browser.run("return document.documentElement.dataset.state"))


def test_a_decision_is_shown_for_what_the_page_says_alone(browser: Any) -> None:
    """Any change makes it old, takes its signing and its files away, and Judge brings them back."""
    browser.open("/lot#on=2026-05-01&scope=measured")
    give(browser, "serial,weight\n" + "".join(f"S{n},15\n" for n in range(80)))
    browser.wait(lambda: state(browser) == "current")
    assert "its plan" not in browser.text("#verdict")
    for name, value in (("lot-size", "1000"), ("aql", "1"), ("lot-remarks", "wet"), ("class-major", "1")):
        browser.fill(name, value)
        assert state(browser) == "editing"
        assert browser.run("return document.getElementById('verdict').dataset.stale") == "true"
        browser.run("document.getElementById('sign').click()")
        assert browser.text("#signed") == ""
        if name != "lot-size":  # which needs the limit, too
            browser.run("document.getElementById('form').requestSubmit()")
            browser.wait(lambda: state(browser) == "current")
    asked = browser.source("call-http")
    assert '"classes":[{"name":"major","aql":1}]' in asked
    assert '"remarks":"wet"' in asked


def test_what_the_lot_is_goes_along(browser: Any) -> None:
    """Level, days of manufacture and gauges; an address holds them."""
    browser.open("/lot#on=2026-05-01&scope=measured&lot-size=1000&aql=1&level=III")
    browser.fill("lot-made_on", "2026-04-13")
    browser.fill("lot-made_until", "2026-04-17")
    for number, gauge in enumerate((("", ""), ("scale 3", "weight"), ("durometer A", "hardness")), start=1):
        browser.run("document.getElementById('add-gauge').click()")
        for name, value in zip(("name", "quantity"), gauge, strict=True):
            browser.fill(f"gauge-{number}-{name}", value)
    browser.fill("gauge-2-calibration_due", "2026-09-30")
    browser.fill("gauge-2-uncertainty", "0,01")
    browser.run("document.querySelector('#gauges button').click()")
    browser.run("document.getElementById('share').click()")
    address = browser.run("return location.pathname + location.hash")
    browser.open(address)
    give(browser, "serial,weight\n" + "".join(f"S{n},15\n" for n in range(125)))
    browser.wait(lambda: state(browser) == "current")
    asked = browser.source("call-http")
    scale = '{"name":"scale 3","quantity":"weight","calibration_due":"2026-09-30","uncertainty":0.01}'
    gauges = f'"gauges":[{scale},{{"name":"durometer A","quantity":"hardness"}}]'
    for told in ('"level":"III"', '"made_until":"2026-04-17"', gauges):
        assert told in asked
    browser.fill("gauge-1-uncertainty", "wide")
    browser.run("document.getElementById('form').requestSubmit()")
    browser.wait(lambda: browser.count("#problem a[href='#gauge-1-uncertainty']"))
    assert browser.source("gauge-1-uncertainty-error")
    browser.fill("gauge-1-uncertainty", "０．０２")
    browser.run("document.getElementById('form').requestSubmit()")
    browser.wait(lambda: state(browser) == "current")
    assert '"uncertainty":0.02' in browser.source("call-http")
    assert not browser.source("gauge-1-uncertainty-error")


def test_the_file_is_there_after_a_reload_and_in_another_language(browser: Any) -> None:
    """Under its name, with what is in it; it is sent when that is asked for."""
    name = "return document.getElementById('file-name').textContent"
    browser.open("/lot#on=2026-05-01&scope=measured")
    for number in (8, 9):
        give(browser, f"serial,weight\nS{number},15\n", f"lot {number}.csv")
    browser.wait(lambda: state(browser) == "current")
    for leave in (browser.driver.refresh, lambda: browser.fill("language", "de")):
        leave()
        browser.wait(lambda: browser.run(name) == "lot 9.csv")
        assert state(browser) == "editing"
    browser.run("document.getElementById('form').requestSubmit()")
    browser.wait(lambda: state(browser) == "current")
    assert "lot 9.csv" in browser.source("call-http")


def test_a_lot_waits_for_a_service_that_is_away(browser: Any, line: Any) -> None:
    """Each button says so, and what was asked for is done once the service is back."""
    usual, browser.server = browser.server, line.address
    line.latency, line.is_cut = 0.0, True
    try:
        browser.open("/lot?lang=de#on=2026-05-01&scope=measured")
        browser.run("document.getElementById('form').requestSubmit()")
        browser.wait(lambda: browser.text("#problem"))
        give(browser, "serial,weight\nS1,15\nS2,15.1\n")
        browser.wait(lambda: state(browser) == "offline")
        assert browser.text("#verdict").startswith("Der Dienst")
        line.is_cut = False
        browser.wait(lambda: state(browser) == "current")
        line.is_cut = True
        for button, place in (("take-pdf", "taken"), ("take-csv", "taken"), ("sign", "signed")):
            browser.run(f"document.getElementById('{button}').click()")
            browser.wait(lambda place=place: "Dienst" in browser.text(f"#{place}"))
        line.is_cut = False
        for place in ("taken", "signed"):
            browser.wait(lambda place=place: browser.count(f"#{place} a[download]"))
    finally:
        line.is_cut = False
        browser.driver.get("about:blank")
        for kind in ("browser", "performance"):
            browser.driver.get_log(kind)
        browser.server = usual


def test_a_file_that_is_no_lot_is_refused_in_words(browser: Any) -> None:
    """Common practice, no source: a refusal names what is wrong, and nothing in the file becomes markup."""
    browser.open("/lot", (390, 844))
    browser.run(
        """const given = new DataTransfer();
        given.items.add(new File(['<img src=x onerror="window.hacked=1">,x\\n1,2\\n'], 'bad.csv'));
        const input = document.getElementById('file');
        input.files = given.files; input.dispatchEvent(new Event('change', {bubbles: true}));"""
    )
    browser.wait(lambda: browser.text("#problem"))
    assert browser.answered() == 0
    assert browser.count("img[src=x]") == 0
    assert browser.run("return window.hacked ?? null") is None


def test_a_file_is_read_as_the_page_says(browser: Any) -> None:
    """Against `/v1/lots` asked with the same options: mapping, readings, rows, dates, and what the lot is."""
    text = "Kopf\\nNr;Netto;H 1;H 2;Datum;Regal\\na;15,1;75;76;03.04.2021;x\\nMax;15;74;75;03.04.2021;y"
    browser.open("/lot#on=2026-05-01")
    browser.run("for (const each of document.querySelectorAll('details.more')) each.open = true")
    mapping = "Nr = serial\\nNetto = weight [lb]\\nH 1 = hardness 1\\nH 2 = hardness 2\\nDatum = approved_on"
    for name, value in (
        ("mapping", mapping), ("readings", "mean"), ("rows-judged", "4"), ("header-row", "2"),
        ("dates", "month_first"), ("scope", "measured"), ("lot-supplier", "Ostrel Works"),
    ):  # fmt: skip
        browser.run(
            f"const each = document.getElementById('{name}'); each.value = '{value}';"
            "each.dispatchEvent(new Event('change', {bubbles: true}));"
        )
    browser.run(
        f"""const given = new DataTransfer();
        given.items.add(new File(['{text}'], 'lot.csv'));
        const input = document.getElementById('file');
        input.files = given.files; input.dispatchEvent(new Event('change', {{bubbles: true}}));"""
    )
    browser.wait(lambda: browser.answered() == 1)
    assert browser.run("return document.getElementById('verdict').dataset.outcome") == "conforming"
    told = browser.text("#results")
    for expected in ("Netto", "Regal", "left out"):
        assert expected in told
    asked = browser.source("call-http")
    for expected in ("month_first", "hardness 2", "rows_judged", "Ostrel Works", "measured"):
        assert expected in asked
    assert browser.problems() == []


def test_what_was_typed_is_undone_and_done_again(browser: Any) -> None:
    """Field by field, by button and by keys; a file that was judged is not judged again by it."""
    browser.open("/lot#aql=1")
    for name, value in (
        ("lot-size", "1000"),
        ("supplier", "Works"),
        ("aql", "4"),
        ("mapping", "Gewicht = weight"),
    ):
        name = "lot-supplier" if name == "supplier" else name
        browser.fill(name, value)
    address = browser.driver.current_url
    seen = (
        "return ['lot-size', 'lot-supplier', 'aql', 'mapping'].map((id) => document.getElementById(id).value)"
    )
    assert browser.run(seen) == ["1000", "Works", "4", "Gewicht = weight"]
    press = """document.getElementById(arguments[0]).dispatchEvent(new KeyboardEvent('keydown',
        {key: arguments[1], ctrlKey: true, bubbles: true, cancelable: true}))"""
    browser.run(press, "mapping", "z")
    browser.run(press, "aql", "z")
    assert browser.run(seen) == ["1000", "Works", "1", ""]
    browser.run("document.getElementById('undo').click()")
    browser.run("document.getElementById('undo').click()")
    browser.run("document.getElementById('undo').click()")
    assert browser.run(seen) == ["", "", "1", ""]
    for _ in range(4):
        browser.run(press, "aql", "y")
    assert browser.run(seen) == ["1000", "Works", "4", "Gewicht = weight"]
    assert browser.driver.current_url == address
