"""Checks, drillings and rulebooks: what is asked, and results with names and types."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any, TypeVar
from urllib.parse import urlencode

from ballgauge import _encoding
from ballgauge._failures import InvalidRequest, foreign
from ballgauge._http import Http, document_of
from ballgauge._values import Record, Result, each, member

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
    basis: str | None = member(default=None)
    source: str | None = member(default=None)
    quantity: str | None = member(default=None)
    unit: str | None = member(default=None)
    limit: Limit | None = member(_limit, default=None)
    value: float | None = member(default=None)
    uncertainty: float | None = member(default=None)
    margin: float | None = member(default=None)
    probability: float | None = member(default=None)
    outcome: str
    advisory: bool = member(bool, default=False)
    message: str


class CheckResult(Result, init=False):
    """The findings on one ball; those alone, and empty records, where no more detail was asked for.

    `outcome` is the worst of the findings that count. `derived` has the mass properties, `missing` the fields
    whose absence left rules not assessed, `units` the unit of every number.
    """

    outcome: str
    findings: tuple[Finding, ...] = member(each(Finding))
    derived: Record = member(default={})
    missing: tuple[Record, ...] = member(default=[])
    cautions: tuple[Record, ...] = member(default=[])
    assumptions: tuple[str, ...] = member(default=[])
    rules: Record = member(default={})
    decision: Record = member(default={})
    units: Record = member(default={})


class Unmet(Result, init=False):
    """A rule that counts and is not met: broken, undecided or not assessed. Numbers are in its unit."""

    rule: str
    outcome: str
    limit: Limit | None = member(_limit, default=None)
    value: float | None
    margin: float | None


class BriefResult(Result, init=False):
    """The findings on one ball in brief: the worst outcome, the rules not met, and what they miss."""

    outcome: str
    unmet: tuple[Unmet, ...] = member(each(Unmet))
    missing: tuple[Record, ...]


class DrillingResult(Result, init=False):
    """What drilling does to one ball: every number, rules or not."""

    derived: Record = member(default={})
    missing: tuple[Record, ...] = member(default=[])
    cautions: tuple[Record, ...] = member(default=[])
    assumptions: tuple[str, ...] = member(default=[])
    remedies: tuple[Record, ...] = member(default=[])
    units: Record = member(default={})


def one(http: Http, kind: type[Found], member: str, request: Mapping[str, Any]) -> Found:
    """Ask for one result; `member` is the plural under which a body holds several."""
    if member in request:
        method = "check_many" if member == "checks" else "drill_many"
        raise ValueError(f"one request, not {member}: give their items to {method}()")
    return kind(document_of(http.post(f"/v1/{member}", _encoding.encode(request))))


def many(
    http: Http, kind: type[Found], member: str, items: Iterable[Mapping[str, Any]], **beside: Any
) -> Iterator[Found]:
    """Ask for many results, a batch at a time."""
    for first, count, body in _encoding.batches(member, items, beside):
        try:
            results = document_of(http.post(f"/v1/{member}", body)).get("results")
        except InvalidRequest as error:
            raise type(error)(error.problem.moved(member, first)) from None
        if not isinstance(results, list) or len(results) != count:
            raise foreign()
        yield from map(kind, results)


def kind_of(detail: str) -> type[CheckResult] | type[BriefResult]:
    """The result of a check that is answered in such detail."""
    return BriefResult if detail == "brief" else CheckResult


def rulebooks(http: Http, body: str | None, on: date | str | None) -> bytes:
    """Ask for the rulebooks."""
    asked = {name: str(value) for name, value in (("body", body), ("on", on)) if value is not None}
    return http.get("/v1/rulebooks" + ("?" + urlencode(asked) if asked else ""))
