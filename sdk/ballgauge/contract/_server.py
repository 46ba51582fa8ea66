"""The service under test, and what every one of its answers has to keep."""

from __future__ import annotations

import functools
import json
import re
import time
from collections.abc import Iterator, Mapping
from email.utils import parsedate_to_datetime
from types import TracebackType
from typing import Any
from urllib.parse import urlencode

import requests

from ballgauge import _engine
from ballgauge._deprecation import deprecated_since
from ballgauge._failures import asked_wait
from ballgauge._http import JSON, LONGEST_WAIT, Request
from ballgauge._network import Network, Timeouts, Way
from ballgauge_schemas import PROBLEM, ValidationError, openapi_document
from ballgauge_schemas.shared.base import UNKNOWN_MORE, Schema
from ballgauge_schemas.shared.problems import MEDIA_TYPE
from ballgauge_schemas.shared.wording import UnknownField

_TRIES = 5
_LONGEST = 120.0
"""Seconds that an answer may take (ours)."""
_REQUEST_ID = re.compile(r"[!-~]{1,128}")


class Server:
    """A service, asked over HTTP or inside this process; every answer is held to `keep_promises`.

    Answers 429 and 503 that say when to ask again are asked again, a few times: a busy service is not a
    wrong one.
    """

    def __init__(self, url: str | None = None, key: str | None = None) -> None:
        self._transport: _engine.Embedded | Network = (
            _engine.Embedded(_engine.application())
            if url is None
            else Network(Way(url, Timeouts(_LONGEST, _LONGEST), key))
        )
        self.url = self._transport.url
        self.embedded = url is None

    def __enter__(self) -> Server:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._transport.close()

    def send(
        self,
        method: str,
        path: str,
        body: bytes | None = None,
        headers: Mapping[str, str] | None = None,
        *,
        patient: bool = True,
    ) -> requests.Response:
        """Send one request and hold its answer to what every answer promises."""
        for _ in range(_TRIES):
            response = self._transport.send(Request(method, path, body), headers or {})
            keep_promises(response)
            if not patient or response.status_code not in (429, 503):
                break
            time.sleep(min(asked_wait(response.headers.get("Retry-After")) or 0.0, LONGEST_WAIT))
        return response

    def get(self, path: str, query: Mapping[str, str] | None = None, **more: Any) -> requests.Response:
        """Ask for what lies at a path."""
        return self.send("GET", path + (f"?{urlencode(query)}" if query else ""), **more)

    def post(self, path: str, document: Any, accept: str | None = None) -> requests.Response:
        """Send a document as JSON."""
        headers = {"Content-Type": JSON, **({"Accept": accept} if accept else {})}
        return self.send("POST", path, json.dumps(document, ensure_ascii=False).encode(), headers)

    @functools.cached_property
    def newer(self) -> bool:
        """Whether the service is of another version than this kit: its answers may have more members."""
        told = answer_of(self.get("/openapi.json"))["info"]["version"]
        return bool(told != openapi_document()["info"]["version"])

    def hold(self, schema: Schema, answer: Any) -> None:
        """Hold an answer to its schema; one of another version may have members that are not known here."""
        held(schema, answer, more=self.newer)

    def post_lot(self, options: Any, text: str, accept: str = JSON) -> requests.Response:
        """Send the text of a CSV file, with options in the query."""
        query = urlencode({"name": "lot.csv", "options": json.dumps(options, ensure_ascii=False)})
        headers = {"Content-Type": "text/csv", "Accept": accept}
        return self.send("POST", f"/v1/lots?{query}", text.encode(), headers)


def keep_promises(response: requests.Response) -> None:
    """Hold an answer to what every answer promises, whatever was asked."""
    status = response.status_code
    assert status < 500 or status == 503, f"{_asked(response)}: status {status}"
    identity = response.headers.get("X-Request-Id", "")
    assert _REQUEST_ID.fullmatch(identity), f"{_asked(response)}: no request id to look for in the log"
    if status in (429, 503):
        wait = asked_wait(response.headers.get("Retry-After"))
        assert wait is not None, f"{_asked(response)}: {status} without a Retry-After that says when"
    _keep_dates(response)
    if status >= 400 and response.request.method != "HEAD":
        problem_of(response)


def _keep_dates(response: requests.Response) -> None:
    """RFC 9745 and RFC 8594: well-formed, and the sunset not before the deprecation."""
    deprecation, sunset = (response.headers.get(name) for name in ("Deprecation", "Sunset"))
    since = None
    if deprecation is not None:
        since = deprecated_since(deprecation)
        assert since is not None, f"Deprecation is no date of RFC 9745: {deprecation!r}"
        assert "deprecation" in response.links, "Deprecation without a Link that says what to do instead"
    if sunset is not None:
        try:
            until = parsedate_to_datetime(sunset)
        except ValueError:
            raise AssertionError(f"Sunset is no HTTP date: {sunset!r}") from None
        assert sunset.endswith("GMT"), f"Sunset is no HTTP date: {sunset!r}"
        assert since is None or since <= until, "the Sunset comes before the Deprecation"


def held(schema: Schema, answer: Any, *, more: bool) -> None:
    """Hold an answer to its schema, with `more` members or without; says every member that is wrong."""
    try:
        schema.load(answer)
    except ValidationError as error:
        wrong = list(_wrong(error.messages, "", more))
        assert not wrong, f"not as {type(schema).__name__.removesuffix('Schema')} has it: {wrong}"


def _wrong(messages: Any, place: str, more: bool) -> Iterator[str]:
    """Every error of a load by its place; a member that is not known is none where there may be more."""
    if isinstance(messages, dict):
        for name, below in messages.items():
            yield from _wrong(below, f"{place}/{name}", more)
    elif isinstance(messages, list):
        for message in messages:
            yield from _wrong(message, place, more)
    elif not (more and (isinstance(messages, UnknownField) or messages.endswith(UNKNOWN_MORE))):
        yield f"{place}: {messages}"


def problem_of(response: requests.Response) -> dict[str, Any]:
    """Read problem details (RFC 9457) from an answer, held to the contract."""
    media = response.headers.get("Content-Type", "").partition(";")[0]
    assert media == MEDIA_TYPE, f"{_asked(response)}: {response.status_code} as {media!r}, not {MEDIA_TYPE}"
    problem: dict[str, Any] = strict_json(response.content)
    held(PROBLEM, problem, more=True)
    assert problem["status"] == response.status_code
    if "request_id" in problem:
        assert problem["request_id"] == response.headers["X-Request-Id"]
    return problem


def pointers_of(response: requests.Response) -> list[str]:
    """The pointers that a refusal of status 422 names."""
    told = response.content[:500].decode(errors="replace")
    assert response.status_code == 422, f"{_asked(response)}: status {response.status_code}, not 422: {told}"
    return [error["pointer"] for error in problem_of(response).get("errors", [])]


def answer_of(response: requests.Response) -> Any:
    """Read the JSON of an answer of status 200."""
    told = response.content[:1000].decode(errors="replace")
    assert response.status_code == 200, f"{_asked(response)}: status {response.status_code}: {told}"
    assert response.headers["Content-Type"].partition(";")[0] == JSON
    return strict_json(response.content)


def strict_json(body: bytes) -> Any:
    """Read JSON; what is not JSON (NaN, Infinity, names that stand twice) is refused."""
    return json.loads(body, parse_constant=_no_json, object_pairs_hook=_distinct)


def _no_json(word: str) -> Any:
    raise AssertionError(f"{word} is not JSON")


def _distinct(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members = dict(pairs)
    assert len(members) == len(pairs), "duplicate name"
    return members


def _asked(response: requests.Response) -> str:
    return f"{response.request.method} {response.request.path_url[:100]}"
