"""Results with names and types; `raw` always holds the service's own document."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any


class Record(Mapping[str, Any]):
    """A read-only JSON object whose members are attributes too: ``result.derived.balance.arm``.

    Objects inside are records, arrays are tuples.
    """

    __slots__ = ("_members",)
    _members: Mapping[str, Any]

    def __init__(self, members: Mapping[str, Any]) -> None:
        object.__setattr__(self, "_members", members)

    def __getitem__(self, name: str) -> Any:
        return _frozen(self._members[name])

    def __getattr__(self, name: str) -> Any:
        try:
            return self[name]
        except KeyError:
            raise AttributeError(f"no member {name!r}; there are {', '.join(self._members)}") from None

    def __setattr__(self, name: str, value: Any) -> None:
        raise AttributeError("a record cannot be changed")

    def __delattr__(self, name: str) -> None:
        raise AttributeError("a record cannot be changed")

    def __iter__(self) -> Iterator[str]:
        return iter(self._members)

    def __len__(self) -> int:
        return len(self._members)

    def __repr__(self) -> str:
        return f"Record({dict(self._members)!r})"

    def __dir__(self) -> list[str]:
        return [*super().__dir__(), *self._members]

    def __reduce__(self) -> tuple[type[Record], tuple[Mapping[str, Any]]]:
        return Record, (self._members,)


def _frozen(value: Any) -> Any:
    if isinstance(value, dict):
        return Record(value)
    if isinstance(value, list):
        return tuple(_frozen(member) for member in value)
    return value


@dataclass(frozen=True)
class Limit:
    """The limits of a rule, in the finding's unit; None where there is none on that side."""

    min: float | None
    max: float | None


@dataclass(frozen=True)
class Finding:
    """What one rule says of one ball.

    `outcome` is conforming, nonconforming, inconclusive or not_assessed. `value`, `uncertainty` (standard,
    k=1), `margin` (positive inside the limit) and the limits are in `unit`; `probability` is that of
    conformity. `basis` tells how well the limit is known; it is None, as the limit and its source are, where
    no limit was found to apply. An `advisory` finding does not count.
    """

    rule: str
    title: str
    clause: str | None
    basis: str | None
    source: str | None
    quantity: str | None
    unit: str | None
    limit: Limit | None
    value: float | None
    uncertainty: float | None
    margin: float | None
    probability: float | None
    outcome: str
    advisory: bool
    message: str
    raw: Mapping[str, Any] = field(repr=False, compare=False)

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Finding:
        """Read one finding of a check."""
        limit = document.get("limit")
        return cls(
            rule=document["rule"],
            title=document["title"],
            clause=document.get("clause"),
            basis=document.get("basis"),
            source=document.get("source"),
            quantity=document.get("quantity"),
            unit=document.get("unit"),
            limit=Limit(limit.get("min"), limit.get("max")) if limit else None,
            value=document.get("value"),
            uncertainty=document.get("uncertainty"),
            margin=document.get("margin"),
            probability=document.get("probability"),
            outcome=document["outcome"],
            advisory=bool(document.get("advisory")),
            message=document["message"],
            raw=document,
        )


@dataclass(frozen=True)
class CheckResult:
    """The findings on one ball.

    `outcome` is the worst of the findings that count. `derived` has the mass properties, `missing` the fields
    whose absence left rules not assessed, `units` the unit of every number.
    """

    outcome: str
    findings: tuple[Finding, ...]
    derived: Record
    missing: tuple[Record, ...]
    cautions: tuple[Record, ...]
    assumptions: tuple[str, ...]
    rules: Record
    decision: Record
    units: Record
    raw: Mapping[str, Any] = field(repr=False, compare=False)

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> CheckResult:
        """Read one result of /v1/checks."""
        return cls(
            outcome=document["outcome"],
            findings=tuple(Finding.from_document(finding) for finding in document["findings"]),
            derived=_record(document, "derived"),
            missing=_frozen(document.get("missing", [])),
            cautions=_frozen(document.get("cautions", [])),
            assumptions=_frozen(document.get("assumptions", [])),
            rules=_record(document, "rules"),
            decision=_record(document, "decision"),
            units=_record(document, "units"),
            raw=document,
        )


@dataclass(frozen=True)
class DrillingResult:
    """What drilling does to one ball: every number, rules or not."""

    derived: Record
    missing: tuple[Record, ...]
    cautions: tuple[Record, ...]
    assumptions: tuple[str, ...]
    remedies: tuple[Record, ...]
    units: Record
    raw: Mapping[str, Any] = field(repr=False, compare=False)

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> DrillingResult:
        """Read one result of /v1/drillings."""
        return cls(
            derived=_record(document, "derived"),
            missing=_frozen(document.get("missing", [])),
            cautions=_frozen(document.get("cautions", [])),
            assumptions=_frozen(document.get("assumptions", [])),
            remedies=_frozen(document.get("remedies") or []),
            units=_record(document, "units"),
            raw=document,
        )


def _record(document: Mapping[str, Any], name: str) -> Record:
    return Record(document.get(name) or {})
