"""What is asked of a line-up: balls beside one another, thrown alike by several bowlers on several lanes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Any

from marshmallow.exceptions import SCHEMA

from ballgauge_schemas.design.request import DesignSchema
from ballgauge_schemas.motion.request import (
    NAMED,
    NEEDED,
    BoxBallSchema,
    DrilledBallSchema,
    Exact,
    LaneSchema,
    MotionLayoutSchema,
    MotionSettingsSchema,
    MotionSurfaceSchema,
    OilOnBallSchema,
    OwnBowlerSchema,
    one_of,
)
from ballgauge_schemas.shared import limits, words
from ballgauge_schemas.shared.base import (
    Choice,
    Errors,
    Flag,
    Part,
    Schema,
    Several,
    Text,
    Whole,
    add_error,
    given,
    has_error,
    require,
    seed,
)
from ballgauge_schemas.shared.drilling import DrillingSchema


class LineupDesignSchema(Schema):
    """A ball that is still a drawing: drilled through its layers, or laid out alone."""

    design = Part(DesignSchema, "The design; its meshes are within the JSON.", required=True)
    drilling = Part(DrillingSchema, "A drilling through its layers, with pap and layout; or else `layout`.")
    layout = Part(MotionLayoutSchema, "The layout of its pin; or else `drilling`.")
    surface = Part(MotionSurfaceSchema, "The surface.")

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """One of drilling and layout; no mesh lies outside."""
        ways = given(("drilling", "layout"), loaded, errors)
        if len(ways) != 1:
            words_of = "must not be given with drilling" if ways else "missing; give drilling or layout"
            add_error(errors, ("layout",), words_of)
        require(loaded.get("drilling"), ("pap", "layout"), errors, ("drilling",), NEEDED)
        meshes = loaded.get("design", {}).get("meshes", [])
        for at, mesh in enumerate(meshes):
            if "file" in mesh:
                place = ("design", "meshes", at, "file")
                add_error(errors, place, "must be data: a line-up comes without files")


class LineupBallSchema(Schema):
    """One ball of the line, in one of three ways."""

    name = Text(
        "Tarn 48", "Name on the sheet, each once; default: the name of the ball or design.", pattern=NAMED
    )
    new = Flag("Whether it is new: the sheet puts it forward.", assumed=False, example=True)
    box = Part(BoxBallSchema, "By its box numbers and layout.")
    drilled = Part(DrilledBallSchema, "With its drilling.")
    design = Part(LineupDesignSchema, "By its design.")

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """One way, and a name."""
        ways = one_of(words.WAYS, loaded, errors)
        if ways and not name_of(loaded) and not has_error(errors, "name") and not has_error(errors, ways[0]):
            add_error(errors, ("name",), "missing; the ball has no name of its own")


def name_of(ball: dict[str, Any]) -> str:
    """The name of a loaded ball on the sheet; empty where there is none."""
    inner: dict[str, Any] = next((ball[way] for way in words.WAYS if way in ball), {})
    part = inner if "box" in ball else inner.get("ball" if "drilled" in ball else "design", {})
    return str(ball.get("name") or part.get("name") or "").strip()


class LineupLaneSchema(LaneSchema):
    """A lane, with as many columns of the sheet as it has amounts of oil."""

    volumes = Several(
        Exact("oil_volume", 0.1, 500, 24, "Oil on the lane."),
        limits.LINEUP_COLUMNS_MAXIMUM,
        "Amounts of oil in the lane's pattern, each once; default: its own.",
        minimum=1,
    )

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """One lane, and every column once."""
        super().check(loaded, errors)
        if has_error(errors, "volumes"):
            return
        for at, each in _repeated([each.value for each in loaded.get("volumes", [])]):
            add_error(errors, ("volumes", at), f"must not repeat {each:g} mL")


class SheetSchema(Schema):
    """How the sheet is written."""

    language = Choice(words.REPORT_LANGUAGES, "Language.", assumed="en")
    paper = Choice(words.PAPERS, "Size of the page.", assumed="a4")
    formats = Several(
        Choice(words.SHEET_FORMATS, "A format."),
        len(words.SHEET_FORMATS),
        "Formats in which the sheet comes within the JSON answer; default: none.",
        minimum=1,
    )

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Each format once."""
        for at, each in _repeated(loaded.get("formats", [])):
            if not has_error(errors, "formats"):
                add_error(errors, ("formats", at), f"must not repeat {each}")


class LineupRequestSchema(Schema):
    """The balls, who throws them, and on what.

    Of every bowler and lane, all balls are thrown by the same releases: on the line that brings the reference
    to the pocket on that lane's greatest amount of oil.
    """

    balls = Several(
        Part(LineupBallSchema, "A ball."), limits.BALLS_MAXIMUM, "The balls.", minimum=2, required=True
    )
    reference = Text(
        "Tarn 48", "Name of the ball that the others are set against; default: the first that is not new."
    )
    bowlers = Several(
        Part(OwnBowlerSchema, "A bowler, with a name that no other has."),
        limits.OWN_BOWLERS_MAXIMUM,
        "The rows of the sheet.",
        minimum=1,
        required=True,
    )
    hand = Choice(words.HANDS, "Hand of all bowlers.", assumed=limits.HAND)
    lanes = Several(
        Part(LineupLaneSchema, "A lane."),
        limits.LINEUP_COLUMNS_MAXIMUM,
        f"Where the columns of the sheet come from; they are at most {limits.LINEUP_COLUMNS_MAXIMUM} in all.",
        minimum=1,
        required=True,
    )
    deliveries = Whole(
        4,
        limits.POINT_DELIVERIES_MAXIMUM,
        24,
        "Scattered deliveries of each ball, the same for all. Bowlers x columns x (balls x these + other "
        f"balls x {limits.LINEUP_SWAPS}) are at most {limits.LINEUP_WORK_MAXIMUM}.",
        assumed=limits.LINEUP_DELIVERIES,
    )
    seed = seed()
    oil_on_ball = Part(
        OilOnBallSchema, "What the covers carry; without it, each revolution meets the lane alike."
    )
    settings = Part(MotionSettingsSchema, "How a delivery is computed; its path no finer than 0.001 in.")
    sheet = Part(SheetSchema, "How the sheet is written.")

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Names that are there once, one hand, columns that fit, a bounded amount of work."""
        balls = [each for each in loaded.get("balls", []) if each]
        names = [name_of(each) for each in loaded.get("balls", [])]
        if isinstance(loaded.get("balls"), list):
            _check_names(names, "balls", errors)
        bowlers = loaded.get("bowlers", [])
        _check_names([each.get("name", "") for each in bowlers], "bowlers", errors)
        reference = loaded.get("reference")
        if reference is not None and reference.strip() not in names and not has_error(errors, "balls"):
            add_error(errors, ("reference",), "no ball has this name")
        for at, ball in enumerate(balls):
            _check_hand(ball, at, loaded.get("hand", limits.HAND), errors)
        lanes = loaded.get("lanes", [])
        columns = sum(max(len(each.get("volumes", [])), 1) for each in lanes)
        if columns > limits.LINEUP_COLUMNS_MAXIMUM and not has_error(errors, "lanes"):
            text = f"too many columns: {columns} lanes by volumes; at most {limits.LINEUP_COLUMNS_MAXIMUM}"
            add_error(errors, ("lanes", SCHEMA), text)
        each = loaded.get("deliveries", limits.LINEUP_DELIVERIES)
        work = len(bowlers) * columns * (len(names) * each + (len(names) - 1) * limits.LINEUP_SWAPS)
        if work > limits.LINEUP_WORK_MAXIMUM and not has_error(errors, "deliveries"):
            text = f"too much to compute: {work} deliveries in all; at most {limits.LINEUP_WORK_MAXIMUM}"
            add_error(errors, ("deliveries",), text)


def _repeated(values: Sequence[Any]) -> Iterator[tuple[int, Any]]:
    """Where a value stands that stood before."""
    seen: Counter[Any] = Counter()
    for at, value in enumerate(values):
        if seen[value]:
            yield at, value
        seen[value] += 1


def _check_names(names: Sequence[str], member: str, errors: Errors) -> None:
    for at, name in _repeated(names):
        if name and not has_error(errors, member, at):
            add_error(errors, (member, at, "name"), "must not be the name of another")


def _check_hand(ball: dict[str, Any], at: int, hand: str, errors: Errors) -> None:
    for way in ("drilled", "design"):
        given = ball.get(way, {}).get("drilling", {}).get("hand")
        place = ("balls", at, way, "drilling", "hand")
        if given is not None and given != hand and not has_error(errors, *place):
            add_error(errors, place, f"must be {hand}, the hand of the bowlers")


LINEUP_REQUEST = LineupRequestSchema()
