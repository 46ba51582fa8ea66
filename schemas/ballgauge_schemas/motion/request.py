"""What is asked of a motion: a ball, who throws it, a lane, and what to study about them.

Distances run from the foul line. Boards are counted from the bowler's own side in releases and answers, and
from the right edge in an oil pattern. How numbers vary is asked under `scatter` and `spread`, so that none
takes an uncertainty. The limits of these fields are ours.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from typing import Any, Unpack

from marshmallow.exceptions import SCHEMA

from ballgauge_schemas.shared import limits, words
from ballgauge_schemas.shared.ball import BallSchema, require_diameter
from ballgauge_schemas.shared.base import (
    Choice,
    Errors,
    Flag,
    Number,
    Options,
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
from ballgauge_schemas.shared.limits import RELEASE
from ballgauge_schemas.shared.quantity import NominalField
from ballgauge_schemas.shared.wording import listed

NO_UNCERTAINTY = "a motion's numbers are nominal; how they vary is asked under scatter and spread"


class Exact(NominalField):
    """A quantity of a motion; it takes no uncertainty."""

    reason = NO_UNCERTAINTY


NAMED = r"^\S([^\u0000-\u001f\u007f-\u009f]*\S)?$"
NEEDED = "missing; a motion needs it"


def require_one(names: Sequence[str], loaded: dict[str, Any], errors: Errors) -> None:
    """Ask for one of some members at least, at the first."""
    if not given(names, loaded, errors):
        add_error(errors, (names[0],), f"missing; give {listed(names, 'or')}")


def one_of(names: Sequence[str], loaded: dict[str, Any], errors: Errors) -> list[str]:
    """Ask for exactly one of some members; gives those that there are."""
    require_one(names, loaded, errors)
    ways = given(names, loaded, errors)
    for name in ways[1:]:
        add_error(errors, (name,), f"must not be given with {ways[0]}")
    return ways


def _refuse_beside(
    present: str, names: Sequence[str], loaded: dict[str, Any], errors: Errors, why: str
) -> None:
    for name in given(names, loaded, {}) if present in loaded else ():
        add_error(errors, (name,), f"must not be given with {why}")


def _refuse_repeated(values: Sequence[Any], member: str, errors: Errors, what: str) -> None:
    if not has_error(errors, member) and len(set(values)) < len(values):
        add_error(errors, (member,), f"must not repeat {what}")


def _plain(
    low: float, high: float, example: float, unit: str, description: str, **options: Unpack[Options]
) -> Number:
    return Number(low, high, example, description, unit=unit, **options)


class CurveSchema(Schema):
    """A calibrated friction curve, oiled + (dry - oiled) exp(-film / scale), as `calibration` answers it."""

    oiled = Exact("ratio", 0, 1, 0.041, "Coefficient on a full film.", required=True)
    dry = Exact("ratio", 0.005, 1, 0.21, "Coefficient on a dry lane.", required=True)
    scale = Exact("film", 0.1, 10000, 47, "Scale of film between them.", required=True)
    covariance = Several(
        Several(_plain(-1e8, 1e8, 1e-6, "", "An entry."), 3, "A row.", minimum=3),
        3,
        "Covariance of oiled, dry and scale, which spreads, line maps and explanations carry.",
        minimum=3,
        assumed=[[0.0] * 3] * 3,
    )

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Oil slows no less than it is dry; a covariance is symmetrical and no variance is negative."""
        if "oiled" in loaded and "dry" in loaded and loaded["oiled"].value > loaded["dry"].value:
            add_error(errors, ("oiled",), "must be at most dry")
        rows = loaded.get("covariance")
        if rows is None or has_error(errors, "covariance"):
            return
        pairs = [(i, j) for i in range(3) for j in range(i)]
        alike = all(math.isclose(rows[i][j], rows[j][i], rel_tol=1e-6, abs_tol=1e-15) for i, j in pairs)
        within = all(rows[i][j] ** 2 <= rows[i][i] * rows[j][j] * (1.0 + 1e-6) for i, j in pairs)
        if not alike or not within or min(rows[i][i] for i in range(3)) < 0.0:
            add_error(errors, ("covariance",), "must be symmetrical, with correlations within -1 and 1")


class MotionSurfaceSchema(Schema):
    """The ball's surface; without it, reactive at 2000 grit."""

    cover = Choice(words.COVERS, "Material of the cover.", assumed=limits.COVER)
    roughness = Exact("roughness", 0.5, 500, 20, "Mean roughness Ra, in place of the grit.")
    grit = _plain(60, 20000, 2000, "grit", "Grit of the last pad.", assumed=limits.GRIT)
    polished = Flag("Whether it was polished after.", assumed=False, example=False)
    friction = Exact("ratio", 0.01, 1, 0.2, "Measured coefficient of friction on a dry lane.")
    curve = Part(CurveSchema, "Its calibrated friction, in place of all that follows from cover and grit.")

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """A measured roughness leaves nothing to a grit or a polish, a curve nothing to a dry coefficient."""
        _refuse_beside("curve", ("friction",), loaded, errors, "curve, which replaces it")
        _refuse_beside("roughness", ("grit", "polished"), loaded, errors, "roughness, which replaces it")


class MotionLayoutSchema(Schema, whole=True):
    """Where the pin lies from the bowler's positive axis point."""

    drilling_angle = Exact(
        "angle", 0, 180, 60, "From the line of pin and positive axis point to the high axis."
    )
    pin_to_pap = Exact("length", 0, 13.5, 4.5, "Pin to positive axis point.")
    val_angle = Exact("angle", 0, 180, 40, "From that line to the vertical axis line.")


class AxisPointSchema(Schema, whole=True):
    """The bowler's positive axis point, from the grip center."""

    over = Exact("length", -8, 8, 5, "Along the midline, away from the grip.")
    up = Exact("length", -4, 4, 0.5, "Up the vertical axis line.")


class BoxBallSchema(Schema):
    """A ball by its box numbers and layout, as if drilling changed nothing."""

    name = Text("Ostrel Works Tarn 48", "Maker and model, for the reader.")
    weight = Exact("weight", 4, 20, 15, "Weight.", required=True)
    diameter = Exact("length", 7.5, 9.5, 8.59, "Diameter.", assumed=limits.USUAL_CIRCUMFERENCE / math.pi)
    rg = Exact("length", 2, 3.2, 2.49, "Radius of gyration about the low axis.", required=True)
    differential = Exact("length", 0, 0.2, 0.048, "Highest less lowest radius of gyration.", required=True)
    intermediate_differential = Exact(
        "length", 0, 0.2, 0.012, "Highest less intermediate radius of gyration; 0: symmetrical.", assumed=0.0
    )
    layout = Part(MotionLayoutSchema, "The layout.", required=True)
    surface = Part(MotionSurfaceSchema, "The surface.")

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """The intermediate differential is a part of the differential."""
        total, part = loaded.get("differential"), loaded.get("intermediate_differential")
        if total is not None and part is not None and part.value > total.value:
            add_error(errors, ("intermediate_differential",), "must be at most the differential")


class DrilledBallSchema(Schema):
    """A ball with its drilling: the inertia and the mass center are those of the drilled ball."""

    ball = Part(BallSchema, "The ball before drilling; it needs its size.", required=True)
    drilling = Part(DrillingSchema, "The drilling, with pap and layout.", required=True)
    surface = Part(MotionSurfaceSchema, "The surface.")

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Ask for what a motion cannot do without."""
        require_diameter(loaded.get("ball"), errors, ("ball",))
        for part, names in (("ball", words.BOX_NUMBERS), ("drilling", ("pap", "layout"))):
            require(loaded.get(part), names, errors, (part,), NEEDED)


def _warned(name: str) -> str:
    low, high = limits.USUAL_RELEASE[name]
    return f"warned of outside {low:g} to {high:g}"


class ReleaseSchema(Schema):
    """The ball as it leaves the hand. What is given replaces a named bowler's own."""

    speed = Exact("speed", *RELEASE["speed"], 18, f"Speed; {_warned('speed')} mph.")
    rev_rate = Exact("rotation_rate", *RELEASE["rev_rate"], 330, f"Rate of spin; {_warned('rev_rate')} rpm.")
    axis_rotation = Exact(
        "angle",
        *RELEASE["axis_rotation"],
        45,
        f"0 rolls end over end, 90 spins square to the travel; {_warned('axis_rotation')}.",
    )
    axis_tilt = Exact(
        "angle",
        *RELEASE["axis_tilt"],
        12,
        f"How far the positive axis point stands up; {_warned('axis_tilt')} deg.",
    )
    launch_angle = Exact(
        "angle",
        *RELEASE["launch_angle"],
        1,
        "Positive toward the bowler's own side.",
        assumed=limits.LAUNCH_ANGLE,
    )
    launch_board = _plain(
        *RELEASE["launch_board"],
        15,
        "boards",
        "Where it crosses the foul line, from the bowler's side.",
        assumed=limits.LAUNCH_BOARD,
    )
    loft = Exact(
        "lane_distance", *RELEASE["loft"], 0, "How far down the lane the ball lands.", assumed=limits.LOFT
    )
    phase = Exact(
        "angle",
        0,
        360,
        90,
        "How far the ball has turned at release since the grip faced midway between back and down; without "
        "it, numbers are means over all phases, with their ranges.",
    )


class SightingSchema(Schema, whole=True):
    """Where a mark on the ball stood, as seen from behind the bowler, on the side that is seen."""

    time = _plain(-1e6, 1e6, 0.01, "s", "When, by one clock, whatever its zero.")
    right = _plain(-1, 1, -0.3, "radii", "To the right of the ball's center.")
    up = _plain(-1, 1, 0.5, "radii", "Above it.")

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """On the ball."""
        if not errors and loaded["right"] ** 2 + loaded["up"] ** 2 > 1.0:
            add_error(errors, ("up",), "lies outside the ball: right and up are in radii")


class MarksSchema(Schema):
    """Rev rate, rotation and tilt from three places of a marked ball soon after release.

    Refused where they do not fix the axis, or where more than one rate explains them.
    """

    sightings = Several(
        Part(SightingSchema, "A place."),
        3,
        "Three places, times rising; best at unequal times.",
        minimum=3,
        required=True,
    )
    place_uncertainty = _plain(
        1e-4, 0.5, 0.02, "radii", "Standard uncertainty of right and up.", assumed=limits.MARK_PLACE
    )
    time_uncertainty = _plain(
        1e-7, 0.1, 0.0005, "s", "Standard uncertainty of the times.", assumed=limits.MARK_TIME
    )

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Times rise."""
        times = [each.get("time") for each in loaded.get("sightings", [])]
        if not has_error(errors, "sightings") and not times[0] < times[1] < times[2]:
            add_error(errors, ("sightings",), "must have rising times")


class SpeedReadSchema(Schema):
    """Where `speed` was read: at a distance, or as the mean between two; that at release is solved for."""

    at = Exact("lane_distance", 0, 60, 60, "Where it was read; 60 ft is at the pins.")
    between = Several(
        Exact("lane_distance", 0, 60, 20, "A sensor."),
        2,
        "Two sensors, nearer first, whose times gave it.",
        minimum=2,
    )

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """One of the two."""
        if len(given(("at", "between"), loaded, errors)) != 1:
            add_error(errors, (SCHEMA,), "must have either at or between")
        ends = loaded.get("between")
        if ends is not None and not has_error(errors, "between") and not ends[0].value < ends[1].value:
            add_error(errors, ("between",), "must be two distances, the nearer first")


class MeasuredReleaseSchema(ReleaseSchema):
    """The release, also as people measure it."""

    speed_read = Part(SpeedReadSchema, "Where `speed` was read; default: at release.")
    marks = Part(MarksSchema, "A marked ball, in place of rev_rate, axis_rotation and axis_tilt.")

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """A reading has a speed; marks leave nothing to the numbers they find."""
        if "speed_read" in loaded and "speed" not in loaded and not has_error(errors, "speed"):
            add_error(errors, ("speed",), "missing; give the speed that was read")
        _refuse_beside("marks", words.SPIN, loaded, errors, "marks, which tell it")


class ScatterSchema(Schema):
    """Standard deviations of the releases; what is not given is the bowler's, or a practiced bowler's."""

    speed = Exact("speed", 0, 5, 0.3, "Of the speed.")
    rev_rate = Exact("rotation_rate", 0, 200, 10, "Of the rate of spin.")
    axis_rotation = Exact("angle", 0, 45, 2.5, "Of the axis rotation.")
    axis_tilt = Exact("angle", 0, 30, 1.5, "Of the axis tilt.")
    launch_angle = Exact("angle", 0, 5, 0.25, "Of the launch angle.")
    launch_board = _plain(0, 10, 0.5, "boards", "Of the launch board.")
    loft = Exact("lane_distance", 0, 10, 0, "Of the loft.")


class FilmSchema(Schema):
    """The film on some boards of a zone."""

    boards = Several(
        Whole(1, 39, 8, "Board from the right edge."),
        2,
        "First and last board from the right edge, both included.",
        minimum=2,
        required=True,
    )
    film = Exact("film", 0, limits.FILM_MAXIMUM, 250, "Film at the zone's beginning.", required=True)
    film_end = Exact(
        "film", 0, limits.FILM_MAXIMUM, 20, "Film at the zone's end, evenly from `film`; default: `film`."
    )


class ZoneSchema(Schema):
    """A stretch of the lane. Each begins where the one before it ends, the first at the foul line."""

    class Meta:
        """What cannot be written as a class member."""

        include = {  # noqa: RUF012 - the name is a word of the language
            "from": Exact("lane_distance", 0, 60, 0, "Where it begins.", required=True)
        }

    to = Exact("lane_distance", 0, 1000, 40, "Where it ends, at most 60 ft.", required=True)
    films = Several(
        Part(FilmSchema, "The film on some boards."),
        39,
        "Films that cover every board from 1 to 39 once; a dry board has film 0.",
        minimum=1,
        required=True,
    )


class PatternSchema(Schema):
    """An oil pattern: zones one after another from the foul line; beyond the last the lane is dry."""

    name = Text("Ostrel house", "Name, for the reader.")
    volume = Exact(
        "oil_volume", 0, 500, 22.5, "All the oil, where known: it must agree with the films to 2 %."
    )
    zones = Several(Part(ZoneSchema, "A zone."), limits.ZONES_MAXIMUM, "The zones.", minimum=1, required=True)


class TapeFilmSchema(Schema, whole=True):
    """A film read on one board."""

    board = _plain(1, 39, 8, "board", "Board from the right edge.")
    film = Exact("film", 0, limits.FILM_MAXIMUM, "45 unit", "The film there.")


class TapeReadingSchema(Schema, whole=True):
    """A tape across the lane."""

    distance = Exact("lane_distance", 0, 60, 22, "Where it lay.")
    films = Several(
        Part(TapeFilmSchema, "A film."),
        39,
        "Films by rising boards; between them they run evenly.",
        minimum=1,
    )

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Boards rise."""
        boards = [each.get("board") for each in loaded.get("films", [])]
        if not has_error(errors, "films") and any(a >= b for a, b in itertools.pairwise(boards)):
            add_error(errors, ("films",), "must have rising boards, each once")


class TapeSchema(Schema):
    """The film as lane tape read it, in the trade's units: 1 unit is 0.0167 mL/ft² (from memory)."""

    name = Text("Ostrel house", "Name, for the reader.")
    readings = Several(
        Part(TapeReadingSchema, "A tape."),
        60,
        "Tapes by rising distance; between them films run evenly.",
        minimum=1,
        required=True,
    )
    length = Exact(
        "lane_distance", 1, 60, 40, "Where the pattern ends; the last tape's film runs to it.", required=True
    )


class RatioSchema(Schema):
    """A pattern of which ratio, volume and length are known; how it runs across and down is ours."""

    name = Text("Ostrel house", "Name, for the reader.")
    ratio = _plain(
        1, 50, 8, "1", "Film of boards 18 to 22 over that of boards 3 to 7 from either edge.", required=True
    )
    volume = Exact("oil_volume", 0.1, 500, 24, "All the oil.", required=True)
    length = Exact("lane_distance", 1, 60, 40, "Where it ends.", required=True)


class LaneSchema(Schema):
    """The lane: an oil pattern in full, by tape or by its ratio; or one film all over it."""

    pattern = Part(PatternSchema, "An oil pattern.")
    tape = Part(TapeSchema, "An oil pattern as lane tape read it.")
    ratio = Part(RatioSchema, "An oil pattern by ratio, volume and length.")
    film = Exact("film", 0, limits.FILM_MAXIMUM, 30, "The same film everywhere; 0 is a dry lane.")

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """One of them."""
        if len(given(("pattern", "tape", "ratio", "film"), loaded, errors)) != 1:
            add_error(errors, (SCHEMA,), "must have one of pattern, tape, ratio and film")


class WearSchema(Schema):
    """What deliveries before this one did to the film: all follow the track of the first."""

    deliveries = Whole(0, 1000, 30, "Deliveries before.", required=True)
    picked_up = Exact(
        "ratio", 0, 1, 0.005, "Share of the film taken from the track's middle.", assumed=limits.PICKED_UP
    )
    track_width = _plain(
        0.2, 20, 1.5, "boards", "Standard deviation of the track's profile.", assumed=limits.TRACK_WIDTH
    )
    laid_down = Exact("ratio", 0, 1, 0.3, "Share of that laid beyond the pattern.", assumed=limits.LAID_DOWN)
    fade = Exact(
        "lane_distance", 0.1, 60, 5, "Over which the trail thins by a factor e.", assumed=limits.FADE
    )


class OilOnBallSchema(Schema):
    """Oil that the cover carries round and lays down again; model and numbers are ours.

    Rings that lie apart meet the lane dry, rings on each other with their own oil: by this, differential and
    layout move the ball by boards. The ball begins clean.
    """

    split = Exact(
        "ratio", 0, 1, 0.4, "Share of the film in the gap that the cover keeps.", assumed=limits.SPLIT
    )
    capacity = _plain(
        0, 10, 1, "1", "The most that it keeps, in films as thick as its Ra.", assumed=limits.CAPACITY
    )
    footprint = Exact(
        "length", 0.02, 1, 0.1, "Standard deviation of a ring across.", assumed=limits.FOOTPRINT
    )
    absorption_time = Exact(
        "time",
        1,
        100000,
        135,
        "Time in which the test's drop is drawn in; without it, nothing is.",
    )


class DryFrictionSchema(Schema):
    """Coefficients of friction on a dry lane by cover."""

    polyester = Exact("ratio", 0.01, 1, 0.12, "Of polyester.", assumed=limits.DRY["polyester"])
    urethane = Exact("ratio", 0.01, 1, 0.18, "Of urethane.", assumed=limits.DRY["urethane"])
    reactive = Exact("ratio", 0.01, 1, 0.22, "Of reactive covers.", assumed=limits.DRY["reactive"])


class FrictionSchema(Schema):
    """Constants of the friction curve, oiled + (dry - oiled) exp(-film / scale); all are ours."""

    oiled = Exact("ratio", 0, 1, 0.04, "Coefficient on a full film.", assumed=limits.OILED)
    dry = Part(DryFrictionSchema, "Coefficients on a dry lane.")
    base = Exact("film", 0.1, 10000, 10, "Scale of film for a smooth ball.", assumed=limits.FRICTION_BASE)
    per_roughness = _plain(
        0, 100, 0.8, "1", "What a film as thick as Ra adds to the scale.", assumed=limits.PER_ROUGHNESS
    )
    grit_roughness = Exact("roughness", 1, 500, 45, "Ra that 500 grit leaves.", assumed=limits.GRIT_ROUGHNESS)
    grit_power = _plain(0, 3, 0.64, "1", "Ra falls with the grit to this power.", assumed=limits.GRIT_POWER)
    polish = _plain(0, 1, 0.5, "1", "What polishing leaves of Ra.", assumed=limits.POLISH)


class MotionSettingsSchema(Schema):
    """How a delivery is computed."""

    path_error = Exact(
        "length", *limits.PATH_ERRORS, 1e-6, "Error of the path that is aimed at.", assumed=limits.PATH_ERROR
    )
    largest_step = Exact(
        "time", *limits.LARGEST_STEPS, 0.03, "Longest time step.", assumed=limits.LARGEST_STEP
    )
    rolling_resistance = Exact(
        "ratio", 0, 0.2, 0.01, "Torque over weight times radius, sliding or rolling.", assumed=0.0
    )
    friction = Part(FrictionSchema, "Constants of the friction curve.")


def _ends(
    example: float, low: float, high: float, unit: str, description: str, assumed: tuple[float, float]
) -> Several:
    entry = _plain(low, high, example, unit, "Low, then high.")
    return Several(entry, 2, description, minimum=2, assumed=list(assumed))


class WindowSchema(Schema):
    """A window at the pins. A share of deliveries inside it is no chance of a strike."""

    board = _ends(
        17, -10, 50, "boards", "Boards of the ball's center as it meets the head pin.", limits.WINDOW_BOARD
    )
    angle = _ends(4, -45, 45, "deg", "Entry angles.", limits.WINDOW_ANGLE)

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Low before high."""
        for name, ends in loaded.items():
            if not has_error(errors, name) and not ends[0] < ends[1]:
                add_error(errors, (name,), "must be two numbers, the lower first")


class DeliverySpreadSchema(Schema):
    """How board and angle at the pins spread over many deliveries."""

    deliveries = Whole(
        2, limits.SPREAD_DELIVERIES_MAXIMUM, 500, "Deliveries.", assumed=limits.SPREAD_DELIVERIES
    )
    seed = seed()
    oil_uncertainty = Exact("ratio", 0, 1, 0.1, "Relative standard uncertainty of the film.", assumed=0.0)
    window = Part(WindowSchema, "The window that deliveries are counted in.")
    aimed = Flag(
        "Whether the bowler first takes the line and launch angle, within usual ones, that bring the ball "
        "into the window; without it the launch is the release's own.",
        assumed=False,
        example=True,
    )


class SurfaceChangeSchema(Schema):
    """Another surface for the request's own ball."""

    surface = Part(MotionSurfaceSchema, "The other surface.", required=True)


class OwnBowlerSchema(Schema):
    """A bowler of one's own; what is not given is the bowler's by name."""

    name = Text(
        "Anna",
        "Name, for the reader; each once.",
        pattern=NAMED,
        required=True,
    )
    bowler = Choice(words.PRESETS, "Whose release and scatter fill up what is not given.")
    release = Part(
        ReleaseSchema, "The release; without a bowler it needs speed, rev_rate, axis_rotation and axis_tilt."
    )
    scatter = Part(ScatterSchema, "The scatter of the releases.")
    pap = Part(
        AxisPointSchema,
        "The positive axis point. A drilled ball turns about that of its drilling, whoever throws it.",
        assumed={"over": limits.PAP_OVER, "up": limits.PAP_UP},
    )

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """A whole release."""
        _check_release(loaded, errors)


class LineMapSchema(Schema):
    """Where the request's ball stands beside others, by length to the hook and sharpness of the turn."""

    balls = Several(
        Part(BoxBallSchema, "A ball."),
        limits.BALLS_MAXIMUM,
        "Others by their box numbers; the request's own ball is the first on the map.",
        minimum=1,
    )
    drilled = Several(
        Part(DrilledBallSchema, "A ball with its drilling."),
        limits.BALLS_MAXIMUM,
        "Others with their drillings, for the same hand; they come after `balls`.",
        minimum=1,
    )
    volumes = Several(
        Exact("oil_volume", 0.1, 500, 25, "Oil on the lane."),
        limits.VOLUMES_MAXIMUM,
        "Amounts of oil in the lane's pattern; default: its own.",
        minimum=1,
    )
    bowlers = Several(
        Choice(
            (*words.PRESETS, "own"),
            "A bowler by name, with the request's hand, launch, loft and phase; `own`: the request's own.",
        ),
        len(words.PRESETS) + 1,
        "Bowlers by name; default: the request's own.",
        minimum=1,
    )
    own_bowlers = Several(
        Part(OwnBowlerSchema, "A bowler."),
        limits.OWN_BOWLERS_MAXIMUM,
        "Further bowlers by their own releases, each from the own line; default: none.",
        minimum=1,
    )
    deliveries = Whole(
        2,
        limits.POINT_DELIVERIES_MAXIMUM,
        12,
        "Scattered deliveries a point, the same for every ball. Balls x volumes x "
        f"bowlers x ({limits.AIMING} for aiming + these) are at most {limits.WORK_MAXIMUM}.",
        assumed=limits.POINT_DELIVERIES,
    )
    seed = seed()
    surface_change = Part(SurfaceChangeSchema, "How far another surface moves the request's ball.")

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Something to set the ball beside, and every point once."""
        require_one(("balls", "drilled"), loaded, errors)
        named = [each["name"] for each in loaded.get("own_bowlers", []) if "name" in each]
        _refuse_repeated(named, "own_bowlers", errors, "a name")
        for name in ("volumes", "bowlers"):
            _refuse_repeated(loaded.get(name, []), name, errors, "an entry")


class SquadBowlerSchema(OwnBowlerSchema):
    """One of a squad, with the ball that is thrown; without one it is the request's."""

    hand = Choice(words.HANDS, "The hand; default: the request's, or the drilling's of a ball of one's own.")
    ball = Part(BoxBallSchema, "The ball by its box numbers.")
    drilled = Part(DrilledBallSchema, "The ball with its drilling.")

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """A whole release, one ball, and one hand."""
        _check_release(loaded, errors)
        _refuse_beside("ball", ("drilled",), loaded, errors, "ball")
        _refuse_beside("drilled", ("hand", "pap"), loaded, errors, "a drilling, which has its own")


class SquadSchema(Schema):
    """Bowlers in turn on the request's lane: the lane and everyone's ball after each game.

    With `oil_on_ball` the film changes as covers take oil and lay it down again; without it each shot wears
    it as `wear` says. Balls are wiped between shots.
    """

    bowlers = Several(
        Part(SquadBowlerSchema, "A bowler."), limits.SQUAD_MAXIMUM, "Who bowls.", minimum=1, required=True
    )
    order = Several(
        Text("Anna", "A bowler's name."),
        limits.SQUAD_TURNS_MAXIMUM,
        "Names in the order of their turns, each once or more; default: as listed.",
        minimum=1,
    )
    shots = Whole(1, 100, 12, "Rounds of turns a game.", assumed=limits.SQUAD_SHOTS)
    games = Whole(1, limits.SQUAD_GAMES_MAXIMUM, 3, "Games.", assumed=limits.SQUAD_GAMES)
    seed = seed()
    aimed = Flag(
        "Whether each first takes the line and launch angle that bring the ball to the pocket of the fresh "
        "lane.",
        assumed=False,
        example=True,
    )

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Every bowler once and in the order, and a bounded number of shots."""
        named = [each.get("name") for each in loaded.get("bowlers", [])]
        if has_error(errors, "bowlers"):
            return
        _refuse_repeated(named, "bowlers", errors, "a name")
        order = loaded.get("order", named)
        if not has_error(errors, "order"):
            for k, name in enumerate(order):
                if name not in named:
                    add_error(errors, ("order", k), "no bowler of the squad has this name")
            if missing := [name for name in named if name not in order]:
                add_error(errors, ("order",), f"must name every bowler; {missing[0]} is missing")
        shots = loaded.get("shots", limits.SQUAD_SHOTS) * loaded.get("games", limits.SQUAD_GAMES) * len(order)
        if shots > limits.SQUAD_SHOTS_MAXIMUM:
            text = f"too much to compute: {shots} shots; at most {limits.SQUAD_SHOTS_MAXIMUM}"
            add_error(errors, ("shots",), text)


class PassageSchema(Schema):
    """What a sensor saw of a shot."""

    distance = Exact("lane_distance", 0, 60, 40, "Where it stands, beyond the foul line.", required=True)
    time = _plain(-1e6, 1e6, 1.62, "s", "When the ball passed, by one clock a shot, whatever its zero.")
    speed = Exact("speed", 1, 60, 15.8, "Its speed there.")
    board = _plain(-5, 45, 9.4, "boards", "Where its center passed, from the bowler's side.")

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Something was seen."""
        require_one(words.PASSED, loaded, errors)


class ShotSchema(Schema):
    """One measured shot on the request's lane with the request's ball."""

    release = Part(ReleaseSchema, "Its release as measured; what is not given is the request's bowler's.")
    passages = Several(
        Part(PassageSchema, "A passage."),
        limits.PASSAGES_MAXIMUM,
        "What the sensors saw: five or more distances serve best, each once.",
        minimum=limits.PASSAGES_MINIMUM,
        required=True,
    )

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """One passage a distance."""
        seen = [each["distance"].value for each in loaded.get("passages", []) if "distance" in each]
        _refuse_repeated(seen, "passages", errors, "a distance")


class PrecisionSchema(Schema):
    """Standard uncertainties of what was measured, sensors first, then releases."""

    time = _plain(1e-5, 1, 0.001, "s", "Of times.", assumed=limits.SENSOR_TIME)
    passing_speed = Exact("speed", 0.001, 5, 0.1, "Of speeds at sensors.", assumed=limits.SENSOR_SPEED)
    passing_board = _plain(0.001, 5, 0.15, "boards", "Of boards at sensors.", assumed=limits.SENSOR_BOARD)
    speed = Exact("speed", 0.001, 5, 0.5, "Of the speed.", assumed=limits.RELEASE_KNOWN["speed"])
    rev_rate = Exact(
        "rotation_rate", 0.01, 200, 5, "Of the rate of spin.", assumed=limits.RELEASE_KNOWN["rev_rate"]
    )
    axis_rotation = Exact(
        "angle", 0.01, 45, 3, "Of the axis rotation.", assumed=limits.RELEASE_KNOWN["axis_rotation"]
    )
    axis_tilt = Exact("angle", 0.01, 30, 3, "Of the axis tilt.", assumed=limits.RELEASE_KNOWN["axis_tilt"])
    launch_angle = Exact(
        "angle", 0.001, 5, 0.5, "Of the launch angle.", assumed=limits.RELEASE_KNOWN["launch_angle"]
    )
    launch_board = _plain(
        0.001, 10, 0.5, "boards", "Of the launch board.", assumed=limits.RELEASE_KNOWN["launch_board"]
    )


class CalibrateSchema(Schema):
    """The friction of the request's ball from measured shots; the rest of the request is answered with it.

    Shots that do not tell oiled, dry and scale apart are refused, with the words which further ones would.
    """

    shots = Several(Part(ShotSchema, "A shot."), limits.SHOTS_MAXIMUM, "The shots.", minimum=1, required=True)
    precision = Part(PrecisionSchema, "How well they were measured.")


class ExplainSchema(Schema):
    """Which difference between the request's ball and a second one causes how many boards at the pins."""

    ball = Part(BoxBallSchema, "The second ball by its box numbers; or else `drilled`.")
    drilled = Part(DrilledBallSchema, "The second ball with its drilling, for the same hand.")

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """One ball."""
        one_of(("ball", "drilled"), loaded, errors)


class MotionRequestSchema(Schema):
    """A ball, who throws it, and a lane."""

    ball = Part(BoxBallSchema, "The ball by its box numbers; or else `drilled`.")
    drilled = Part(DrilledBallSchema, "The ball with its drilling; or else `ball`.")
    bowler = Choice(words.PRESETS, "A bowler by name; or else `release`, or both.")
    release = Part(
        MeasuredReleaseSchema,
        "The release; without a bowler it needs speed, rev_rate, axis_rotation and axis_tilt.",
    )
    scatter = Part(ScatterSchema, "The scatter of the releases.")
    hand = Choice(words.HANDS, f"The bowler's hand; default: the drilling's, or else {limits.HAND}.")
    pap = Part(
        AxisPointSchema,
        "The bowler's positive axis point.",
        assumed={"over": limits.PAP_OVER, "up": limits.PAP_UP},
    )
    lane = Part(LaneSchema, "The lane.", required=True)
    wear = Part(WearSchema, "Deliveries before this one; without it the oil is fresh.")
    oil_on_ball = Part(
        OilOnBallSchema, "What the cover carries; without it, each revolution meets the lane alike."
    )
    settings = Part(MotionSettingsSchema, "How a delivery is computed.")
    samples = Whole(
        0,
        limits.SAMPLES_MAXIMUM,
        limits.SAMPLES,
        "Points of the curves, evenly spaced in time: 0 for none, as without it, or 2 or more.",
    )
    spread = Part(DeliverySpreadSchema, "Many scattered deliveries.")
    line_map = Part(LineMapSchema, "The ball beside others.")
    squad = Part(SquadSchema, "Bowlers in turn, and the lane after each game.")
    calibrate = Part(CalibrateSchema, "The ball's friction from measured shots.")
    explain = Part(ExplainSchema, "The ball against one other, trait by trait.")
    picture = Choice(
        ("motion", "line_map", "own", *words.PRESETS, "squad"),
        "What `Accept: text/html` shows: the motion, the line map of all bowlers, or that of one (`own` is "
        "the request's own), or the squad's lane, which alone is drawn as `image/svg+xml` too. Default: the "
        "line map or else the squad where one is asked for, or else the motion.",
    )
    language = Choice(
        words.REPORT_LANGUAGES, "Language of the squad's picture; the others are in English.", assumed="en"
    )

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """One ball, a whole release, a bounded amount of work, and a picture of what is asked for."""
        _check_ball(loaded, errors)
        _check_release(loaded, errors)
        if loaded.get("samples") == 1:
            add_error(errors, ("samples",), "must be 0, or 2 or more; got 1")
        _check_work(loaded, errors)
        shown, mapped = loaded.get("picture", "motion"), loaded.get("line_map")
        bowlers = mapped.get("bowlers", ["own"]) if isinstance(mapped, dict) else []
        if mapped is None and shown == "line_map":
            add_error(errors, ("picture",), "no line map was requested")
        elif shown == "squad":
            if "squad" not in loaded and not has_error(errors, "squad"):
                add_error(errors, ("picture",), "no squad was requested")
        elif shown not in ("motion", "line_map", *bowlers) and not has_error(errors, "line_map"):
            add_error(errors, ("picture",), "the line map has no such bowler")


def _check_release(loaded: dict[str, Any], errors: Errors) -> None:
    require_one(("release", "bowler"), loaded, errors)
    release = loaded.get("release")
    if not given(("bowler",), loaded, errors) and isinstance(release, dict):
        told = ("speed",) if "marks" in release else ("speed", *words.SPIN)
        require(release, told, errors, ("release",), "missing; required without a bowler")


def _check_ball(loaded: dict[str, Any], errors: Errors) -> None:
    if "drilled" in one_of(("ball", "drilled"), loaded, errors):
        for name in given(("hand", "pap"), loaded, {}):
            add_error(errors, (name,), "must not be given with a drilling, which has its own")


def _check_work(loaded: dict[str, Any], errors: Errors) -> None:
    spread, mapped = loaded.get("spread"), loaded.get("line_map")
    work = 0
    if isinstance(spread, dict):
        work += spread.get("deliveries", limits.SPREAD_DELIVERIES)
        work += limits.AIMING * spread.get("aimed", False)
    if isinstance(mapped, dict):
        own = mapped.get("own_bowlers", [])
        points = len(mapped.get("volumes", [0])) * (len(mapped.get("bowlers", [] if own else [0])) + len(own))
        balls = (
            len(mapped.get("balls", []))
            + len(mapped.get("drilled", []))
            + 1
            + 2 * ("surface_change" in mapped)
        )
        work += points * balls * (mapped.get("deliveries", limits.POINT_DELIVERIES) + limits.AIMING)
    if work > limits.WORK_MAXIMUM:
        place = ("line_map",) if isinstance(mapped, dict) else ("spread", "deliveries")
        if not has_error(errors, *place):
            text = f"too much to compute: {work} deliveries including aiming; at most {limits.WORK_MAXIMUM}"
            add_error(errors, (*place, SCHEMA) if place == ("line_map",) else place, text)


MOTION_REQUEST = MotionRequestSchema()
