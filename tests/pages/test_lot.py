"""A lot, in a real browser: its decision and numbers are the interface's."""

from __future__ import annotations

from importlib.resources import files
from typing import Any

import requests


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
    for kind in ("html", "pdf"):
        browser.run(f"document.getElementById('report-{kind}').click()")
        browser.wait(lambda kind=kind: browser.count(f"a[download$='-report.{kind}']"))
    assert browser.problems() == []
    assert browser.run("return document.documentElement.scrollWidth - innerWidth") <= 0


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
