"""Whether a ball is on the approved list: its name looked up, and what its row says on the day of use."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING, Any

from ballgauge_schemas.shared.approved_list import Approved, ApprovedList, covers_every_day, folded
from ballgauge_schemas.shared.limits import NEAR_NAMES_MAXIMUM as _MOST
from ballgauge_service.core.caution import Caution
from ballgauge_service.rulebooks import approved_list

if TYPE_CHECKING:
    from ballgauge_service.check.request import Check

BY_HAND = "checked_by_hand"

LIST_BEGINS = date(1991, 1, 1)
"""Balls made before this day predate the list (USBC, Equipment Specifications and Certifications Manual, 2005
text, read in a copy)."""

_NEAR = 88.0
"""From how like two names are on they may be one, misspelled [0..100] (ours): twice the characters they share
in order, of all they have."""

REJECTED = ("withdrawn", "made_outside", "approved_later")
_VALUES: dict[str, float] = {"listed": 1.0, "not_listed": 0.0, **dict.fromkeys(REJECTED, 0.0)}
_WANTED = {"near_name": "name", "no_name": "name", "made_on_needed": "made_on"}


@dataclass(frozen=True, slots=True)
class Standing:
    """What the list says of a ball on a day: `state`, a word of STANDINGS, and its row where it has one."""

    state: str
    row: Approved | None = None

    @property
    def fact(self) -> float | None:
        """1 where the ball is listed, 0 where it is not; None where that is not known."""
        return _VALUES.get(self.state)

    @property
    def known(self) -> bool:
        """Whether the list has the ball, approved or not, so that its word goes before any other."""
        return self.state == "listed" or self.state in REJECTED

    @property
    def wanted(self) -> str:
        """What would decide, where this does not."""
        return _WANTED.get(self.state, "identity")


@dataclass(frozen=True, slots=True)
class Listing:
    """The rows of a ball's name on an approved list, by days of manufacture, or else those of near names.

    `given_by`: request or service; `instead`: whether the request's list stands in for the service's.
    """

    name: str | None
    source: ApprovedList
    given_by: str
    instead: bool
    rows: tuple[Approved, ...] = ()
    near: tuple[Approved, ...] = ()

    def of_make(self, made_on: date | None) -> tuple[Approved, ...]:
        """The rows that are for a ball made on a day; of an unknown day all."""
        if made_on is None:
            return self.rows
        return tuple(row for row in self.rows if row.made[0] <= made_on <= row.made[1])

    def approved_on(self, made_on: date | None) -> date | None:
        """The day of approval, where it is the same whatever the ball may be."""
        days = {row.approved_on for row in self.of_make(made_on)}
        return days.pop() if len(days) == 1 else None

    def on(self, day: date, made_on: date | None) -> Standing:
        """How a ball made on a day stands on a day of use."""
        if self.name is None:
            return Standing("no_name")
        if not self.rows:
            if made_on is not None and made_on < LIST_BEGINS:
                return Standing("before_the_list")
            return Standing("near_name" if self.near else "not_listed")
        found = [Standing(_state(row, day), row) for row in self.of_make(made_on)]
        if not found or (made_on is None and not covers_every_day(self.rows)):
            found.append(Standing("made_outside", self.rows[0] if len(self.rows) == 1 else None))
        listed = [each for each in found if each.state == "listed"]
        if listed and len(listed) < len(found):
            return Standing("made_on_needed", self.rows[0] if len(self.rows) == 1 else None)
        return found[0] if len(found) == 1 else Standing(found[0].state)

    def told(self, standing: Standing) -> dict[str, Any]:
        """What an answer says of it."""
        return {
            "listed": standing.row and standing.row.to_dict(),
            "near": [row.to_dict() for row in self.near],
            "standing": standing.state,
        }


def _state(row: Approved, day: date) -> str:
    if row.approved_on is not None and day < row.approved_on:
        return "approved_later"
    return "withdrawn" if row.withdrawn_on is not None and day >= row.withdrawn_on else "listed"


def looked_up(name: str | None, source: ApprovedList, given_by: str, *, instead: bool = False) -> Listing:
    """Look a name up: exactly, but for case, spaces and diacritics; else the names near to it."""
    key = folded(name or "")
    if not key:
        return Listing(None, source, given_by, instead)
    rows = source.by_name.get(key, ())
    return Listing(name, source, given_by, instead, rows, () if rows else _near(key, source))


def _near(key: str, source: ApprovedList) -> tuple[Approved, ...]:
    # Deferred: who spells names as the list does has no use for it.
    from rapidfuzz import fuzz, process

    known = source.spellings
    found = process.extract(key, known.keys(), scorer=fuzz.ratio, limit=_MOST, score_cutoff=_NEAR)
    return tuple(dict.fromkeys(row for spelling, *_ in found for row in known[spelling]))[:_MOST]


def identified(check: Check) -> Check:
    """The check with its ball looked up on the list there is, and with the day of approval in it."""
    own, known = check.rules.approved_list, approved_list()
    source = known if own is None else own
    if source is None:
        return check
    giver = "service" if own is None else "request"
    listing = looked_up(check.ball.name, source, giver, instead=own is not None and known is not None)
    if check.ball.approved_on is not None:
        return replace(check, listing=listing)
    approved_on = listing.approved_on(check.ball.made_on)
    return replace(check, listing=listing, ball=replace(check.ball, approved_on=approved_on), fed=approved_on)


def listing_assumptions(check: Check, day: date) -> Iterator[str]:
    """What the look-up took for granted."""
    listing, ball = check.listing, check.ball
    if listing is None:
        return
    if listing.instead:
        yield "The approved list of the request was used, not that of the service."
    if check.fed is not None:
        yield f"The day of approval, {check.fed}, is that of the approved list."
    standing = listing.on(day, ball.made_on)
    if listing.rows and ball.name not in {row.name for row in listing.rows}:
        yield "The name was found on the approved list without regard to case, spaces and diacritics."
    if standing.state == "listed" and ball.serial is None:
        yield "The serial number is assumed to be legible."


def listing_cautions(check: Check, day: date) -> Iterator[Caution]:
    """Where the request and the list contradict each other."""
    listing, ball = check.listing, check.ball
    if listing is None:
        return
    listed = listing.approved_on(ball.made_on)
    if listed is not None and listed != ball.approved_on:
        words = (
            f"The request gives {ball.approved_on} as the day of approval, the approved list {listed}; "
            "the request's day was used."
        )
        yield Caution("approval_contradicted", words, "/ball/approved_on")
    if ball.identity == BY_HAND and listing.on(day, ball.made_on).state in (*REJECTED, "not_listed"):
        words = f"The ball was checked by hand, but: {listing_words(listing, day, ball.made_on)}"
        yield Caution("identity_contradicted", words, "/ball/identity")


def listing_words(listing: Listing, day: date, made_on: date | None) -> str:
    """What the list says of a ball, in a sentence."""
    standing = listing.on(day, made_on)
    return _SENTENCES[standing.state](listing, standing.row, day)


_Sentence = Callable[[Listing, Approved | None, date], str]


def _made(row: Approved) -> str:
    ends = (row.made_from and f"from {row.made_from}", row.made_to and f"to {row.made_to}")
    return " ".join(end for end in ends if end)


def _listed(listing: Listing, row: Approved | None, _day: date) -> str:
    return f"{(row or listing.rows[0]).name} is on the approved list."


def _withdrawn(listing: Listing, row: Approved | None, day: date) -> str:
    when = f"on {row.withdrawn_on}" if row is not None else f"by {day}"
    return f"{listing.rows[0].name} is on the approved list, but was withdrawn {when}."


def _outside(listing: Listing, row: Approved | None, _day: date) -> str:
    spans = " and ".join(_made(each) for each in listing.rows)
    return f"{listing.rows[0].name} is on the approved list only where it was made {spans}."


def _later(listing: Listing, row: Approved | None, day: date) -> str:
    when = f"on {row.approved_on}" if row is not None else f"after {day}"
    return f"{listing.rows[0].name} is on the approved list, but was approved only {when}."


def _unlisted(listing: Listing, _row: Approved | None, _day: date) -> str:
    return f"{listing.name} is not on the approved list."


def _misspelled(listing: Listing, _row: Approved | None, _day: date) -> str:
    near = "; ".join(row.name for row in listing.near)
    return f"{listing.name} is not on the approved list by this name; near to it are: {near}."


def _unmade(listing: Listing, _row: Approved | None, _day: date) -> str:
    return (
        f"{listing.rows[0].name} is on the approved list, but not for every day of manufacture, and that of "
        "this ball was not told."
    )


def _before(listing: Listing, _row: Approved | None, _day: date) -> str:
    return (
        f"{listing.name} is not on the approved list, which begins with balls made on {LIST_BEGINS}; "
        "accepting an older one is the tournament's or league's decision."
    )


def _nameless(_listing: Listing, _row: Approved | None, _day: date) -> str:
    return "No brand and model were given, so the ball was not looked up on the approved list."


_SENTENCES: dict[str, _Sentence] = {
    "listed": _listed,
    "withdrawn": _withdrawn,
    "made_outside": _outside,
    "approved_later": _later,
    "not_listed": _unlisted,
    "near_name": _misspelled,
    "made_on_needed": _unmade,
    "before_the_list": _before,
    "no_name": _nameless,
}
