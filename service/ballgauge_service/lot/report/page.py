"""The report of a lot: one HTML file that needs nothing from outside itself.

The page is built from the answer that the JSON holds, so both say the same.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import lru_cache
from importlib.resources import files
from typing import Any

import jinja2
from markupsafe import Markup

from ballgauge_service.lot.report import charts as charts
from ballgauge_service.lot.sampling.acceptance import counted

WORST_SHOWN = 50
"""Most balls listed in the page (ours); the JSON may hold more."""

SIGNS = {"conforming": "✔", "nonconforming": "✘", "inconclusive": "≈", "not_assessed": "○"}

DECISIONS = {True: "accepted", False: "rejected", None: "not decided"}

_POLICY = (
    "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src data: blob:; "
    "base-uri 'none'; form-action 'none'"
)


def write_report(answer: Mapping[str, Any]) -> str:
    """The page for an answer on one lot, or on several in time order."""
    series = "lots" in answer
    lots = answer["lots"] if series else [answer]
    drawn: dict[str, Any] = {}
    for number, lot in enumerate(lots):
        drawn.update(_lot_charts(lot, f"lot{number}"))
    if series:
        for entry in answer["drift"]:
            if entry["shewhart"] is not None:
                drawn[f"drift-{entry['quantity']}"] = charts.drift(entry)
    page = (
        _environment()
        .get_template("report.html")
        .render(
            answer=answer,
            series=series,
            lots=lots,
            names=answer["names"] if series else [_name(answer)],
            policy=_POLICY,
            style=Markup(_asset("report.css")),
            script=Markup(_asset("report.js")),
            library=Markup(_library()),
            charts=Markup(_json_text(drawn)),
            worst_shown=WORST_SHOWN,
        )
    )
    return str(page)


def _lot_charts(lot: Mapping[str, Any], prefix: str) -> dict[str, Any]:
    drawn: dict[str, Any] = {}
    for statement in lot["quantities"]:
        name = f"{prefix}-{statement['quantity']}"
        drawn[f"{name}-histogram"] = charts.histogram(statement)
        if statement["run_chart"] is not None:
            drawn[f"{name}-run"] = charts.run_chart(statement)
    if lot["curves"] is not None:
        drawn[f"{prefix}-oc"] = charts.operating_characteristic(lot["curves"], lot["plan"])
        drawn[f"{prefix}-aoq"] = charts.outgoing_quality(lot["curves"])
    return drawn


def _name(lot: Mapping[str, Any]) -> str:
    return str(lot["file"]["name"] or "lot")


@lru_cache(maxsize=1)
def _environment() -> jinja2.Environment:
    found = jinja2.Environment(
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        loader=jinja2.FunctionLoader(_asset),
    )
    found.filters |= {
        "words": charts.words,
        "number": number,
        "percent": percent,
        "chance": chance,
        "limits": limits,
        "outcome": outcome_words,
        "unit": lambda unit: "" if unit in (None, "1") else unit,
        "shown": shown,
        "counted": counted,
    }
    found.globals |= {"signs": SIGNS, "decisions": DECISIONS}
    return found


@lru_cache(maxsize=8)
def _asset(name: str) -> str:
    return files(__package__).joinpath("assets", name).read_text(encoding="utf-8")


@lru_cache(maxsize=1)
def _library() -> str:
    """The drawing library as it is installed; a closing tag in it would end the page's script."""
    from plotly.offline import get_plotlyjs

    return str(get_plotlyjs()).replace("</script", "<\\/script")


def _json_text(document: Any) -> str:
    """JSON that may stand inside a script element."""
    text = json.dumps(document, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def number(value: float | None, digits: int = 5) -> str:
    """A number with so many significant digits; a dash for none."""
    return "–" if value is None else f"{value:.{digits}g}"


def percent(fraction: float | None) -> str:
    """A fraction as a percentage, never rounded to 0 or 100 where it is neither."""
    if fraction is None:
        return "–"
    value = 100 * fraction
    if 0 < value < 0.001:
        return "under 0.001 %"
    if 99.999 < value < 100:
        return "over 99.999 %"
    return f"{value:.3g} %" if value < 99.5 or value == 100 else f"{value:.5g} %"


def chance(probability: float | None) -> str:
    """A probability as a percentage, or what it means that there is none."""
    return "no sampling risk" if probability is None else percent(probability)


def limits(limit: Mapping[str, Any]) -> str:
    """The limits of a quantity in words."""
    low, high = limit["min"], limit["max"]
    if low is None and high is None:
        return "none"
    if low is None:
        return f"at most {high:g}"
    return f"at least {low:g}" if high is None else f"{low:g} to {high:g}"


def outcome_words(outcome: str) -> str:
    """An outcome with its sign."""
    return f"{SIGNS[outcome]} {outcome.replace('_', ' ')}"


def shown(text: object) -> str:
    """A text from a file, with what would not print made visible."""
    return "".join(letter if letter.isprintable() else "�" for letter in str(text))
