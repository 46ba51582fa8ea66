"""The addresses of the pages, and the headers they are sent with."""

from __future__ import annotations

import io
import json
import re
from functools import partial
from importlib.resources import files
from typing import Any

from flask import Blueprint, Response, make_response, render_template, request, send_file, send_from_directory
from jinja2.utils import htmlsafe_json_dumps

from ballgauge_schemas import example
from ballgauge_schemas.shared.documents import design_example, lineup_example, motion_example
from ballgauge_service import rulebooks
from ballgauge_service.core.refusal import Fault, InvalidInput
from ballgauge_service.core.units import METRIC
from ballgauge_service.pages import assets, contracts, forms, guide, labels, languages, sections, sentences
from ballgauge_service.rulebooks import amount, listing

blueprint = Blueprint("pages", __name__, template_folder="templates")

PAGES = ("check", "drilling", "desk", "verify", "lot", "motion", "lineup", "design", "rules", "guide")
"""Every page by the name of its address and template, in the order of the menu."""

_NAMED = re.compile("`(\\w+)`")

CODE_MAXIMUM = 1500
"""Bytes of an address whose code a phone still reads from a screen (ours)."""

POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' data: blob:",
        "connect-src 'self'",
        "base-uri 'none'",
        "form-action 'none'",
        "frame-ancestors 'none'",
    )
)

SEARCH_POLICY = POLICY.replace("form-action 'none'", "form-action 'self'")
"""Of the guide, whose search is a form that works without scripts."""

HEADERS = {
    "Content-Security-Policy": POLICY,
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(self), geolocation=(), microphone=(), payment=(), usb=()",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
}


@blueprint.after_request
def _protect(response: Response) -> Response:
    response.headers.update(HEADERS)
    if request.endpoint != "pages.static" and request.path.startswith("/guide"):
        response.headers["Content-Security-Policy"] = SEARCH_POLICY
    return response


@blueprint.get("/")
def home() -> Response:
    """Give the first page: check a ball."""
    return _page("check")


@blueprint.get(f"/<any({', '.join(PAGES)}):name>")
def page(name: str) -> Response:
    """Give a page."""
    return _page(name)


@blueprint.get(f"/guide/<any({', '.join(map(repr, (*guide.ORDER, guide.WHOLE)))}):part>")
def guide_part(part: str) -> Response:
    """Give a chapter of the guide, or all of it on one page."""
    return _page("guide", part)


@blueprint.get("/static/<path:name>")
def static(name: str) -> Response:
    """Give a stylesheet, a script or a picture; under the version of all of them, it may be kept for ever."""
    version, _, rest = name.partition("/")
    is_versioned = version == assets.version()
    file = rest if is_versioned else name
    if file in assets.scripts():
        script = io.BytesIO(assets.scripts()[file])
        response = send_file(script, mimetype="text/javascript", etag=assets.version(), max_age=0)
    else:
        response = send_from_directory(assets.FOLDER, file)
    response.headers["Cache-Control"] = "public, max-age=31536000, immutable" if is_versioned else "no-cache"
    return response


@blueprint.url_defaults
def _with_version(endpoint: str, values: dict[str, Any]) -> None:
    if endpoint == "pages.static":
        values["name"] = f"{assets.version()}/{values['name']}"


@blueprint.post("/code")
def code() -> Response:
    """Draw an address as a QR code; what asks for a page never tells what is after the hash."""
    import segno

    drawn = io.BytesIO()
    made = segno.make_qr(_address(request.get_data(cache=False)), error="l", boost_error=False)
    made.save(drawn, kind="svg", scale=4, light="#fff", xmldecl=False)
    return Response(drawn.getvalue(), content_type="image/svg+xml")


def _address(body: bytes) -> str:
    try:
        asked: Any = json.loads(body) if len(body) <= 2 * CODE_MAXIMUM else None
        address = asked["address"].encode()
        if 0 < len(address) <= CODE_MAXIMUM:
            return str(address, "utf-8")
    except (ValueError, TypeError, LookupError, AttributeError, RecursionError):
        pass
    raise InvalidInput([Fault("/address", f"must be an address of at most {CODE_MAXIMUM} bytes")])


def _page(name: str, part: str = "") -> Response:
    language = languages.negotiate(request.args.get("lang"), request.headers.get("Accept-Language", ""))
    translate = languages.gettext(language)
    say = sentences.translator(language)
    modules = assets.modules(f"{name}.js")
    body = render_template(
        f"{name}.html",
        _=translate,
        say=say or str,
        page=name,
        pages=PAGES,
        language=language,
        languages=languages.names(),
        # Letters as they are: escapes of them would make the page larger.
        data=partial(htmlsafe_json_dumps, ensure_ascii=False, separators=(",", ":")),
        words=languages.script_words(language, modules + assets.later(f"{name}.js")),
        label=partial(_label, translate),
        word=partial(_word, translate),
        told=partial(_told, translate, say),
        chosen=forms.chosen,
        kept={name: labels.LABELS[name.split(".")[-1]] for name in sorted(forms.IN_REQUESTS_ALONE)},
        sections=sections,
        examples=_examples(name),
        contract=contracts.of(name, translate),
        modules=modules,
        metric=dict(METRIC),
        rulebooks=listing.listing,
        amount=lambda value, unit: (say.number if say else str)(amount(value, unit)),
        place=_place,
        part=part,
        guide=guide,
    )
    response = make_response(body)
    response.headers["Content-Language"] = language
    response.headers["Vary"] = "Accept-Language"
    response.headers["Cache-Control"] = "no-cache"
    response.add_etag(weak=True)
    response.make_conditional(request)
    return response


def _place(day: str | None, end: int) -> int:
    """Where a day lies on a line of 300 from 2000 to 2030; an open one at its end."""
    if day is None:
        return end
    year, month, _ = map(int, day.split("-"))
    return min(max(round(10 * (year - 2000) + 10 * (month - 1) / 12), 0), 300)


def _label(translate: Any, field: forms.Field) -> str:
    return str(translate(labels.LABELS[field.key]))


def _told(translate: Any, say: sentences.Translator | None, text: str) -> str:
    """A text about a field for people: fields by their labels, numbers as the language writes them."""
    named = _NAMED.sub(lambda found: f'"{translate(labels.LABELS.get(found[1], found[1]))}"', text)
    return say.number(named) if say else named


def _word(translate: Any, word: str) -> str:
    overlay = rulebooks.overlay_named(word).title if word in rulebooks.overlays() else word
    return str(translate(labels.WORDS.get(word, overlay)))


def _examples(page: str) -> dict[str, Any]:
    """What the page can start from, by name."""
    if page == "lot":
        file = files("ballgauge_schemas").joinpath("example_lots", "ostrel_tarn_48.csv")
        return {file.name: file.read_text(encoding="utf-8")}
    if page == "motion":
        return {
            "delivery": _delivery(),
            "line_map": motion_example("motion_line_map"),
            "squad": motion_example("motion_squad"),
            "explain": motion_example("motion_explain"),
        }
    if page == "lineup":
        return {"lineup": lineup_example("lineup")}
    if page == "design":
        return {"as_made": _design(), "compared": _compared(), "set": design_example("skarn_set")}
    return {name: example(name) for name in ("drilled", "as_made", "side_weight_over")}


def _delivery() -> dict[str, Any]:
    """The example motion by itself, with every number of its release."""
    request = motion_example("motion")
    del request["spread"]
    own = {"speed": 18, "rev_rate": 330, "axis_rotation": 45, "axis_tilt": 12}
    return {**request, "release": {**own, **request["release"]}}


def _design() -> dict[str, Any]:
    """The example design as made."""
    request = design_example("skarn")
    del request["drilling"]
    return request


def _compared() -> dict[str, Any]:
    """The example design beside the same one with a lighter core."""
    second = _design()["design"]
    second["name"] += ", lighter core"
    core = next(solid for solid in second["solids"] if solid["role"] == "inner_core")
    core["density"] = round(core["density"] - 0.2, 3)
    return {**_design(), "compare": {"design": second}}
