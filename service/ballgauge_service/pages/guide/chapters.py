"""The chapters of the guide, from Markdown (CommonMark with tables and TeX equations) to HTML with MathML."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ballgauge_service.pages.guide import tables

if TYPE_CHECKING:
    from markdown_it import MarkdownIt
    from markdown_it.token import Token

FOLDER = Path(__file__).parent

ORDER = (
    *("first-check", "client", "shop", "quality", "designs", "motion", "rules", "fields", "errors"),
    *("physics", "records", "operations", "testing"),
)
"""Every chapter by the name of its file and address, in reading order."""

WHOLE = "all"
"""The address of all of them on one page."""

_TABLE = re.compile(r"^<!-- ([a-z]+) -->$", re.MULTILINE)
"""Where the service puts a table that it makes."""


@dataclass(frozen=True, slots=True)
class Section:
    """A part of a chapter from one heading to the next; the first has no anchor."""

    anchor: str
    title: str
    text: str


@dataclass(frozen=True, slots=True)
class Chapter:
    """A chapter: `lead` is its first paragraph as HTML, `html` all of it without the title.

    `whole` is the same for the page of all chapters: headings a level lower, anchors with the chapter's name.
    """

    name: str
    title: str
    lead: str
    html: str
    whole: str
    sections: tuple[Section, ...]


def chapters(language: str) -> tuple[Chapter, ...]:
    """All chapters in order; their links ask for pages in this language."""
    return tuple(chapter(name, language) for name in ORDER)


def source(name: str) -> str:
    """The Markdown of a chapter with its tables."""
    text = (FOLDER / f"{name}.md").read_text(encoding="utf-8")
    return _TABLE.sub(lambda found: tables.TABLES[found[1]](), text)


@cache
def chapter(name: str, language: str) -> Chapter:
    """One chapter."""
    parser = _parser()
    tokens = parser.parse(source(name))
    title = _plain(tokens[1])
    body = tokens[3:]
    sections = tuple(_sections(title, body))
    links = {"language": language}
    lead = parser.renderer.render(body[:3], parser.options, links)
    html = parser.renderer.render(body, parser.options, links)
    for token in body:
        if token.type in ("heading_open", "heading_close"):
            token.tag = f"h{int(token.tag[1]) + 1}"
        if token.type == "heading_open":
            token.attrSet("id", f"{name}-{token.attrs['id']}")
    whole = parser.renderer.render(body, parser.options, {"chapter": name})
    return Chapter(name, title, lead, html, whole, sections)


def _sections(title: str, tokens: Sequence[Token]) -> Iterator[Section]:
    anchor, words = "", list[str]()
    for at, token in enumerate(tokens):
        if token.type == "heading_open":
            yield Section(anchor, title, " ".join(words))
            anchor, title, words = str(token.attrs["id"]), _plain(tokens[at + 1]), []
        elif token.type == "inline" and tokens[at - 1].type != "heading_open":
            words.append(_plain(token))
        elif token.type in ("fence", "math_block"):
            words.append(token.content)
    yield Section(anchor, title, " ".join(words))


def _plain(token: Token) -> str:
    """The words of an inline token."""
    parts = token.children or ()
    return "".join(" " if part.type == "softbreak" else part.content for part in parts).strip()


@cache
def _parser() -> MarkdownIt:
    # Deferred: a service that nobody reads has no use for them.
    from markdown_it import MarkdownIt
    from mdit_py_plugins.anchors import anchors_plugin
    from mdit_py_plugins.dollarmath import dollarmath_plugin

    parser = MarkdownIt("commonmark", {"html": False}).enable("table")
    parser.use(anchors_plugin, min_level=2, max_level=4)
    parser.use(dollarmath_plugin, renderer=lambda tex, _: _equation(tex, "inline"), allow_labels=False)
    for name, rule in _RULES.items():
        parser.add_render_rule(name, rule)
    return parser


def _fence(_: Any, tokens: Sequence[Token], at: int, *told: Any) -> str:
    language = escape(tokens[at].info.partition(" ")[0])
    return f'<pre tabindex="0" aria-label="{language}"><code>{escape(tokens[at].content)}</code></pre>\n'


def _table_open(*told: Any) -> str:
    return '<div class="guide-table" tabindex="0"><table>\n'


def _table_close(*told: Any) -> str:
    return "</table></div>\n"


def _link_open(renderer: Any, tokens: Sequence[Token], at: int, options: Any, links: dict[str, str]) -> str:
    """A link to another file of the folder leads to its chapter, on the page of all of them to its place."""
    address = str(tokens[at].attrs["href"])
    name, mark, anchor = address.partition("#")
    chapter = name.removesuffix(".md")
    if chapter in ("", *ORDER):
        if "language" not in links:
            chapter = chapter or links["chapter"]
            address = f"#{chapter}-{anchor}" if anchor else f"#chapter-{chapter}"
        elif chapter:
            address = f"/guide/{chapter}?lang={links['language']}{mark}{anchor}"
    return f'<a href="{escape(address)}">'


def _math_block(_: Any, tokens: Sequence[Token], at: int, *told: Any) -> str:
    return f'<div class="math block" tabindex="0">{_equation(tokens[at].content, display="block")}</div>\n'


def _equation(tex: str, display: str) -> str:
    # Deferred, as the parser is.
    from latex2mathml.converter import convert

    return convert(tex, display=display)


_RULES = {
    "math_block": _math_block,
    "fence": _fence,
    "table_open": _table_open,
    "table_close": _table_close,
    "link_open": _link_open,
}
