"""Checks, drillings and rulebooks: what is asked, and results with names and types."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any, Literal, TypeAlias, TypedDict, TypeVar
from urllib.parse import urlencode

from ballgauge import _drawn as drawn
from ballgauge import _encoding
from ballgauge._failures import Answer, InvalidRequest, Problem, foreign, told
from ballgauge._http import Request, Steps, document_in, document_of, request_id
from ballgauge._values import Record, Result, Table, each, frozen, member

if TYPE_CHECKING:
    from ballgauge import types

Overlay = str | Mapping[str, Any] | os.PathLike[str]
"""A name that the service knows, a whole overlay, or the path of its TOML file."""

ApprovedRows = Iterable[Mapping[str, Any]] | str | os.PathLike[str]
"""The rows of an approved list, or the path of its CSV file."""

Checks: TypeAlias = "Iterable[types.CheckEntry]"
Rows: TypeAlias = ApprovedRows | None
Findings: TypeAlias = Literal["full", "findings"]
Brief: TypeAlias = Literal["brief"]
Raise: TypeAlias = Literal["raise"]
Collect: TypeAlias = Literal["collect"]

Found = TypeVar("Found", bound=Result)


@dataclass(frozen=True)
class Limit:
    """The limits of a rule, in the finding's unit; None where there is none on that side."""

    min: float | None
    max: float | None


def _limit(told: Mapping[str, Any] | None) -> Limit | None:
    return Limit(told.get("min"), told.get("max")) if told else None


class Finding(Result, init=False):
    """What one rule says of one ball.

    `outcome` is conforming, nonconforming, inconclusive or not_assessed. `value`, `uncertainty` (standard,
    k=1), `margin` (positive inside the limit) and the limits are in `unit`; `probability` is that of
    conformity. `basis` tells how well the limit is known; it is None, as the limit and its source are, where
    no limit was found to apply. An `advisory` finding does not count.
    """

    rule: str
    title: str
    clause: str | None = member(default=None)
    basis: types.Basis | None = member(default=None)
    source: str | None = member(default=None)
    quantity: str | None = member(default=None)
    unit: str | None = member(default=None)
    limit: Limit | None = member(_limit, default=None)
    value: float | None = member(default=None)
    uncertainty: float | None = member(default=None)
    margin: float | None = member(default=None)
    probability: float | None = member(default=None)
    outcome: types.Outcome
    advisory: bool = member(bool, default=False)
    message: str


class CheckResult(Result, init=False, rows="findings"):
    """The findings on one ball; those alone, and empty records, where no more detail was asked for.

    `outcome` is the worst of the findings that count. `derived` has the mass properties, `missing` the fields
    whose absence left rules not assessed, `units` the unit of every number; `identity` how the ball stands on
    the approved list.
    """

    outcome: types.Outcome
    findings: tuple[Finding, ...] = member(each(Finding))
    derived: types.Derived = member(default={})
    missing: tuple[types.Missing, ...] = member(default=[])
    cautions: tuple[types.Caution, ...] = member(default=[])
    assumptions: tuple[str, ...] = member(default=[])
    rules: types.UsedRules = member(default={})
    decision: types.UsedDecision = member(default={})
    units: Table[str] = member(default={})
    also_on: tuple[types.OtherDay, ...] = member(default=[])
    identity: types.Identity | None = member(default=None)

    def _picture(self) -> str:
        return drawn.ball(self.raw["derived"])


class Unmet(Result, init=False):
    """A rule that counts and is not met: broken, undecided or not assessed. Numbers are in its unit."""

    rule: str
    outcome: types.Outcome
    limit: Limit | None = member(_limit, default=None)
    value: float | None
    margin: float | None


class BriefResult(Result, init=False, rows="unmet"):
    """The findings on one ball in brief: the worst outcome, the rules not met, and what they miss."""

    outcome: types.Outcome
    unmet: tuple[Unmet, ...] = member(each(Unmet))
    missing: tuple[types.Missing, ...]
    also_on: tuple[types.OtherDay, ...] = member(default=[])


class DrillingResult(Result, init=False):
    """What drilling does to one ball: every number, rules or not."""

    derived: types.Derived = member(default={})
    missing: tuple[types.Missing, ...] = member(default=[])
    cautions: tuple[types.Caution, ...] = member(default=[])
    assumptions: tuple[str, ...] = member(default=[])
    remedies: tuple[types.Remedy, ...] = member(default=[])
    units: Table[str] = member(default={})

    def _picture(self) -> str:
        return drawn.ball(self.raw["derived"])


class RuleChange(Record, init=False):
    """A rule that asks something else on another day, as its limits were before and are after."""

    rule: str
    title: str
    before: tuple[types.Rule, ...]
    after: tuple[types.Rule, ...]


class Beside(TypedDict, total=False):
    """What `Client.check` takes beside a request."""

    overlays: Iterable[Overlay]
    also_on: Iterable[date | str]
    approved_list: ApprovedRows | None


def with_overlays(request: Mapping[str, Any], overlays: Iterable[Overlay]) -> Mapping[str, Any]:
    """A request with overlays laid over its rules: names, whole overlays, or TOML files of theirs."""
    found = [read_overlay(each) if isinstance(each, os.PathLike) else each for each in overlays]
    return {**request, "rules": {**request.get("rules", {}), "overlays": found}} if found else request


def with_list(request: Mapping[str, Any], rows: ApprovedRows | None) -> Mapping[str, Any]:
    """A request with an approved list among its rules."""
    if rows is None:
        return request
    return {**request, "rules": {**request.get("rules", {}), "approved_list": approved_rows(rows)}}


def approved_rows(given: ApprovedRows) -> list[Mapping[str, Any]]:
    """The rows of an approved list, as they are or from its CSV file.

    Raises OSError where it cannot be read, ValueError naming every line that is wrong.
    """
    if not isinstance(given, (str, os.PathLike)):
        return list(given)
    # Deferred: few callers have a file of them.
    try:
        from ballgauge_schemas.shared.approved_list import read_file
    except ModuleNotFoundError as error:
        raise ValueError(
            f"a list's file is read with {error.name}: pip install 'ballgauge[check]', or give its rows"
        ) from error

    return [row.to_dict() for row in read_file(given).rows]


def read_overlay(path: str | os.PathLike[str]) -> dict[str, Any]:
    """Read an overlay from its TOML file, for ``rules.overlays`` of a request.

    Raises OSError where it cannot be read, ValueError where it is no TOML.
    """
    # Deferred: few callers have a file of rules.
    import tomllib
    from pathlib import Path

    from ballgauge_schemas.shared.text import utf8

    return tomllib.loads(utf8(Path(path).read_bytes()).decode())


def asked(
    request: Mapping[str, Any],
    detail: str | None,
    overlays: Iterable[Overlay],
    also_on: Iterable[date | str],
    approved_list: ApprovedRows | None,
) -> Mapping[str, Any]:
    """The request of `Client.check`."""
    found = with_list(with_overlays(request, overlays), approved_list)
    found = {**found, "also_on": days} if (days := list(also_on)) else found
    return found if detail is None else {**found, "detail": detail}


def check_many(
    items: Iterable[Mapping[str, Any]], detail: str, approved_list: ApprovedRows | None, errors: str
) -> Iterator[Steps[list[Any]]]:
    """See `Client.check_many`."""
    beside: dict[str, Any] = {} if detail == "full" else {"detail": detail}
    if approved_list is not None:
        beside["approved_list"] = approved_rows(approved_list)
    return many(kind_of(detail), "checks", items, errors, **beside)


def one(kind: type[Found], member: str, request: Mapping[str, Any]) -> Steps[Found]:
    """Ask for one result; `member` is the plural under which a body holds several."""
    if member in request:
        method = "check_many" if member == "checks" else "drill_many"
        raise ValueError(f"one request, not {member}: give their items to {method}()")
    answer = yield Request("POST", f"/v1/{member}", _encoding.encode(request))
    return kind(document_in(answer), request_id(answer))


def many(
    kind: type[Found],
    member: str,
    items: Iterable[Mapping[str, Any]],
    errors: str = "raise",
    **beside: Any,
) -> Iterator[Steps[list[Any]]]:
    """What asks for many results, a batch at a time; errors: whether a refusal is raised, or a result."""
    if errors not in ("raise", "collect"):
        raise ValueError(f"errors are 'raise' or 'collect'; got {errors!r}")
    for first, encoded, body in _encoding.batches(member, items, beside):
        if errors == "collect":
            yield _collected(kind, member, encoded, beside)
        else:
            yield _batch(kind, member, first, len(encoded), body)


def _batch(kind: type[Found], member: str, first: int, count: int, body: bytes) -> Steps[list[Found]]:
    try:
        answer = yield Request("POST", f"/v1/{member}", body)
    except InvalidRequest as error:
        raise error.moved(member, first) from None
    id_ = request_id(answer)
    return [kind(each, id_) for each in _results(answer, count)]


def _results(answer: Answer, count: int) -> list[Any]:
    results = document_in(answer).get("results")
    if not isinstance(results, list) or len(results) != count:
        raise foreign()
    return results


def _collected(
    kind: type[Found], member: str, encoded: list[bytes], beside: Mapping[str, Any]
) -> Steps[list[Found | InvalidRequest]]:
    """The results of a batch, with the errors of what is refused of it in their places."""
    if member != "checks":
        return (yield from _without(None, kind, member, encoded, beside))
    body = _encoding.frame(member, encoded, {**beside, "on_error": "collect"})
    try:
        answer = yield Request("POST", f"/v1/{member}", body)
    except InvalidRequest as error:
        if all(each.pointer != "/on_error" for each in error.errors):
            raise
        return (yield from _without(error.problem, kind, member, encoded, beside))
    found: list[Found | InvalidRequest] = []
    for item in _results(answer, len(encoded)):
        if not isinstance(item, dict) or not item.keys() & {"result", "problem"}:
            raise foreign()
        if "problem" in item:
            refused = told(item["problem"], answer)
            if not isinstance(refused, InvalidRequest):
                raise refused
            found.append(refused)
        else:
            found.append(kind(item["result"], request_id(answer)))
    return found


def _without(
    problem: Problem | None, kind: type[Found], member: str, encoded: list[bytes], beside: Mapping[str, Any]
) -> Steps[list[Found | InvalidRequest]]:
    """The same where a batch is all or nothing: without what a problem names, until none is named."""
    found: dict[int, Found | InvalidRequest] = {}
    left = list(range(len(encoded)))
    while True:
        refused = problem.by_item(member) if problem else {}
        found |= {left[place]: InvalidRequest(each) for place, each in refused.items()}
        left = [index for place, index in enumerate(left) if place not in refused]
        if not left:
            break
        body = _encoding.frame(member, [encoded[index] for index in left], beside)
        try:
            results = yield from _batch(kind, member, 0, len(left), body)
        except InvalidRequest as error:
            problem = error.problem
            if not problem.by_item(member):
                raise
        else:
            found |= dict(zip(left, results, strict=True))
            break
    return [found[index] for index in range(len(encoded))]


def kind_of(detail: str) -> type[CheckResult] | type[BriefResult]:
    """The result of a check that is answered in such detail."""
    return BriefResult if detail == "brief" else CheckResult


def rule_changes(body: str, start: date | str, end: date | str, overlay: str | None) -> Steps[dict[str, Any]]:
    """The rules whose limits are others on one day than on the other, with both days' limits."""
    days = []
    for on in (start, end):
        days.append(document_of((yield from rulebooks(body=body, on=on, overlay=overlay))))
    titles: dict[str, str] = {}
    found: dict[str, dict[str, list[Any]]] = {}
    for side, document in zip(("before", "after"), days, strict=True):
        for row in document["rulebooks"][0]["rules"]:
            titles[row["rule"]] = row["title"]
            found.setdefault(row["rule"], {"before": [], "after": []})[side].append(row)
    changes = []
    for rule, both in found.items():
        old, new = ([_asked(row) for row in both[side]] for side in ("before", "after"))
        before = [row for row in both["before"] if _asked(row) not in new]
        after = [row for row in both["after"] if _asked(row) not in old]
        if before or after:
            changes.append({"rule": rule, "title": titles[rule], "before": before, "after": after})
    return {"body": body, "from": str(start), "to": str(end), "overlay": overlay, "changes": changes}


def changed_rules(
    body: str, start: date | str, end: date | str, overlay: str | None
) -> Steps[tuple[RuleChange, ...]]:
    """See `Client.rule_changes`."""
    found = yield from rule_changes(body, start, end, overlay)
    return tuple(map(RuleChange, found["changes"]))


def _asked(row: Mapping[str, Any]) -> tuple[Any, ...]:
    return tuple(row[name] for name in ("effect", "limit", "applies_to", "advisory", "note"))


def rulebooks(**query: date | str | None) -> Steps[bytes]:
    """Ask for the rulebooks; gives the service's own document."""
    asked = {name: str(value) for name, value in query.items() if value is not None}
    answer = yield Request("GET", "/v1/rulebooks" + ("?" + urlencode(asked) if asked else ""))
    return answer.content


def listed(body: str | None, on: date | str | None, overlay: str | None) -> Steps[tuple[types.Rulebook, ...]]:
    """See `Client.rulebooks`."""
    found = document_of((yield from rulebooks(body=body, on=on, overlay=overlay))).get("rulebooks")
    if not isinstance(found, list):
        raise foreign()
    books: tuple[types.Rulebook, ...] = frozen(found, "Rulebook")
    return books


def sheet(request: types.SheetRequest) -> Steps[bytes]:
    """See `Client.print_sheet`."""
    return (yield Request("POST", "/v1/drillings/sheets", _encoding.encode(request))).content
