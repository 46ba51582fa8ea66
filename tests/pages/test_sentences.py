"""Sentences of the engine in the pages' other languages: whole, with the same numbers, if asked for."""

from __future__ import annotations

import ast
import json
import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.compatibility.replay import said

from ballgauge_service.pages import languages
from ballgauge_service.pages.sentences import translator
from ballgauge_service.web.http.language import translated
from ballgauge_service.web.server.application import create_app

TESTS = Path(__file__).parent.parent
ASKED = sorted((TESTS / "compatibility" / "0.1.0" / "requests").glob("*.json"))
OTHERS = [language for language in languages.names() if language != languages.SOURCE]
STAYS = re.compile(
    r"^\S*$|'|\.\w+$"  # codes, and what a caller wrote
    r"|Federation|formerly World Bowling|Tenpin|the International"  # names
)
"""What stays in English in every language."""

SENTENCES = {
    "applies_to",
    "assumptions",
    "definition",
    "detail",
    "message",
    "method",
    "note",
    "notes",
    "reason",
    "reasons",
    "title",
}
UNLIKE = SENTENCES | {"request_id"}


@pytest.fixture(scope="module")
def client() -> Any:
    return create_app(json_logs=False, warm_up=False).test_client()


def _shape(document: Any) -> Any:
    """A document without its sentences."""
    if isinstance(document, dict):
        return {member: _shape(value) for member, value in document.items() if member not in UNLIKE}
    return [_shape(value) for value in document] if isinstance(document, list) else document


def _cheap(path: Path) -> bool:
    cheap = path.stem.startswith(("check", "rulebooks", "problem", "drill", "record"))
    return cheap and "json" in json.loads(path.read_text())["request"]


@pytest.mark.parametrize("language", OTHERS)
@pytest.mark.parametrize("path", [path for path in ASKED if _cheap(path)], ids=lambda path: path.stem)
def test_an_answer_is_whole_in_another_language(client: Any, path: Path, language: str) -> None:
    asked = json.loads(path.read_text())["request"]
    same = {"method": asked["method"], "json": asked["json"]}
    english = client.open(asked["path"], **same)
    other = client.open(asked["path"], **same, headers={"Accept-Language": language})
    assert english.headers.get("Content-Language") is None
    assert other.headers["Content-Language"] == language
    assert "Accept-Language" in other.headers["Vary"]
    assert other.status_code == english.status_code
    assert _shape(other.get_json()) == _shape(english.get_json())
    translate = translator(language)
    assert translate is not None
    for text in said(english.get_json(), members=SENTENCES):
        assert [left for left in translate.lacks(text) if not STAYS.search(left)] == [], text


def test_no_word_to_translate_hides_in_another_text() -> None:
    """Within an f-string a call is not seen by what gathers the words of the catalog."""
    package = Path(languages.__file__).parent.parent
    for file in package.rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.JoinedStr):
                names = {each.func.id for each in ast.walk(node)
                         if isinstance(each, ast.Call) and isinstance(each.func, ast.Name)}  # fmt: skip
                assert not names & {"_", "gettext"}, (file.name, node.lineno)


@pytest.mark.parametrize("language", OTHERS)
def test_recorded_sentences_keep_their_numbers(language: str) -> None:
    """The digits of each sentence that was ever said, in any order, whatever the decimal mark."""
    translate = translator(language)
    assert translate is not None
    recorded = json.loads((TESTS / "sentences.json").read_text())
    flat = [text for each in recorded.values() for text in (each if isinstance(each, list) else [each])]
    assert len(flat) > 500
    for text in filter(lambda each: isinstance(each, str), flat):
        told = translate(text)
        assert sorted(re.findall(r"\d+", told)) == sorted(re.findall(r"\d+", text)), (text, told)


@pytest.mark.parametrize("language", OTHERS)
def test_what_was_kept_in_one_language_is_not_the_answer_in_another(client: Any, language: str) -> None:
    """A caller's digest of the English listing does not stand for another language's, whose own does."""
    wanted = {"Accept-Language": language}
    english, other = client.get("/v1/rulebooks"), client.get("/v1/rulebooks", headers=wanted)
    crossed = client.get("/v1/rulebooks", headers={**wanted, "If-None-Match": english.headers["ETag"]})
    assert (crossed.status_code, crossed.data) == (200, other.data)
    again = client.get("/v1/rulebooks", headers={**wanted, "If-None-Match": other.headers["ETag"]})
    assert (again.status_code, again.data) == (304, b"")
    assert "Accept-Language" in again.headers["Vary"]


def test_a_signed_record_and_names_are_never_changed(client: Any) -> None:
    """What a caller wrote comes back as it was written, also where it reads like a sentence of ours."""
    name = "Weight is 14 lb, within the limit of at most 16 lb."
    asked = {"ball": {"weight": 15, "name": name}, "rules": {"stage": "approval"}}
    for language in OTHERS:
        answer = client.post("/v1/checks", json=asked, headers={"Accept-Language": language}).get_json()
        document = {"record": name, "name": name, "message": "Every rule that was judged is met."}
        told = translated(document, language)
        assert (told["record"], told["name"]) == (name, name)
        assert told["message"] != document["message"]
        assert answer["outcome"] == client.post("/v1/checks", json=asked).get_json()["outcome"]


@pytest.mark.parametrize("language", OTHERS)
def test_the_sentence_that_says_most_of_a_text_tells_it(language: str) -> None:
    """One that begins alike, and has room for a name of ours, swallows no other."""
    translate = translator(language)
    assert translate is not None
    texts = (
        "Density of the densest component is 2.9 g/mL, within the limit of at most 3.8 g/mL.",
        "Balls: 1 nonconforming of 80 balls; at most 0 may be",
    )
    for text in texts:
        assert translate.lacks(text) == ()
        assert re.findall(r"\b(is|within|the|may|of|any)\b", translate(text)) == []


@given(st.text(max_size=300))
def test_any_text_is_told_at_once_and_loses_no_word(text: str) -> None:
    """A text of nobody's comes back with its digits and letters."""
    for language in OTHERS:
        translate = translator(language)
        assert translate is not None
        if translate.lacks(text) == (text,):
            assert translate(text) == text


@pytest.mark.parametrize(
    "piece", ["is is is ", "{name} ", "a, b and c; ", "(in force ", " of the limit of", ". A"]
)
def test_a_text_made_to_be_slow_is_told(piece: str) -> None:
    """Bounded work for the longest text that is translated; a hang would end the run."""
    for language in OTHERS:
        told = translated({"detail": piece * (4000 // len(piece))}, language)
        assert told["detail"]
