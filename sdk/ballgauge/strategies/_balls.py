"""Balls, drillings, checks and records that make physical sense.

The ranges here are ours: what a shop or a factory meets. They lie within the contract's, which refuses more
than they do; what they leave out is what physics would refuse.
"""

from __future__ import annotations

import base64
import functools
import json
import math
from typing import Any

from hypothesis import strategies as st

from ballgauge.strategies._fields import Strategy, builds, members_of, numbers, of_schema, walked, written
from ballgauge_schemas.check.request import (
    CheckBatchSchema,
    CheckEntrySchema,
    CheckRequestSchema,
    DrillingBatchSchema,
    DrillingRequestSchema,
    RulebookQuerySchema,
    RulesSchema,
)
from ballgauge_schemas.lot.request import LotRulesSchema
from ballgauge_schemas.record.documents import RecordRequestSchema, RecordVerificationSchema
from ballgauge_schemas.shared.ball import (
    DESIGN_TELLS,
    BallSchema,
    BallToDrillSchema,
    CheckedBallSchema,
)
from ballgauge_schemas.shared.base import Schema
from ballgauge_schemas.shared.drilling import (
    DrillingSchema,
    GripSchema,
    HoleSchema,
    HolesSeenSchema,
    LayoutSchema,
    PlaceSchema,
)
from ballgauge_schemas.shared.overlay import OverlayLimitSchema, OverlayRuleSchema, OverlaySchema

_BALL = {
    "weight": (10.0, 16.5),
    "drilled_weight": (9.8, 16.3),
    "roundness": (0.0, 0.02),
    "rg": (2.43, 2.75),
    "hardness": (60.0, 90.0),
    "friction": (0.05, 0.4),
    "restitution": (0.6, 0.8),
    "roughness": (1.0, 100.0),
    "max_density": (1.2, 5.0),
    "top_weight": (-1.0, 4.0),
    "pin_to_cg": (0.0, 6.0),
    "pin_to_low_rg_axis": (0.0, 2.0),
    "mark_to_high_rg_axis": (0.0, 2.0),
    "cover_thickness": (0.5, 1.0),
    "cover_density": (1.1, 1.3),
}
_DIAMETER = (8.48, 8.61)
_DIFFERENTIAL = (0.001, 0.065)
_TOGETHER = ("diameter", "circumference", "differential", "intermediate_differential")
_INERTIA = ("rg", "differential", "intermediate_differential")


def differentials(draw: Any, schema: type[Schema], take: tuple[str, ...]) -> dict[str, Any]:
    """The two differentials of a schema that has them, the second a part of the first."""
    known = members_of(schema)
    whole = draw(numbers(*_DIFFERENTIAL, example=0.048))
    part = round(whole * draw(st.sampled_from([0.25, 0.0, 0.6, 0.9])), 6)
    drawn = {}
    for name, value in (("differential", whole), ("intermediate_differential", part)):
        if name in take or draw(st.booleans()):
            drawn[name] = draw(written(known[name], value))  # type: ignore[arg-type]
    return drawn


def _size(draw: Any, *, required: bool) -> dict[str, Any]:
    """Diameter, circumference or both, which agree."""
    known = members_of(BallSchema)
    diameter = draw(numbers(*_DIAMETER, example=8.59))
    ways = [("diameter",), ("circumference",), ("diameter", "circumference"), *([] if required else [()])]
    values = {"diameter": diameter, "circumference": round(diameter * math.pi, 4)}
    chosen = draw(st.sampled_from(ways))
    return {name: draw(written(known[name], values[name])) for name in chosen}  # type: ignore[arg-type]


@functools.cache
def _box(take: tuple[str, ...]) -> Strategy:
    return walked(BallSchema, narrow=_BALL, leave=_TOGETHER, take=take)


@st.composite
def _drawn_ball(draw: Any, sized: bool, take: tuple[str, ...]) -> dict[str, Any]:
    mine = tuple(name for name in take if name not in _TOGETHER)
    members: dict[str, Any] = draw(_box(mine))
    return members | _size(draw, required=sized) | differentials(draw, BallSchema, take)


def balls(*, sized: bool = False, inertia: bool = False) -> Strategy:
    """Balls before drilling; `sized` ones have a diameter or circumference, `inertia` has all box numbers."""
    return _drawn_ball(sized, _INERTIA if inertia else ())


builds(BallSchema, CheckedBallSchema, BallToDrillSchema)(balls)

_HOLE = {"pitch_forward": (-0.5, 0.5), "pitch_lateral": (-0.5, 0.5), "slug_density": (1.0, 1.4)}
_HOLES: dict[str, dict[str, tuple[float, float]]] = {
    "thumb": {"diameter": (0.9, 1.1), "depth": (1.5, 2.75)},
    "middle": {"diameter": (0.75, 1.0), "depth": (1.0, 2.5)},
    "ring": {"diameter": (0.75, 1.0), "depth": (1.0, 2.5)},
    "vent": {"diameter": (0.1, 0.25), "depth": (1.0, 3.0)},
    "balance": {"diameter": (0.5, 1.25), "depth": (1.0, 3.0)},
}
_GRIP = {"span_middle": (4.0, 4.75), "span_ring": (4.0, 4.75), "bridge": (0.2, 0.5)}
_SPOTS = {"thumb": (0.0, -2.2), "middle": (-0.6, 2.2), "ring": (0.6, 2.2), "vent": (2.0, 0.0)}
_OVERLAYS = ["overlay", "overlays"]
_STYLES = ((), ("thumb", "middle", "ring"), ("middle", "ring"), ("thumb", "middle"))


@functools.cache
def _hole(role: str, *, placed: tuple[float, float] | None = None, plugged: bool = False) -> Strategy:
    """One hole of a role, at a place or where the spans put it."""
    given: dict[str, Strategy] = {"role": st.just(role)}
    if placed is not None:
        right, up = placed
        near = {name: (round(at - 0.1, 3), round(at + 0.1, 3)) for name, at in (("right", right), ("up", up))}
        given["at"] = walked(PlaceSchema, narrow=near)
    return walked(
        HoleSchema,
        narrow={**_HOLE, **_HOLES[role]},
        leave=[*([] if placed else ["at"]), *([] if plugged else ["slug_density"]), "used", "vents"],
        take=[*(["at"] if placed else []), *(["slug_density"] if plugged else [])],
        given=given,
    )


def _holes(draw: Any, fingers: tuple[str, ...], by_span: bool) -> list[dict[str, Any]]:
    holes = [draw(_hole(role, placed=None if by_span else _SPOTS[role])) for role in fingers]
    if draw(st.sampled_from([False, False, True])):
        holes.append(draw(_hole("vent", placed=_SPOTS["vent"])))
    if draw(st.sampled_from([False, False, True])):
        holes.append(draw(_hole("balance", placed=(draw(st.sampled_from([4.5, -4.5])), 0.0))))
    if draw(st.sampled_from([False, False, False, True])):
        holes.insert(0, draw(_hole("thumb", placed=_SPOTS["thumb"], plugged=True)))
    return holes


@functools.cache
def _frame(take: tuple[str, ...]) -> Strategy:
    """A drilling without grip and holes."""
    leave = ["grip", "holes", *([] if take else ["layout"])]
    return walked(DrillingSchema, narrow={"balance_arm": (2.5, 4.0)}, leave=leave, take=take)


@functools.cache
def _grip(thumb: bool) -> Strategy:
    by_holes = st.sampled_from(["cut_to_cut", "center_to_center"])
    given = {"thumb": st.just(thumb), "span_kind": by_holes}
    take = [*_GRIP, "thumb"]
    plain = walked(GripSchema, narrow=_GRIP, leave=["insert_thickness"], take=take, given=given)
    inserted = {**given, "span_kind": st.just("edge_to_edge")}
    narrow = {**_GRIP, "insert_thickness": (0.05, 0.15)}
    return plain | walked(
        GripSchema, narrow=narrow, take=[*take, "span_kind", "insert_thickness"], given=inserted
    )


builds(GripSchema)(lambda: _grip(True))


def layouts() -> Strategy:
    """Layouts of every way to state them; of the places that the pin's distance to the axis point allows."""
    arcs = {"pin_to_pap": (2.0, 4.5), "pap_to_psa": (5.5, 7.5), "pin_to_val": (0.0, 1.5)}
    by_arcs = [
        walked(
            LayoutSchema,
            narrow=arcs,
            leave=["pin", "psa", "cg", *(name for name in _TURNED if name not in (turn, lie))],
            take=["pin_to_pap", turn, lie],
        )
        for turn in _TURNED[:2]
        for lie in _TURNED[2:4]
    ]
    pin, psa = ({"right": 1.2356, "up": 3.7268}, {"right": 2.3812, "up": -2.9438})
    marks = {"pin": st.just(pin), "psa": st.just(psa)}
    by_places = walked(LayoutSchema, leave=["pin_to_pap", "cg", *_TURNED], take=["pin", "psa"], given=marks)
    return st.one_of(*by_arcs, by_places)


_TURNED = ("drilling_angle", "pap_to_psa", "val_angle", "pin_to_val", "pin_below")
builds(LayoutSchema)(layouts)


@st.composite
def _drawn_drilling(draw: Any, laid_out: bool) -> dict[str, Any]:
    fingers = draw(st.sampled_from(_STYLES))
    by_span = bool(fingers) and draw(st.booleans())
    take = ("pap", "layout") if laid_out or draw(st.booleans()) else ()
    members: dict[str, Any] = draw(_frame(take))
    if by_span:
        members["grip"] = draw(_grip("thumb" in fingers))
    return members | {"holes": _holes(draw, fingers, by_span)}


def drillings(*, laid_out: bool = False) -> Strategy:
    """Drillings of a ball; `laid_out` ones have the layout and the axis point."""
    return _drawn_drilling(laid_out)


builds(DrillingSchema)(drillings)


def rules(schema: type[Schema]) -> Strategy:
    """Which rules; overlays are drawn with the body that they lie over."""
    if "overlays" not in members_of(schema):
        return walked(schema, leave=["overlay"]) | walked(
            schema, take=["body", "overlay"], given={"body": st.just("usbc")}
        )
    return walked(schema, leave=_OVERLAYS) | st.sampled_from(["ibf", "usbc"]).flatmap(
        functools.partial(_overlaid, schema)
    )


def _overlaid(schema: type[Schema], body: str) -> Strategy:
    own = overlays().map(lambda drawn: drawn | {"overlay": drawn["overlay"] | {"base": body}})
    several = st.lists(own | st.just("australia") if body == "ibf" else own, max_size=2)
    leave, take = ([], ["overlay"]) if body == "usbc" else (["overlay"], [])
    given = {"body": st.just(body), "overlays": several}
    return walked(schema, leave=leave, take=["body", "overlays", *take], given=given)


def overlays() -> Strategy:
    """Overlays of one's own: one rule on a number, in force on any days."""
    beside_others = ["min", "judged_min", "judged_max", "doubtful", "effective_to"]
    limit = walked(OverlayLimitSchema, leave=["effect", "when", "source", *beside_others], take=["max"])
    quantity = st.sampled_from(["hardness", "weight", "rg", "differential"])
    rule = walked(
        OverlayRuleSchema,
        leave=["unit", "binds", "when_measured", "advice_at", "message", "stages"],
        given={"quantity": quantity, "limit": st.lists(limit, min_size=1, max_size=1)},
        take=["quantity"],
    )
    rules = st.lists(rule, min_size=1, max_size=1)
    return walked(OverlaySchema, leave=["source"], given={"rule": rules})


builds(OverlaySchema)(overlays)


for _schema in (RulesSchema, LotRulesSchema):
    builds(_schema)(functools.partial(rules, _schema))


def _holes_seen() -> Strategy:
    """Holes as a desk sees them; few enough that some ball conforms."""
    counts = {"balance_holes": (0, 1), "vent_holes": (0, 3), "mill_holes": (0, 1), "thumb_holes": (0, 1)}
    return walked(HolesSeenSchema, narrow={**counts, "finger_holes": (2, 4), "unused_finger_holes": (0, 1)})


builds(HolesSeenSchema)(_holes_seen)


def checks(schema: type[Schema] = CheckEntrySchema) -> Strategy:
    """Bodies of ``POST /v1/checks`` for one ball, as made or as drilled."""
    made = walked(schema, leave=["drilling", "design"], given={"holes_seen": _holes_seen()})
    boxed = {"ball": balls(sized=True)}
    drilled = walked(schema, take=["drilling"], leave=["holes_seen", "design"], given=boxed)
    told = walked(CheckedBallSchema, narrow=_BALL, leave=DESIGN_TELLS)
    layered = walked(schema, take=["design"], leave=["drilling", "holes_seen"], given={"ball": told})
    return made | drilled | layered


builds(CheckEntrySchema)(checks)
builds(CheckRequestSchema)(lambda: checks(CheckRequestSchema))


def check_batches(*, most: int = 5) -> Strategy:
    """Bodies of ``POST /v1/checks`` for several balls."""
    several = st.lists(checks(), min_size=1, max_size=most)
    return walked(CheckBatchSchema, leave=["on_error"], given={"checks": several})


def drilling_requests() -> Strategy:
    """Bodies of ``POST /v1/drillings`` for one ball."""
    boxed = walked(DrillingRequestSchema, leave=["design"], given={"ball": balls(sized=True)})
    told = walked(BallToDrillSchema, narrow=_BALL, leave=DESIGN_TELLS)
    given = {"ball": told, "drilling": drillings(laid_out=True)}
    return boxed | walked(DrillingRequestSchema, take=["design"], given=given)


builds(DrillingRequestSchema)(drilling_requests)


def drilling_batches(*, most: int = 5) -> Strategy:
    """Bodies of ``POST /v1/drillings`` for several balls."""
    several = st.lists(drilling_requests(), min_size=1, max_size=most)
    return walked(DrillingBatchSchema, given={"drillings": several})


def rulebook_queries() -> Strategy:
    """Query parameters of ``GET /v1/rulebooks``."""
    return rules(RulebookQuerySchema)


def record_requests() -> Strategy:
    """Bodies of ``POST /v1/records``: a check to be signed. The service needs a key."""
    return of_schema(RecordRequestSchema)


def record_verifications() -> Strategy:
    """Bodies of ``POST /v1/records/verify``: records signed by nobody the service knows."""
    names = st.text("abcdefghijklmnopqrstuvwxyz0123456789-", min_size=1, max_size=20)
    record = st.builds(_unknown_record, names, st.binary(min_size=64, max_size=64))
    return walked(RecordVerificationSchema, given={"record": record})


def _unknown_record(kid: str, signature: bytes) -> str:
    """A compact JWS (RFC 7515) by a key of this id."""
    header = json.dumps({"alg": "EdDSA", "kid": kid, "typ": "ballgauge-record"}, separators=(",", ":"))
    parts = (header.encode(), b'{"format":"ballgauge-record-1"}', signature)
    return ".".join(base64.urlsafe_b64encode(part).rstrip(b"=").decode() for part in parts)
