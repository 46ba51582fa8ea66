"""Checks, drillings, rules and records without an application: decoded requests in, documents out.

The addresses of the service call these functions. An engine inside another process calls them through
`Direct`, which gives the same bytes as the application does and never loads a web framework for one ball.
"""

from __future__ import annotations

import logging
import time
from collections import Counter
from collections.abc import Callable, Generator, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from itertools import islice
from typing import TYPE_CHECKING, Any, NamedTuple
from urllib.parse import parse_qsl

from ballgauge_schemas import ValidationError
from ballgauge_schemas.check.request import (
    CHECK,
    CHECK_REQUEST,
    RULEBOOK_QUERY,
    load_check_body,
    load_collected,
    load_drilling_body,
)
from ballgauge_schemas.shared.problems import MEDIA_TYPE
from ballgauge_schemas.shared.words import OUTCOMES
from ballgauge_service.check.evaluate import evaluate_checks, evaluate_drillings
from ballgauge_service.core.collector import uncollected
from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.rulebooks import Shelf, UnknownRulebookError, approved_list, listing, use
from ballgauge_service.web.http import bodies, deprecation, refusals, request_log, serializer
from ballgauge_service.web.http.refusals import Refusal

if TYPE_CHECKING:
    from ballgauge_service.record.keys import Keyring

_JSON = "application/json"
_log = logging.getLogger("ballgauge_service.signed_records")

Judged = Iterable[tuple[str, str]]
"""Body and outcome of each check."""


def check(asked: Any, tell: Callable[[Judged], None] | None = None) -> Any:
    """Check one ball or many against the rules; `tell` is given what came out."""
    collected = load_collected(asked)
    if collected is not None:
        checks, whole = collected
        listed = {"approved_list": whole["approved_list"]} if "approved_list" in whole else {}
        entries = check_each(checks, CHECK.load, whole["detail"], listed, tell)
        outcomes = Counter(each["result"]["outcome"] if "result" in each else "refused" for each in entries)
        counts = {outcome: outcomes[outcome] for outcome in sorted((*OUTCOMES, "refused"))}
        return {"counts": counts, "results": entries}
    items, batch = load_check_body(asked)
    with _counted("/checks" if batch else ""):
        results = _judged(items, tell)
    if not batch:
        return results[0]
    counted = Counter(result["outcome"] for result in results)
    return {"counts": {outcome: counted[outcome] for outcome in sorted(OUTCOMES)}, "results": results}


def _judged(items: Sequence[dict[str, Any]], tell: Callable[[Judged], None] | None) -> list[dict[str, Any]]:
    results = evaluate_all(items)
    if tell is not None:
        tell((item["rules"]["body"], result["outcome"]) for item, result in zip(items, results, strict=True))
    return results


def evaluate_all(items: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Answer loaded checks, through the layers of those that have a design."""
    return evaluate_checks(_layered(items))


def _layered(items: Sequence[dict[str, Any]]) -> Sequence[dict[str, Any]]:
    if not any("design" in item for item in items):
        return items
    # Deferred: few checks have a design.
    from ballgauge_service.design.checked import with_layers

    return with_layers(items)


def check_each(
    asked: Iterable[Any],
    load: Callable[[Any], dict[str, Any]],
    detail: str,
    listed: Mapping[str, Any],
    tell: Callable[[Judged], None] | None,
) -> list[dict[str, Any]]:
    """Check many balls, each by itself: its `result`, or the `problem` that stands in its place.

    load: gives each loaded check, or raises what refuses it; listed: rules of all that have none
    """
    entries: list[dict[str, Any]] = []
    items: dict[int, dict[str, Any]] = {}
    for number, each in enumerate(asked):
        entries.append({})
        try:
            item = load(each)
        except (ValidationError, Refusal) as refused:
            entries[number] = _in_its_place(refused)
        else:
            items[number] = {"detail": detail, **item, "rules": {**listed, **item["rules"]}}
    while items:
        places = list(items)
        try:
            results = _judged(list(items.values()), tell)
        except InvalidInput as refused:
            for number in {fault.index for fault in refused.faults}:
                faults = [fault for fault in refused.faults if fault.index == number]
                entries[places[number]] = _in_its_place(InvalidInput(faults))
                del items[places[number]]
        else:
            for place, result in zip(places, results, strict=True):
                entries[place] = {"result": result}
            break
    return entries


def _in_its_place(error: Exception) -> dict[str, Any]:
    return {"problem": refusals.problem_of(error, None)}


LINES_AT_ONCE = 500
"""Lines judged together (ours): batches this large cost the least each, and their answers are small."""


def check_lines(
    lines: Iterable[bytes], detail: str, tell: Callable[[Judged], None] | None = None
) -> Generator[bytes, None, None]:
    """Check any number of balls, a line of JSON each; gives pieces of as many lines of answers, in order."""
    upcoming = iter(lines)
    while several := list(islice(upcoming, LINES_AT_ONCE)):
        with uncollected():
            entries = check_each(several, _load_line, detail, {}, tell)
            piece = b"".join([serializer.dump(entry) + b"\n" for entry in entries])
            del entries
        # The collector runs between the pieces, not while one is made.
        yield piece


def _load_line(line: bytes) -> Any:
    """The check of one line; its own detail stands before that of all. Raises ValidationError, Refusal."""
    bodies.require_size(line)
    asked = bodies.parse_json(line)
    loaded = CHECK_REQUEST.load(asked)
    if "detail" not in asked:
        del loaded["detail"]
    return loaded


def drill(asked: Any) -> Any:
    """Compute what drilling does to one ball or many."""
    items, batch = load_drilling_body(asked)
    with _counted("/drillings" if batch else ""):
        results = evaluate_drillings(_layered(items))
    return {"results": results} if batch else results[0]


def rulebooks(query: Iterable[tuple[str, str]]) -> Any:
    """List the rules; none of the query's parameters may be given twice."""
    pairs = list(query)
    given = dict(pairs)
    times = Counter(name for name, _ in pairs)
    if not all(map(bodies.is_name, given)):
        raise ValidationError(bodies.BAD_NAME)
    if errors := {name: "given more than once" for name in given if times[name] > 1}:
        raise ValidationError(errors)
    try:
        listed, approved = listing.listing(**RULEBOOK_QUERY.load(given)), approved_list()
        return {"rulebooks": listed, **({} if approved is None else {"approved_list": approved.told()})}
    except UnknownRulebookError as unknown:
        raise ValidationError({"overlay": str(unknown)}) from None


def verify(asked: Any, keyring: Callable[[], Keyring]) -> Any:
    """Say what has become of a record."""
    # Deferred with the libraries of signing, for which a check has no use.
    from ballgauge_schemas.record.documents import RECORD_VERIFICATION
    from ballgauge_service.record import evaluate

    loaded = RECORD_VERIFICATION.load(asked)
    try:
        return evaluate.verify(loaded["record"].strip(), loaded.get("on"), keyring(), evaluate_all)
    except ValueError as error:
        raise ValidationError({"record": str(error)}) from None


def keyring() -> Keyring:
    """The keys that the environment names."""
    from ballgauge_service.record.keys import BadKeys, Keyring

    try:
        return Keyring.from_environment()
    except BadKeys as bad:
        _log.error("the keys cannot be used: %s", bad)
        raise Refusal(409, "the keys of this service cannot be used; its log says why") from None


@contextmanager
def _counted(items: str) -> Iterator[None]:
    """Point into the array of a batch, whose items the engine counts."""
    try:
        yield
    except InvalidInput as refused:
        raise refusals.impossible(refused, items) from None


class Answer(NamedTuple):
    """What goes back: the status, the headers by name, and the document, whose names stand in order."""

    status: int
    headers: dict[str, str]
    document: Any

    @property
    def body(self) -> bytes:
        """The document as JSON."""
        return serializer.dump(self.document)


class Direct:
    """Answers the requests of one program, by the path and the bytes that the service would be sent.

    The documents of checks and drillings belong to the caller, who may change them.

    shelf: the rulebooks and the approved list to know; None: what is shipped
    """

    def __init__(self, shelf: Shelf | None = None) -> None:
        self._shelf = shelf
        self._keys: Keyring | None = None
        self._posts: dict[str, Callable[[Any], Any]] = {
            "/v1/checks": check,
            "/v1/drillings": drill,
            "/v1/records/verify": lambda asked: verify(asked, self._keyring),
        }

    def answers(self, method: str, path: str) -> bool:
        """Say whether this is asked here; all else is the application's."""
        return (method == "POST" and path in self._posts) or (method, path) == ("GET", "/v1/rulebooks")

    @uncollected()
    def answer(self, method: str, path: str, query: str, body: bytes) -> Answer:
        """Answer a request, with a problem where it is refused. `body` is JSON, whole."""
        # An application that ran in this thread may have left its own rulebooks.
        use(self._shelf)
        started, request_id, asked, names = time.perf_counter(), request_log.request_id(""), None, []
        try:
            if method == "GET":
                pairs = parse_qsl(query, keep_blank_values=True)
                names = [name for name, _ in pairs]
                document = rulebooks(pairs)
            else:
                bodies.require_size(body)
                asked = bodies.parse_json(body)
                document = self._posts[path](asked)
            status, media_type = 200, _JSON
        except Exception as error:  # noqa: BLE001 - whatever it is, a problem says so
            refusal = refusals.refusal_of(error, request_id)
            status, media_type = refusal.status, MEDIA_TYPE
            document = refusals.problem(refusal, request_id)
        request_log.write(request_id, method, path, status, started)
        headers = {"Content-Type": media_type, request_log.REQUEST_ID: request_id}
        for name, value in deprecation.headers(method, path, names, asked):
            headers[name] = f"{headers[name]}, {value}" if name in headers else value
        return Answer(status, headers, document)

    def _keyring(self) -> Keyring:
        if self._keys is None:
            self._keys = keyring()
        return self._keys
