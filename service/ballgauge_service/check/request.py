"""What a check is asked, as frozen values: made once from a loaded request, and all that the engine takes.

A quantity is None where it is not given. `Drilling.of` and `Check.of` take what the contract's schemas load;
a capability that drills a ball of its own makes a `Ball` from quantities and takes the drilling as loaded.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, fields
from operator import attrgetter
from typing import Any, NamedTuple

from ballgauge_schemas import Quantity
from ballgauge_schemas.shared.approved_list import ApprovedList
from ballgauge_schemas.shared.limits import BALANCE_ARM, REMEDY_MARGIN
from ballgauge_schemas.shared.words import Stage
from ballgauge_service.check.identity import Listing
from ballgauge_service.core.caution import Caution
from ballgauge_service.core.refusal import Fault, InvalidInput
from ballgauge_service.physics import box_numbers
from ballgauge_service.rulebooks import (
    Decision,
    Edition,
    Own,
    RulebookError,
    UnknownRulebookError,
    edition,
    faults_of,
)

Path = tuple[str | int, ...]
"""Names and places of array entries that lead to a field."""

_NAN = math.nan


def value(quantity: Quantity | None) -> float:
    """Value in the trade unit; NaN where the quantity is not given."""
    return _NAN if quantity is None else quantity.value


@dataclass(frozen=True, slots=True)
class Ball:
    """A ball before drilling: its box numbers, and what was measured on it."""

    name: str | None = None
    serial: str | None = None
    weight: Quantity | None = None
    drilled_weight: Quantity | None = None
    diameter: Quantity | None = None
    circumference: Quantity | None = None
    roundness: Quantity | None = None
    rg: Quantity | None = None
    differential: Quantity | None = None
    intermediate_differential: Quantity | None = None
    hardness: Quantity | None = None
    friction: Quantity | None = None
    restitution: Quantity | None = None
    roughness: Quantity | None = None
    oil_absorption_time: Quantity | None = None
    high_performance_core: bool | None = None
    max_density: Quantity | None = None
    top_weight: Quantity | None = None
    pin_to_cg: Quantity | None = None
    pin_to_low_rg_axis: Quantity | None = None
    mark_to_high_rg_axis: Quantity | None = None
    cover_thickness: Quantity | None = None
    cover_density: Quantity | None = None
    approved_on: datetime.date | None = None
    made_on: datetime.date | None = None
    identity: str | None = None
    house_ball: bool = False
    cover: str | None = None

    @classmethod
    def of(cls, loaded: Mapping[str, Any]) -> Ball:
        """The ball of one that `BallSchema` loaded, or of some of its members."""
        return cls(**loaded)

    @property
    def across(self) -> Quantity | None:
        """Diameter [in] as given, or from the circumference."""
        if self.diameter is not None or self.circumference is None:
            return self.diameter
        around, u = self.circumference.value, self.circumference.uncertainty
        return Quantity(around / math.pi, None if u is None else u / math.pi)

    @property
    def radius(self) -> float:
        """Radius [in]; NaN where neither diameter nor circumference is given."""
        return 0.5 * value(self.across)


@dataclass(frozen=True, slots=True)
class Pap:
    """The positive axis point: arcs from the grip center [in]."""

    over: Quantity
    up: Quantity


@dataclass(frozen=True, slots=True)
class Place:
    """A place on the ball: arcs from the grip center [in]."""

    right: Quantity
    up: Quantity


@dataclass(frozen=True, slots=True)
class Layout:
    """Where pin and spin axis lie from the positive axis point, in one of the trade's ways [deg, in].

    By the pin's arc and angles or arcs, see `layouts`, or by the places of pin and mark (`psa`); `cg`: the
    place of the center-of-gravity mark, where it is not told from the pin.
    """

    drilling_angle: Quantity | None = None
    pin_to_pap: Quantity | None = None
    val_angle: Quantity | None = None
    pap_to_psa: Quantity | None = None
    pin_to_val: Quantity | None = None
    pin_below: bool = False
    pin: Place | None = None
    psa: Place | None = None
    cg: Place | None = None

    @classmethod
    def of(cls, loaded: Mapping[str, Any]) -> Layout:
        """The layout of a loaded one."""
        places = {name: Place(**loaded[name]) for name in ("pin", "psa", "cg") if name in loaded}
        return cls(**{**loaded, **places})


@dataclass(frozen=True, slots=True)
class Grip:
    """Spans and bridge [in], from which holes without a place of their own are placed."""

    span_middle: Quantity | None = None
    span_ring: Quantity | None = None
    span_kind: str = "cut_to_cut"
    insert_thickness: Quantity | None = None
    bridge: Quantity | None = None
    thumb: bool = True
    center_marked: bool | None = None

    @property
    def between_centers(self) -> bool:
        """Whether its spans run from center to center of the holes."""
        return self.span_kind in ("center_to_center", "full")

    def span(self, given: Quantity | None) -> float:
        """A span between the holes' edges, or centers [in]: without the insert that it was measured with."""
        return value(given) - (0.0 if self.insert_thickness is None else self.insert_thickness.value)


@dataclass(frozen=True, slots=True)
class Hole:
    """One hole [in]; with a slug density [g/mL] it is filled again."""

    role: str
    diameter: Quantity
    depth: Quantity
    pitch_forward: Quantity
    pitch_lateral: Quantity
    at: Place | None = None
    used: bool | None = None
    vents: int | None = None
    slug_density: Quantity | None = None

    @classmethod
    def of(cls, loaded: Mapping[str, Any]) -> Hole:
        """The hole of a loaded one."""
        return cls(**{**loaded, "at": Place(**loaded["at"])}) if "at" in loaded else cls(**loaded)

    @property
    def is_open(self) -> bool:
        """Whether no slug fills it."""
        return self.slug_density is None


@dataclass(frozen=True, slots=True)
class Drilling:
    """A drilling for one hand; its balance shows moment / arm [in]."""

    hand: str
    pap: Pap | None = None
    layout: Layout | None = None
    grip: Grip = Grip()
    holes: tuple[Hole, ...] = ()
    balance_arm: Quantity | None = None

    @classmethod
    def of(cls, loaded: Mapping[str, Any]) -> Drilling:
        """The drilling of one that `DrillingSchema` loaded."""
        parts: dict[str, Any] = {name: make(**loaded[name]) for name, make in _PARTS if name in loaded}
        if "layout" in loaded:
            parts["layout"] = Layout.of(loaded["layout"])
        return cls(**{**loaded, **parts, "holes": tuple(map(Hole.of, loaded["holes"]))})

    @property
    def side(self) -> float:
        """+1 for a right-hander, -1 for a left-hander."""
        return 1.0 if self.hand == "right" else -1.0

    @property
    def arm(self) -> float:
        """Arm of the balance [in]: given, or the default."""
        return BALANCE_ARM if self.balance_arm is None else self.balance_arm.value


_PARTS: tuple[tuple[str, type[Pap | Grip]], ...] = (("pap", Pap), ("grip", Grip))


@dataclass(frozen=True, slots=True)
class HolesSeen:
    """The open holes as a desk counts and measures them [in]; None: not looked at."""

    finger_holes: int | None = None
    thumb_holes: int | None = None
    unused_finger_holes: int | None = None
    thumb_used: bool | None = None
    gripping_hole_diameter: Quantity | None = None
    gripping_hole_depth: Quantity | None = None
    balance_holes: int | None = None
    balance_hole_diameter: Quantity | None = None
    vent_holes: int | None = None
    vent_hole_diameter: Quantity | None = None
    mill_holes: int | None = None
    mill_hole_diameter: Quantity | None = None
    mill_hole_depth: Quantity | None = None
    center_marked: bool | None = None


@dataclass(frozen=True, slots=True)
class MeasuredBalance:
    """Balance readings of the drilled ball [oz]; they go before predicted ones."""

    top: Quantity | None = None
    side: Quantity | None = None
    finger: Quantity | None = None

    @property
    def readings(self) -> tuple[Quantity | None, Quantity | None, Quantity | None]:
        """Top, side and finger."""
        return self.top, self.side, self.finger


@dataclass(frozen=True, slots=True)
class Rules:
    """Which rulebook, on which day of use (None: the rulebook's own), at which stage."""

    body: str = "usbc"
    stage: Stage = "play"
    on: datetime.date | None = None
    overlay: str | None = None
    overlays: tuple[str | Own, ...] = ()
    as_made: str | None = None
    approved_list: ApprovedList | None = None

    @classmethod
    def of(cls, loaded: Mapping[str, Any]) -> Rules:
        """The rules of loaded ones."""
        laid = (each if isinstance(each, str) else Own.of(each) for each in loaded.get("overlays", ()))
        return cls(**{**loaded, "overlays": tuple(laid)})

    def edition(self, stage: Stage | None = None) -> Edition:
        """What they come to, at a stage of one's own if one is given.

        Raises InvalidInput naming every bad field, below /rules.
        """
        try:
            laid = (self.overlay, *self.overlays)
            return edition(self.body, self.on, stage or self.stage, *laid, as_made=self.as_made)
        except UnknownRulebookError as unknown:
            raise InvalidInput([Fault(_overlay(unknown.place), str(unknown))]) from None
        except RulebookError as refused:
            place = _overlay(refused.place)
            named = faults_of(refused.messages)
            raise InvalidInput([Fault(place + pointer, words) for pointer, words in named]) from None


def _overlay(place: int | None) -> str:
    if place is None:
        return "/rules/overlays"
    return f"/rules/overlays/{place - 1}" if place else "/rules/overlay"


@dataclass(frozen=True, slots=True)
class RemedyBounds:
    """What a remedy may do: margin [oz], least depths that still hold a digit [in]."""

    margin: Quantity = Quantity(REMEDY_MARGIN)  # noqa: RUF009
    already_drilled: bool = False
    thumb_depth_min: Quantity | None = None
    finger_depth_min: Quantity | None = None


@dataclass(frozen=True, slots=True)
class LayersDrilled:
    """What holes take of a ball's real layers, in the grip frame.

    weight [lb]; removed and slug weight, in all and of each of the holes [oz]; rg: low, intermediate, high,
    centre_of_mass [in]; moment after drilling and hole_moment, its change [oz in]; cg, axes: unit vectors,
    None where they have no direction.
    """

    weight: float
    removed_weight: float
    slug_weight: float
    rg: tuple[float, float, float]
    cg: tuple[float, float, float] | None
    moment: tuple[float, float, float]
    hole_moment: tuple[float, float, float]
    centre_of_mass: tuple[float, float, float]
    low_axis: tuple[float, float, float] | None
    high_axis: tuple[float, float, float] | None
    holes: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Layers:
    """A ball of known layers: how its numbers were found, what to look at again, and what drilling does."""

    method: str
    cautions: tuple[Caution, ...]
    drilled: LayersDrilled | None


@dataclass(frozen=True, slots=True)
class Check:
    """One ball to check, as made or as drilled.

    `listing`: what the approved list has of it, None: there is no list; `fed`: the ball's day of approval
    where it is the list's; layers: of a ball that is told by its design.
    """

    ball: Ball
    drilling: Drilling | None = None
    holes_seen: HolesSeen | None = None
    measured_balance: MeasuredBalance | None = None
    rules: Rules = Rules()
    decision: Decision = Decision()  # noqa: RUF009
    remedies: RemedyBounds = RemedyBounds()
    detail: str = "full"
    also_on: tuple[datetime.date, ...] = ()
    listing: Listing | None = None
    fed: datetime.date | None = None
    layers: Layers | None = None

    @classmethod
    def of(cls, loaded: Mapping[str, Any]) -> Check:
        """The check of one that `CheckEntrySchema` or `DrillingRequestSchema` loaded.

        Of a ball told by its design `design.checked` has put `layers` in the design's place.
        """
        drilling, measured = loaded.get("drilling"), loaded.get("measured_balance")
        seen = loaded.get("holes_seen")
        return cls(
            ball=Ball.of(loaded["ball"]),
            drilling=None if drilling is None else Drilling.of(drilling),
            holes_seen=None if seen is None else HolesSeen(**seen),
            measured_balance=MeasuredBalance(**measured) if measured else None,
            rules=Rules.of(loaded.get("rules", {})),
            decision=Decision(**loaded.get("decision", {})),
            remedies=RemedyBounds(**loaded.get("remedies", {})),
            detail=loaded.get("detail", "full"),
            also_on=tuple(loaded.get("also_on", ())),
            layers=loaded.get("layers"),
        )


def uncertain(part: object, path: Path = ()) -> list[tuple[Path, Quantity]]:
    """Path and quantity of all in a part of a request, at `path`, that states an uncertainty above 0."""
    names, get, parts = _MEMBERS[type(part)]
    quantities = get(part)
    found = []
    if any(map(_stated, filter(None, quantities))):
        pairs = zip(names, quantities, strict=True)
        found = [((*path, name), each) for name, each in pairs if each is not None and each.uncertainty]
    for name in parts:
        member = getattr(part, name)
        if isinstance(member, tuple):
            for place, each in enumerate(member):
                found += uncertain(each, (*path, name, place))
        elif member is not None:
            found += uncertain(member, (*path, name))
    return found


_stated = attrgetter("uncertainty")


class _Members(NamedTuple):
    """Of a part: names of its quantities, how to get them all at once, and names of parts that hold more."""

    names: list[str]
    get: Callable[[Any], tuple[Quantity | None, ...]]
    parts: list[str]


def _members(kind: type) -> _Members:
    names = [each.name for each in fields(kind) if "Quantity" in str(each.type)]
    parts = [each.name for each in fields(kind) if each.name in _PARTS_OF]
    first, several = attrgetter(names[0]), attrgetter(*names)
    return _Members(names, several if len(names) > 1 else lambda part: (first(part),), parts)


_PARTS_OF = ("pap", "layout", "grip", "holes", "at", "pin", "psa", "cg")
_MEMBERS: dict[type, _Members] = {
    kind: _members(kind) for kind in (Ball, Pap, Layout, Grip, Place, Hole, Drilling)
}


def pointer_of(path: Path) -> str:
    """The JSON pointer (RFC 6901) of a path; no name of the contract holds a character to escape."""
    return "".join(f"/{step}" for step in path)


def impossible_ball(ball: Ball, index: int = 0) -> Iterator[Fault]:
    """Refuse box numbers that no ball of this size can have."""
    if ball.rg is None:
        return
    size = ball.radius
    parts = value(ball.differential), value(ball.intermediate_differential)
    if box_numbers.exceeds_size(size, ball.rg.value, *parts):
        words = (
            f"impossible: a ball of {2 * size:.3f} in diameter with all its weight in the surface has a "
            f"radius of gyration of {size * math.sqrt(2 / 3):.3f} in"
        )
        yield Fault("/ball/rg", words, index)
