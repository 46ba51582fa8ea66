"""Services that keep every promise of the contract but one, and what the contract's test kit says of each.

Run as a program it serves each of them on a free port of the loopback in turn, runs the tests named for it
through the kit's own command line, and prints as JSON which failed. A wrong service is the real one with a
wrapper around it that changes what goes in or comes out.
"""

from __future__ import annotations

import io
import itertools
import json
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

Headers = dict[str, str]


@dataclass
class Answer:
    """An answer on its way out."""

    status: str
    headers: Headers
    body: bytes

    @property
    def code(self) -> int:
        return int(self.status[:3])

    @property
    def document(self) -> Any:
        """The JSON in it, None where it is none."""
        return json.loads(self.body) if "json" in self.headers.get("Content-Type", "") and self.body else None

    def put(self, document: Any) -> None:
        """Replace the JSON."""
        self.body = json.dumps(document).encode()


Out = Callable[[dict[str, Any], Answer], None]
In = Callable[[dict[str, Any]], None]


@dataclass(frozen=True)
class Wrong:
    """A broken promise: the tests of the kit that must see it, and how it is broken."""

    caught_by: tuple[str, ...]
    outgoing: Out | None = None
    incoming: In | None = None


def _problems(change: Callable[[dict[str, Any]], None]) -> Out:
    """Change the problem details of every refusal of status 422."""

    def outgoing(_environ: dict[str, Any], answer: Answer) -> None:
        if answer.code == 422 and answer.document:
            problem = answer.document
            change(problem)
            answer.put(problem)

    return outgoing


def _checks(change: Callable[[dict[str, Any]], None]) -> Out:
    """Change every result of a check."""

    def outgoing(environ: dict[str, Any], answer: Answer) -> None:
        if environ["PATH_INFO"] == "/v1/checks" and answer.code == 200:
            document = answer.document
            for result in document.get("results", [document]):
                change(result)
            answer.put(document)

    return outgoing


def _wrong_pointers(problem: dict[str, Any]) -> None:
    for error in problem.get("errors", []):
        error["pointer"] = error["pointer"].replace("/ball/", "/balls/")


def _first_error_alone(problem: dict[str, Any]) -> None:
    problem["errors"] = problem.get("errors", [])[:1]


def _approved(result: dict[str, Any]) -> None:
    if result["outcome"] == "conforming":
        result["outcome"] = "approved"


def _always_conforming(result: dict[str, Any]) -> None:
    result["outcome"] = "conforming"


def _findings_say_conforming(result: dict[str, Any]) -> None:
    for finding in result["findings"]:
        if finding["outcome"] == "nonconforming":
            finding["outcome"] = "conforming"
    result["outcome"] = "not_assessed" if result["missing"] else "conforming"


def _no_assumptions(result: dict[str, Any]) -> None:
    result.pop("assumptions", None)


_COUNT = itertools.count()


def _with_a_counter(environ: dict[str, Any], answer: Answer) -> None:
    if environ["PATH_INFO"].startswith("/v1/") and answer.code == 200 and answer.document:
        answer.body += b" " * (next(_COUNT) % 2)


def _last_first(environ: dict[str, Any], answer: Answer) -> None:
    if answer.code == 200 and answer.document and "results" in answer.document:
        document = answer.document
        document["results"].reverse()
        answer.put(document)


def _status(old: int, new: str) -> Out:
    def outgoing(_environ: dict[str, Any], answer: Answer) -> None:
        if answer.code == old:
            answer.status = new
            if answer.document and "status" in answer.document:
                answer.put(answer.document | {"status": int(new[:3])})

    return outgoing


def _header(name: str, value: str | None) -> Out:
    def outgoing(_environ: dict[str, Any], answer: Answer) -> None:
        if value is None:
            answer.headers.pop(name, None)
        else:
            answer.headers[name] = value

    return outgoing


def _problems_as_json(_environ: dict[str, Any], answer: Answer) -> None:
    if answer.code >= 400:
        answer.headers["Content-Type"] = "application/json"


def _unready(environ: dict[str, Any], answer: Answer) -> None:
    if environ["PATH_INFO"] == "/readyz":
        answer.status = "503 Service Unavailable"
        answer.headers["Content-Type"] = "application/problem+json"
        answer.put({"type": "about:blank", "title": "Service Unavailable", "status": 503})


def _document_without_lots(environ: dict[str, Any], answer: Answer) -> None:
    if environ["PATH_INFO"] == "/openapi.json":
        document = answer.document
        document["info"]["version"] = "9.0.0"
        del document["paths"]["/v1/lots"]
        answer.put(document)


def _not_a_number(environ: dict[str, Any], answer: Answer) -> None:
    if environ["PATH_INFO"] == "/v1/drillings" and answer.code == 200:
        document = answer.document
        document["derived"]["weight_removed"] = float("nan")
        answer.put(document)


def _forgiving(environ: dict[str, Any]) -> None:
    """Drop members nobody knows, as a lenient reader does."""
    body = environ["wsgi.input"].read(int(environ.get("CONTENT_LENGTH") or 0))
    try:
        document = json.loads(body)
        document.get("ball", {}).pop("color", None)
        body = json.dumps(document).encode()
    except (ValueError, AttributeError):
        pass
    environ["wsgi.input"], environ["CONTENT_LENGTH"] = io.BytesIO(body), str(len(body))


def _any_type(environ: dict[str, Any]) -> None:
    if environ.get("CONTENT_TYPE") and environ["PATH_INFO"] == "/v1/checks":
        environ["CONTENT_TYPE"] = "application/json"


def _any_answer(environ: dict[str, Any]) -> None:
    environ.pop("HTTP_ACCEPT", None)


def _own_ids(environ: dict[str, Any]) -> None:
    environ.pop("HTTP_X_REQUEST_ID", None)


EXAMPLE = "test_examples.py::test_an_example_is_answered_twice_the_same[checks-drilled]"
DRILLING = "test_examples.py::test_an_example_is_answered_twice_the_same[drillings-drilling]"
VERDICT = "test_examples.py::test_a_checks_verdict_follows_from_its_findings[side_weight_over]"
AT_ONCE = "test_errors.py::test_every_bad_field_is_named_at_once"
BY_POINTER = "test_properties.py::test_a_broken_request_is_refused_by_its_pointer[check]"
LIVES = "test_health.py::test_it_lives"

WRONG = {
    "wrong pointers": Wrong((AT_ONCE, BY_POINTER), _problems(_wrong_pointers)),
    "one error at a time": Wrong((AT_ONCE,), _problems(_first_error_alone)),
    "errors without pointers": Wrong((AT_ONCE,), _problems(lambda problem: problem.pop("errors"))),
    "a word of its own for an outcome": Wrong((EXAMPLE,), _checks(_approved)),
    "an outcome better than its findings": Wrong((VERDICT,), _checks(_always_conforming)),
    "findings better than their numbers": Wrong((VERDICT,), _checks(_findings_say_conforming)),
    "a member left out": Wrong((EXAMPLE,), _checks(_no_assumptions)),
    "other bytes each time": Wrong((EXAMPLE, DRILLING), _with_a_counter),
    "a batch in another order": Wrong(("test_examples.py::test_a_batch_is_its_single_checks",), _last_first),
    "500 for a bad field": Wrong((AT_ONCE,), _status(422, "500 Internal Server Error")),
    "400 for a bad field": Wrong((AT_ONCE,), _status(422, "400 Bad Request")),
    "400 for a large body": Wrong(
        ("test_errors.py::test_a_body_beyond_the_limit_is_a_413",), _status(413, "400 Bad Request")
    ),
    "problems as plain JSON": Wrong((AT_ONCE,), _problems_as_json),
    "no request id": Wrong((LIVES, EXAMPLE), _header("X-Request-Id", None)),
    "request ids of its own alone": Wrong(
        ("test_errors.py::test_the_callers_request_id_comes_back",), incoming=_own_ids
    ),
    "405 without Allow": Wrong(("test_document.py::test_every_address_is_there",), _header("Allow", None)),
    "503 without Retry-After": Wrong(("test_health.py::test_it_says_whether_it_is_ready",), _unready),
    "a document that lacks an address": Wrong(
        ("test_document.py::test_the_document_is_the_contracts",), _document_without_lots
    ),
    "NaN in an answer": Wrong((DRILLING,), _not_a_number),
    "unknown members overlooked": Wrong((AT_ONCE,), incoming=_forgiving),
    "any media type read as JSON": Wrong(
        ("test_errors.py::test_another_media_type_is_a_415[text/plain]",), incoming=_any_type
    ),
    "any type answered": Wrong(
        ("test_errors.py::test_no_answer_of_the_type_asked_for_is_a_406[/v1/motions]",), incoming=_any_answer
    ),
    "a Deprecation that is no date": Wrong((LIVES,), _header("Deprecation", "true")),
    "a Deprecation without a link": Wrong((LIVES,), _header("Deprecation", "@1767225600")),
    "a Sunset that is no date": Wrong((LIVES,), _header("Sunset", "next summer")),
}
"""Every wrong service, by what is wrong with it."""

RIGHT = Wrong(tuple(sorted({test for wrong in WRONG.values() for test in wrong.caught_by})))
"""The real service: the tests that catch the wrong ones all pass."""


class Wrapped:
    """A WSGI application with one promise broken."""

    def __init__(self, app: Any, wrong: Wrong) -> None:
        self._app, self._wrong = app, wrong

    def __call__(self, environ: dict[str, Any], start_response: Any) -> list[bytes]:
        if self._wrong.incoming is not None:
            self._wrong.incoming(environ)
        started: list[Any] = []
        chunks = self._app(environ, lambda status, headers, *_: started.extend((status, headers)))
        body = b"".join(chunks)
        getattr(chunks, "close", lambda: None)()
        answer = Answer(started[0], dict(started[1]), body)
        if self._wrong.outgoing is not None:
            self._wrong.outgoing(environ, answer)
        if environ["REQUEST_METHOD"] != "HEAD":
            answer.headers["Content-Length"] = str(len(answer.body))
        start_response(answer.status, list(answer.headers.items()))
        return [answer.body]


@contextmanager
def served(app: Any) -> Iterator[str]:
    """Serve an application on a free port of the loopback."""
    from werkzeug.serving import WSGIRequestHandler, make_server

    class Silent(WSGIRequestHandler):
        def log(self, *_args: Any) -> None:
            """Say nothing."""

    server = make_server("127.0.0.1", 0, app, request_handler=Silent)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}"
    finally:
        server.shutdown()
        thread.join()


class Outcomes:
    """A plug-in of pytest that keeps which tests passed and failed."""

    def __init__(self) -> None:
        self.passed: list[str] = []
        self.failed: list[str] = []

    def pytest_runtest_logreport(self, report: Any) -> None:
        name = report.nodeid.partition("contract/")[2]
        if report.when == "call" and report.passed:
            self.passed.append(name)
        elif report.failed:
            self.failed.append(name)


def judged(app: Any, wrong: Wrong) -> dict[str, list[str]]:
    """Run the kit's tests that are named for a wrong service against it."""
    from pathlib import Path

    import pytest

    import ballgauge.contract

    folder = Path(ballgauge.contract.__file__).parent
    outcomes = Outcomes()
    with served(Wrapped(app, wrong)) as url:
        pytest.main(
            [
                "-q", "-p", "no:cacheprovider", "-p", "no:xdist", "--no-header", "--no-summary", "--tb=no",
                "--ballgauge-url", url, "--ballgauge-examples", "40",
                *(str(folder / test) for test in wrong.caught_by),
            ],
            plugins=[outcomes],
        )  # fmt: skip
    return {"passed": outcomes.passed, "failed": outcomes.failed}


def main() -> None:
    """Judge every service; the last line is what came out."""
    import os

    os.environ["BALLGAUGE_KEYS"] = "demo"
    from tests.sdk.wrong_numbers import NEWER, WRONG_NUMBERS

    from ballgauge_service.web.http.settings import Settings
    from ballgauge_service.web.server.application import create_app

    app = create_app(json_logs=False, warm_up=False, settings=Settings())
    named = sorted({test for wrong in WRONG_NUMBERS.values() for test in wrong.caught_by})
    right = Wrong(tuple({*RIGHT.caught_by, *named}))
    services = {"right": right, "newer": NEWER, **WRONG, **WRONG_NUMBERS}
    found = {name: judged(app, wrong) for name, wrong in services.items()}
    print(json.dumps(found))


if __name__ == "__main__":
    sys.exit(main())
