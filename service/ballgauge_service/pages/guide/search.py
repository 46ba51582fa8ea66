"""The search of the guide: sections that have every word, those with it in their titles first."""

from __future__ import annotations

import re
from dataclasses import dataclass

from markupsafe import Markup, escape

from ballgauge_service.pages.guide.chapters import chapters

LONGEST, MOST, AROUND = 100, 40, 90
"""Characters of a question, sections found, characters of an excerpt on each side of a word (ours)."""


@dataclass(frozen=True, slots=True)
class Found:
    """A section that has the words, with what stands around the first of them."""

    chapter: str
    name: str
    anchor: str
    title: str
    excerpt: Markup


def search(question: str, language: str) -> list[Found]:
    """Find sections by words or beginnings of words, whatever their case; an empty question finds none."""
    words = question[:LONGEST].casefold().split()
    patterns = [re.compile(rf"(?<!\w){re.escape(word)}", re.IGNORECASE) for word in words]
    hits: list[tuple[int, int, int, Found]] = []
    for chapter in chapters(language) if words else ():
        for section in chapter.sections:
            in_title = sum(bool(pattern.search(section.title)) for pattern in patterns)
            text = f"{section.title} {section.text}"
            counts = [len(pattern.findall(text)) for pattern in patterns]
            if all(counts):
                excerpt = _excerpt(section.text, patterns)
                found = Found(chapter.title, chapter.name, section.anchor, section.title, excerpt)
                hits.append((-in_title, -sum(counts), len(hits), found))
    return [found for *_, found in sorted(hits, key=lambda hit: hit[:3])[:MOST]]


def _excerpt(text: str, patterns: list[re.Pattern[str]]) -> Markup:
    first = min((each.start() for pattern in patterns if (each := pattern.search(text))), default=0)
    start, end = max(first - AROUND, 0), first + 2 * AROUND
    shown = text[start:end]
    every = re.compile("|".join(f"(?:{pattern.pattern})\\w*" for pattern in patterns), re.IGNORECASE)
    told, at = Markup("… ") if start else Markup(), 0
    for hit in every.finditer(shown):
        told += escape(shown[at : hit.start()]) + Markup("<mark>") + escape(hit[0]) + Markup("</mark>")
        at = hit.end()
    return told + escape(shown[at:]) + (Markup(" …") if end < len(text) else Markup())
