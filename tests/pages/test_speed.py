"""How fast the pages are, measured in the browser; bounds are generous, figures are printed."""

from __future__ import annotations

from typing import Any

from ballgauge_schemas import example

INTERACTIVE = 1.0
"""Seconds until the first page answers to keys."""

TYPING_RATIO = 12
"""Most that typing to new findings may take, in times a bare call of the same browser for the same check."""

TYPING = """const done = arguments[0]; const input = document.getElementById('ball.weight');
const html = document.documentElement; const took = []; let bare = [];
const call = async (request) => { const start = performance.now();
  const headers = {'Content-Type': 'application/json'};
  await (await fetch('/v1/checks', {method: 'POST', headers, body: request})).json();
  return performance.now() - start; };
const type = (value) => new Promise((shown) => {
  const start = performance.now(); const before = html.dataset.answered;
  new MutationObserver((_, watch) => { if (html.dataset.answered !== before) { watch.disconnect();
    requestAnimationFrame(() => shown(performance.now() - start)); } }).observe(html, {attributes: true});
  input.value = value; input.dispatchEvent(new Event('input', {bubbles: true})); });
(async () => {
  for (let round = 0; round < 45; round += 1) {
    took.push(await type(String(14 + round / 100))); bare.push(await call(arguments_1)); }
  done([took.slice(5).sort((a, b) => a - b), bare.slice(5).sort((a, b) => a - b)]);
})();"""


def test_the_first_page_is_interactive_soon(browser: Any) -> None:
    """Cold cache, over loopback: navigation's own clock, until the modules have run."""
    browser.driver.execute_cdp_cmd("Network.clearBrowserCache", {})
    best = 1e9
    for _ in range(3):
        browser.driver.execute_cdp_cmd("Network.clearBrowserCache", {})
        browser.open("/")
        seconds = browser.run(
            "return performance.getEntriesByType('navigation')[0].domContentLoadedEventEnd / 1000"
        )
        best = min(best, seconds)
    weight = browser.run(
        "return performance.getEntriesByType('resource').reduce((sum, each) => sum + each.transferSize, 0)"
    )
    print(f"interactive after {best:.3f} s; scripts and style {weight / 1024:.0f} KiB")
    assert best < INTERACTIVE


def test_findings_follow_typing(browser: Any) -> None:
    import json

    browser.open("/")
    browser.example("drilled")
    script = TYPING.replace("arguments_1", json.dumps(json.dumps(example("drilled"))))
    took, bare = browser.driver.execute_async_script(script)
    p95, p50, call = took[int(0.95 * len(took))], took[len(took) // 2], bare[len(bare) // 2]
    print(f"typing to findings: median {p50:.0f} ms, 95th percentile {p95:.0f} ms; a bare call {call:.0f} ms")
    assert p50 < TYPING_RATIO * call
