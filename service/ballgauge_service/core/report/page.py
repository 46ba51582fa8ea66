"""A report as one HTML file: no script, nothing from outside itself."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import lru_cache
from importlib.resources import files

import jinja2
from markupsafe import Markup, escape

from ballgauge_service.core.report.blocks import Report
from ballgauge_service.core.report.shapes import LETTER, Area, Box, Dot, Ink, Line, Picture, Shape

SIGNS = {"conforming": "✔", "nonconforming": "✘", "inconclusive": "≈", "not_assessed": "○"}

POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"


def write(report: Report) -> str:
    """The page of a report."""
    return (
        _environment()
        .get_template("report.html")
        .render(
            report=report,
            policy=POLICY,
            # Of a stranger's text letters and digits alone stay as they are.
            css=colored() + Markup(_asset("report.css").replace("$NAME", _css_text(report.name))),  # nosec B704
            signs=SIGNS,
        )
    )


@lru_cache(maxsize=1)
def _environment() -> jinja2.Environment:
    found = jinja2.Environment(
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        loader=jinja2.FunctionLoader(_asset),
    )
    found.filters |= {"kind": lambda block: type(block).__name__.lower(), "svg": svg}
    return found


@lru_cache(maxsize=8)
def _asset(name: str) -> str:
    return files(__package__).joinpath("assets", name).read_text(encoding="utf-8")


def _css_text(text: str) -> str:
    """A text inside quotes of a style sheet inside a page: letters and digits as they are, else escaped."""
    return "".join(letter if letter.isalnum() else f"\\{ord(letter):x} " for letter in text)


def colored() -> Markup:
    """The style of what is drawn: light, dark and on paper."""
    return Markup(_asset("colors.css"))  # nosec B704


def svg(picture: Picture, head: str = "") -> Markup:
    """A picture as SVG; its colors are classes of the page's style, or of what `head` holds."""
    drawn = "".join(map(_drawn, picture.shapes))
    label, size = escape(picture.label), f"0 0 {picture.width:g} {picture.height:g}"
    # Every text in it is escaped where it is drawn.
    return Markup(  # nosec B704
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{size}" role="img" aria-label="{label}">'
        f"{head}{drawn}</svg>"
    )


def alone(picture: Picture) -> str:
    """A picture as a file of its own: on white, with the page's light colors."""
    colors = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", _asset("colors.css").split("@media")[0]))
    rules = [
        f".s-{name}{{stroke:{color}}}.f-{name},.t-{name}{{fill:{color}}}" for name, color in colors.items()
    ]
    style = f"svg{{font:{LETTER}px Roboto,Arial,Helvetica,sans-serif}}"
    style += "rect{shape-rendering:crispEdges}polyline{fill:none}"
    ground = f'<rect width="{picture.width:g}" height="{picture.height:g}" fill="#fff"/>'
    return str(svg(picture, f"<style>{style}{''.join(rules)}</style>{ground}"))


def _drawn(shape: Shape) -> str:
    if isinstance(shape, Line):
        points = " ".join(f"{_at(x)},{_at(y)}" for x, y in shape.points)
        return f'<polyline {_look(None, shape.ink, shape.width, shape.dash)} points="{points}"/>'
    if isinstance(shape, Area):
        path = "".join("M" + "L".join(f"{_at(x)} {_at(y)}" for x, y in ring) + "Z" for ring in shape.rings)
        return f'<path class="t-{shape.tint} s-ink" fill-rule="evenodd" stroke-width=".8" d="{path}"/>'
    x, y = _at(shape.x), _at(shape.y)
    if isinstance(shape, Box):
        right, low = _at(shape.x + shape.width), _at(shape.y + shape.height)
        box = (
            f'<rect {_look(shape.ink, shape.rim, 0.15)} x="{x}" y="{y}" width="{_at(shape.width)}" '
            f'height="{_at(shape.height)}"/>'
        )
        path = f"M{x} {y}L{right} {low}M{x} {low}L{right} {y}"
        return f'{box}<path class="s-paper" d="{path}"/>' if shape.crossed else box
    if isinstance(shape, Dot):
        if shape.crossed:
            return f'<path {_look(None, shape.ink, 2.0)} d="M{x} {y}m-4-4l8 8m0-8l-8 8"/>'
        look = _look(shape.ink, shape.rim, shape.width, shape.dash)
        return f'<circle {look} cx="{x}" cy="{y}" r="{_at(shape.radius)}"/>'
    turned = f' transform="rotate(-90 {x} {y})"' if shape.turned else ""
    size = "" if shape.size == LETTER else f' font-size="{_at(shape.size)}"'
    bold = ' font-weight="bold"' if shape.bold else ""
    length = f' textLength="{_at(shape.length)}" lengthAdjust="spacingAndGlyphs"' if shape.length else ""
    return (
        f'<text {_look(shape.ink)} x="{x}" y="{y}" text-anchor="{shape.anchor}"{size}{bold}{length}{turned}>'
        f"{escape(shape.text)}</text>"
    )


def _at(place: float) -> str:
    return f"{place:.2f}".rstrip("0").rstrip(".")


def _look(fill: Ink | None, edge: Ink | None = None, width: float = 1.0, dash: Sequence[float] = ()) -> str:
    """What fills a shape and edges it: classes where they are roles."""
    inks = (("f", "fill", fill), ("s", "stroke", edge))
    classes = " ".join(f"{letter}-{ink}" for letter, _, ink in inks if isinstance(ink, str))
    told = [f'class="{classes}"'] if classes else []
    told += [f'{name}="#{bytes(ink).hex()}"' for _, name, ink in inks if isinstance(ink, tuple)]
    told += [] if edge is None else [f'stroke-width="{width:g}"']
    told += [f'stroke-dasharray="{" ".join(f"{each:g}" for each in dash)}"'] if dash else []
    return " ".join(told)
