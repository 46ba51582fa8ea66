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
