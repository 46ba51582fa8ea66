"""Sentences of an answer in another language, found in the catalog by what surrounds their numbers and names.

The engine says everything in English, once. A sentence that the catalog holds as `{title} is {shown}, within
the limit of {allowed}.` is recognized as a whole; what stands in its gaps is translated in turn. What the
catalog lacks stays in English, whole.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache, lru_cache
from heapq import merge
from itertools import chain, islice

from ballgauge_schemas.shared.quantity import KINDS
from ballgauge_service.pages import languages

BETWEEN_SENTENCES = re.compile(r"(?<=[A-Za-z0-9)%°}\"][.?!]) (?=[A-Z])")
_JOINTS = ("; and ", "; ", ": ", ", ", " and ", " or ")
"""What holds the parts of a sentence together, the strongest first."""

_GAP = re.compile(r"\{(\w+)\}")
_LETTERS = re.compile("[A-Za-z]{2,}")
_ASIDE = re.compile(r"(.+) \((.+)\)")
_MEASURED = re.compile(r"([-+−]?\d[\d.,/ ]*) (\D.*)")
_UNITS = frozenset(unit for kind in KINDS.values() for unit in kind.offered)
_DECIMAL = re.compile(r"(?<![\d.])(\d+)\.(\d+)(?![\d.])")
_AS_GIVEN = frozenset(
    (
        *("name", "serial", "sent", "source", "got", "near", "text", "error", "shown_text", "path"),
        *("suggestion", "pattern", "solids", "repr", "msg"),
    )
)
"""Gaps that hold what a caller wrote."""

_FEW = 5
"""A sentence of so few letters of its own is recognized only if all its gaps are."""


_Told = tuple[str, tuple[str, ...]]
"""A text in the language, and what of it stays in English."""

_DEEPEST, _FORMS, _LONGEST = 8, 8, 700
"""How far parts are taken apart, how many sentences one may be, and how long one is: work stays bounded."""


@dataclass(frozen=True, slots=True)
class _Pattern:
    form: re.Pattern[str]
    said: str
    own: int


def _most_letters(pattern: _Pattern) -> int:
    """Order of patterns: one with more letters of its own says more of a text, whatever it begins with."""
    return -pattern.own


class Translator:
    """The sentences of one language.

    Parameters
    ----------
    words : dict
        English texts with their translations; {name} is a gap in both.
    decimal : str
        The language's decimal mark.
    """

    def __init__(self, words: dict[str, str], decimal: str) -> None:
        self._whole = words
        self._decimal = decimal
        self._by_head: dict[str, list[_Pattern]] = {}
        for text, said in words.items():
            if _GAP.search(text):
                pattern = _pattern(text, said)
                if pattern.own >= 2:
                    self._by_head.setdefault(text.partition("{")[0][:4], []).append(pattern)
        for patterns in self._by_head.values():
            patterns.sort(key=_most_letters)
        self._cached = lru_cache(maxsize=20_000)(self._told)

    def __call__(self, text: str) -> str:
        """The text in this language; in English what the catalog lacks."""
        return self._cached(text, 0)[0]

    def lacks(self, text: str) -> tuple[str, ...]:
        """What of the text stays in English."""
        return self._cached(text, 0)[1]

    def _told(self, text: str, depth: int) -> _Told:
        if (whole := self._whole.get(text)) is not None and not _GAP.search(text):
            return whole, ()
        if text in _UNITS or not _LETTERS.search(text):
            return self.number(text), ()
        sentences = BETWEEN_SENTENCES.split(text)
        if len(sentences) > 1:
            return self._joined(sentences, " ", depth)
        if depth > _DEEPEST or len(text) > _LONGEST:
            return text, (text,)
        best: _Told = (text, (text,))
        weak, strong = self._alike(text, depth, weak=True), self._alike(text, depth, weak=False)
        for found in chain(islice(strong, _FORMS), self._divided(text, depth), islice(weak, _FORMS)):
            if sum(map(len, found[1])) < sum(map(len, best[1])):
                best = found
            if not best[1]:
                break
        return best

    def _alike(self, text: str, depth: int, *, weak: bool) -> Iterator[_Told]:
        """The text by each sentence with gaps that it may be; a weak one has few letters of its own."""
        alike = merge(*(self._by_head.get(text[:size], ()) for size in range(5)), key=_most_letters)
        for pattern in alike:
            match = pattern.form.fullmatch(text) if weak == (pattern.own < _FEW) else None
            if match is None:
                continue
            told: dict[str, str] = {}
            lacking: list[str] = []
            for gap, held in match.groupdict().items():
                given = pattern.own >= _FEW and gap.rstrip("23456789") in _AS_GIVEN
                if given or not held:
                    told[gap] = held
                    continue
                inner, left = self._cached(held.strip(), depth + 1)
                told[gap] = held.replace(held.strip(), inner) if held.strip() else held
                lacking += left
            if pattern.own >= _FEW or not lacking:
                yield _GAP.sub(lambda gap: told.get(gap[1], gap[0]), pattern.said), tuple(lacking)  # noqa: B023

    def _divided(self, text: str, depth: int) -> Iterator[_Told]:
        """The text by its parts."""
        if text[-1] in ".:;,":
            inner, left = self._cached(text[:-1], depth + 1)
            yield inner + text[-1], left
        if (aside := _ASIDE.fullmatch(text)) is not None:
            yield self._joined([aside[1], f"({aside[2]})"], " ", depth)
        if (measured := _MEASURED.fullmatch(text)) is not None:
            unit, _, rest = measured[2].partition(" ")
            is_unit = unit in _UNITS and rest
            inner, left = self._cached(rest if is_unit else measured[2], depth + 1)
            yield f"{self.number(measured[1])} {f'{unit} {inner}' if is_unit else inner}", left
        if text[0] == "(" and text[-1] == ")":
            inner, left = self._cached(text[1:-1], depth + 1)
            yield f"({inner})", left
        for joint in _JOINTS:
            if joint in text:
                word = joint.strip(" ;,:")
                said = joint.replace(word, self._whole.get(word, word)) if word else joint
                yield self._joined(text.split(joint), said, depth)

    def _joined(self, parts: list[str], joint: str, depth: int) -> _Told:
        told = [self._cached(part, depth + 1) for part in parts]
        return joint.join(part for part, _ in told), tuple(left for _, lacking in told for left in lacking)

    def number(self, text: str) -> str:
        """A text with the language's decimal mark in its numbers."""
        return _DECIMAL.sub(rf"\1{self._decimal}\2", text)


def _pattern(text: str, said: str) -> _Pattern:
    names: list[str] = []
    form, end = "", 0
    for gap in _GAP.finditer(text):
        form += re.escape(text[end : gap.start()])
        form += (
            f"(?P={gap[1]})"
            if gap[1] in names
            else f"(?P<{gap[1]}>.*{'' if _GAP.match(text[gap.end() :].lstrip()) else '?'})"
        )
        names.append(gap[1])
        end = gap.end()
    form += re.escape(text[end:])
    own = len(re.findall("[A-Za-z]", _GAP.sub("", text)))
    return _Pattern(re.compile(form, re.DOTALL), said, own)


@cache
def translator(language: str) -> Translator | None:
    """The translator to a language; None for the language that the engine speaks."""
    if language == languages.SOURCE:
        return None
    from babel import Locale

    decimal = Locale.parse(language).number_symbols["latn"]["decimal"]
    return Translator(dict(languages.texts(language)), decimal)
