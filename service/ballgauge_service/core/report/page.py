"""A report as one HTML file: no script, nothing from outside itself."""

from __future__ import annotations

import re
from functools import lru_cache
from importlib.resources import files

import jinja2
from markupsafe import Markup, escape

from ballgauge_service.core.report.blocks import Report
from ballgauge_service.core.report.shapes import Area, Box, Dot, Line, Picture, Shape

SIGNS = {"conforming": "✔", "nonconforming": "✘", "inconclusive": "≈", "not_assessed": "○"}

_POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"


def write(report: Report) -> str:
    """The page of a report."""
    return (
        _environment()
        .get_template("report.html")
        .render(
            report=report,
            policy=_POLICY,
            # Of a stranger's text letters and digits alone stay as they are.
            css=Markup(_asset("report.css").replace("$NAME", _css_text(report.name))),  # nosec B704
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
    colors = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", _asset("report.css").split("@media")[0]))
    rules = [
        f".s-{name}{{stroke:{color}}}.f-{name},.t-{name}{{fill:{color}}}" for name, color in colors.items()
    ]
    style = "text{font:10.5px system-ui,sans-serif}polyline{fill:none}"
    ground = f'<rect width="{picture.width:g}" height="{picture.height:g}" fill="#fff"/>'
    return str(svg(picture, f"<style>{style}{''.join(rules)}</style>{ground}"))


def _drawn(shape: Shape) -> str:
    if isinstance(shape, Line):
        points = " ".join(f"{x:.1f},{y:.1f}" for x, y in shape.points)
        dash = f' stroke-dasharray="{" ".join(f"{each:g}" for each in shape.dash)}"' if shape.dash else ""
        return f'<polyline class="s-{shape.ink}" points="{points}" stroke-width="{shape.width:g}"{dash}/>'
    if isinstance(shape, Box):
        x, y, right, low = shape.x, shape.y, shape.x + shape.width, shape.y + shape.height
        box = (
            f'<rect class="f-{shape.ink}" x="{x:.1f}" y="{y:.1f}" width="{shape.width:.1f}" '
            f'height="{shape.height:.1f}"/>'
        )
        path = f"M{x:.1f} {y:.1f}L{right:.1f} {low:.1f}M{x:.1f} {low:.1f}L{right:.1f} {y:.1f}"
        return f'{box}<path class="s-paper" d="{path}"/>' if shape.crossed else box
    if isinstance(shape, Area):
        path = "".join("M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in ring) + "Z" for ring in shape.rings)
        return f'<path class="t-{shape.tint} s-ink" fill-rule="evenodd" stroke-width=".8" d="{path}"/>'
    if isinstance(shape, Dot):
        if shape.crossed:
            path = f"M{shape.x:.1f} {shape.y:.1f}m-4-4l8 8m0-8l-8 8"
            return f'<path class="s-{shape.ink}" stroke-width="2" d="{path}"/>'
        return f'<circle class="f-{shape.ink}" cx="{shape.x:.1f}" cy="{shape.y:.1f}" r="2.2"/>'
    turned = f' transform="rotate(-90 {shape.x:.1f} {shape.y:.1f})"' if shape.turned else ""
    return (
        f'<text class="f-{shape.ink}" x="{shape.x:.1f}" y="{shape.y:.1f}" '
        f'text-anchor="{shape.anchor}"{turned}>{escape(shape.text)}</text>'
    )
