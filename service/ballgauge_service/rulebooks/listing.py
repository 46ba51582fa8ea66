"""The rulebooks as the contract lists them: one row a limit."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from typing import Any

from ballgauge_service import rulebooks
from ballgauge_service.core.units import DAY

_FLAGS = frozenset(
    {
        "asymmetric", "high_performance_core", "house_ball", "identity_by_hand", "reactive_cover",
        "unmarked_grip_centre", "unused_thumb", "urethane_cover",
    }
)  # fmt: skip
_NAMES = {"identity_by_hand": "checked by hand against the list", "made_on": "made"}
_AMOUNTS = {"min": "at least", "max": "at most", "over": "over", "under": "under"}
_DAYS = {"min": "on or after", "max": "on or before", "over": "after", "under": "before"}
_EFFECTS = {
    "exempt": "asks nothing of these balls",
    "unbound": "does not reach these balls",
    "words": "cannot be judged from numbers",
}


def listing(
    body: str | None = None, on: date | None = None, overlay: str | None = None
) -> list[dict[str, Any]]:
    """List the rulebook of a body, or of every body: the rules in force on a date, or of all dates.

    An overlay lies over one body, so naming it alone lists that body.

    Raises
    ------
    rulebooks.UnknownRulebookError
        There is no such body or overlay, or they do not belong together.
    """
    if overlay is not None and body is None:
        body = rulebooks.overlays().get(overlay)
    bodies = rulebooks.bodies() if body is None else (body,)
    return [_rulebook(name, on, overlay) for name in bodies]


def conditions() -> Iterator[str]:
    """Each condition on which a limit of a rulebook or overlay rests, in words."""
    laid = ((body, name) for name, body in rulebooks.overlays().items())
    for body, overlay in (*((body, None) for body in rulebooks.bodies()), *laid):
        for rule in rulebooks.describe(body, overlay=overlay)["rules"]:
            for limit in (*rule["limits"], *rule["other_limits"]):
                yield from (_bound(*condition) for each in limit["when"] for condition in each.items())


def _rulebook(body: str, on: date | None, overlay: str | None) -> dict[str, Any]:
    described = rulebooks.describe(body, on, overlay=overlay)
    laid = {
        name: rulebooks.overlay_named(name) for name, base in rulebooks.overlays().items() if base == body
    }
    return {
        **{name: described[name] for name in ("body", "title", "edition", "compiled_on", "overlay", "notes")},
        "on": on and described["on"],
        "overlays": list(laid),
        "digest": rulebooks.digest(rulebooks.rulebook(body, overlay)),
        "overlay_digests": {name: rulebooks.digest(each) for name, each in laid.items()},
        "rules": [row for rule in described["rules"] for row in _rows(rule, every=on is None)],
    }


def _rows(rule: Mapping[str, Any], *, every: bool) -> list[dict[str, Any]]:
    limits = [*rule["limits"], *(rule["other_limits"] if every else ())]
    return [_row(rule, limit) for limit in sorted(limits, key=lambda limit: limit["effective_from"] or "")]


def _row(rule: Mapping[str, Any], limit: Mapping[str, Any]) -> dict[str, Any]:
    notes = (_EFFECTS.get(limit["effect"]), limit["note"], *rule["notes"])
    bounded = limit["effect"] == "limit"
    return {
        **{name: rule[name] for name in ("rule", "title", "clause", "quantity", "unit", "binds", "advisory")},
        **{name: limit[name] for name in ("effect", "basis", "source", "effective_from", "effective_to")},
        "limit": {"min": limit["min"], "max": limit["max"]} if bounded else None,
        "stage": rule["stages"][0] if len(rule["stages"]) == 1 else None,
        "applies_to": _alternatives(limit["when"]) or None,
        "note": "; ".join(note for note in notes if note) or None,
    }


def _alternatives(when: Sequence[Mapping[str, Mapping[str, float]]]) -> str:
    return ", or ".join(" and ".join(_bound(*condition) for condition in each.items()) for each in when)


def _bound(column: str, bounds: Mapping[str, float]) -> str:
    name = _NAMES.get(column, column.replace("_", " "))
    if column in _FLAGS:
        return name if "min" in bounds else f"not {name}"
    unit = rulebooks.COLUMNS[column]
    if unit == "1" and bounds == {"under": 1}:
        return f"no {name}"
    words = _DAYS if unit == DAY else _AMOUNTS
    ends = " and ".join(f"{words[end]} {rulebooks.amount(value, unit)}" for end, value in bounds.items())
    return f"{name} {ends}"
