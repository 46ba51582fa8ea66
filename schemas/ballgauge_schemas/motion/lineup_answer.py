"""What is answered about a line-up. Units are with the fields, and under `units` in the answer itself."""

from __future__ import annotations

from typing import Any

from ballgauge_schemas.check.answer import CautionSchema
from ballgauge_schemas.shared import limits, words
from ballgauge_schemas.shared.base import Choice, Flag, Number, Part, Schema, Several, Table, Text, Whole
from ballgauge_schemas.shared.problems import ProblemSchema

_PLACES = limits.BALLS_MAXIMUM * limits.LINEUP_COLUMNS_MAXIMUM
_PAIRS = limits.BALLS_MAXIMUM * (limits.BALLS_MAXIMUM - 1) // 2


def _number(example: float, unit: str, description: str, **more: Any) -> Number:
    return Number(-1e9, 1e9, example, description, unit=unit, required=True, **more)


def _text(example: str, description: str, **more: Any) -> Text:
    return Text(example, description, maximum=1000, **{"required": True, **more})


def _part(schema: type[Schema], description: str, **more: Any) -> Part:
    return Part(schema, description, required=True, **more)


def _parts(schema: type[Schema], most: int, description: str) -> Several:
    return Several(Part(schema, "One of them."), most, description, required=True)


def _column() -> Whole:
    return Whole(0, limits.LINEUP_COLUMNS_MAXIMUM, 0, "Place among the columns.", required=True)


def _ball(description: str = "A ball's name.") -> Text:
    return _text("Tarn 48", description)


def _two() -> Several:
    return Several(_ball(), 2, "Two balls.", minimum=2, required=True)


class LineupValueSchema(Schema):
    """A mean, and its uncertainty: the standard deviation of single deliveries about it."""

    mean = _number(33.1, "", "Mean.")
    uncertainty = _number(0.8, "", "One standard deviation.")


class LineupDifferenceValueSchema(LineupValueSchema):
    """A ball less the reference, in the mean over the same throws."""

    uncertainty = _number(0.2, "", "Standard uncertainty of the mean.")
    unpaired = _number(0.3, "", "The same, were each ball thrown by deliveries of its own.")


class LineupNumbersSchema(Schema, whole=True):
    """A ball of the line as it was taken, drilled where a drilling was given."""

    name = _ball("Its name.")
    new = Flag("Whether it is new.")
    by = Choice(words.WAYS, "Where its numbers come from.")
    weight = _number(15.0, "lb", "Weight.")
    rg = _number(2.49, "in", "Radius of gyration about the low axis.")
    differential = _number(0.048, "in", "Highest less lowest radius of gyration.")
    intermediate_differential = _number(0.014, "in", "Highest less intermediate radius of gyration.")
    cover = Choice(words.COVERS, "Material of the cover.")
    roughness = _number(18.5, "µin", "Mean roughness Ra.")


class LineupColumnSchema(Schema):
    """A column of the sheet."""

    name = _text("24 mL", "Its name on the sheet.")
    lane = _text("Ostrel house", "Name of the pattern.")
    volume = _number(24.0, "mL", "Oil on the lane.")


class LineupLaunchSchema(Schema, whole=True):
    """How the bowler lines up with the reference."""

    launch_angle = _number(1.6, "deg", "Launch angle, toward the bowler's own side.")
    launch_board = _number(16.2, "boards", "Where the ball crosses the foul line.")
    aimed = Flag("Whether that brings the reference to the pocket.")


class LineupPlaceSchema(Schema, whole=True):
    """Where a ball stands for one bowler in one column; a value is null where no ball came to the pins."""

    ball = _ball()
    column = _column()
    reads = _part(LineupValueSchema, "Where it reads [ft].", allow_none=True)
    covers = _part(LineupValueSchema, "What it covers from there [boards].", allow_none=True)
    sharpness = _part(LineupValueSchema, "How sharply it turns [deg/ft].", allow_none=True)
    finish = _part(LineupValueSchema, "Board at the pins.", allow_none=True)
    lost = Whole(0, limits.POINT_DELIVERIES_MAXIMUM, 0, "Deliveries not at the pins.")
    compared = Flag("Whether it takes part in overlaps, gaps, pairs and openings.")


def _by_trait(description: str) -> Table:
    example = {"reads": {"cover": 0.7, "rg": 0.3}, "covers": {"cover": 1.0}}
    return Table(None, example, description, required=True)


class LineupDifferenceSchema(Schema, whole=True):
    """A ball less the reference, for one bowler in one column."""

    ball = _ball()
    column = _column()
    deliveries = Whole(0, limits.POINT_DELIVERIES_MAXIMUM, 24, "Deliveries at the pins with both.")
    reads = _part(LineupDifferenceValueSchema, "In where it reads [ft].")
    covers = _part(LineupDifferenceValueSchema, "In what it covers [boards].")
    sharpness = _part(LineupDifferenceValueSchema, "In sharpness [deg/ft].")
    finish = _part(LineupDifferenceValueSchema, "In the board at the pins.")
    effects = _by_trait("Of reads [ft] and covers [boards] what each trait causes; they add up.")
    shares = _by_trait("The same as shares, which add up to 1; null within the uncertainty.")
    sentence = _text("on 24 mL A reads 2.1 ± 0.3 ft earlier than B", "The same in words.")


class LineupOverlapSchema(Schema):
    """Two balls that the bowler cannot tell apart in one column."""

    column = _column()
    balls = _two()
    separation = _number(0.6, "1", "How far apart they are, in units of their spread.")


class LineupGapSchema(Schema, whole=True):
    """Two neighbors in where they read, with room between them."""

    column = _column()
    between = _two()
    start = _number(31.0, "ft", "Where the earlier reads.")
    end = _number(36.0, "ft", "Where the later reads.")
    room = Table(None, {"reads": 33.5, "covers": 9.1}, "The place between them.")


class LineupPairSchema(Schema):
    """Two balls, and how far at most another ball is from both of them."""

    balls = _two()
    separation = _number(1.4, "1", "In units of their spread.")


class LineupPartnerSchema(LineupPairSchema):
    """The ball that completes a ball."""

    ball = _ball()


class LineupOpeningSchema(Schema, whole=True):
    """What to take after a ball when a lane opens."""

    columns = Several(_column(), 2, "From the one to the other.", minimum=2)
    ball = _ball()
    take = _ball("The ball that does most nearly the same there.")
    changed = Table(None, {"reads": {"mean": 0.3, "uncertainty": 0.2}}, "It less the first ball before.")
    stays = Table(
        None,
        {"reads": {"mean": -2.1, "uncertainty": 0.3}},
        "The first ball, after less before.",
        allow_none=True,
    )
    sentence = _text("From 24 mL to 20 mL, after A take B", "The same in words.")


class LineupCorrelationSchema(Schema, whole=True):
    """How far reads and covers go together over the balls of a column; told of four balls or more."""

    column = _column()
    correlation = Number(-1, 1, -0.9, "Their correlation.")


class LineupRowSchema(Schema, whole=True):
    """One bowler."""

    name = _text("Anna", "Name.")
    thrown = Table(None, {"hand": "right", "release": {"speed": 18.0}}, "Hand, pap, release, scatter.")
    launches = _parts(LineupLaunchSchema, limits.LINEUP_COLUMNS_MAXIMUM, "The launch in each column.")
    places = _parts(LineupPlaceSchema, _PLACES, "Every ball in every column.")
    differences = _parts(LineupDifferenceSchema, _PLACES, "Every other ball less the reference.")
    overlaps = _parts(LineupOverlapSchema, _PAIRS * limits.LINEUP_COLUMNS_MAXIMUM, "Balls that overlap.")
    gaps = _parts(LineupGapSchema, _PLACES, "Gaps between neighbors.")
    pair = _part(LineupPairSchema, "The two balls that stand for all.", allow_none=True)
    partners = _parts(LineupPartnerSchema, limits.BALLS_MAXIMUM, "What completes each ball.")
    openings = _parts(LineupOpeningSchema, _PLACES, "What to take when the lanes open.")
    correlations = _parts(
        LineupCorrelationSchema, limits.LINEUP_COLUMNS_MAXIMUM, "How far reads and covers go together."
    )
    sentences = Several(_text("A and B", "A sentence."), 100, "What to say of it.")


class LineupResultSchema(Schema, whole=True):
    """Balls beside one another, a row for each bowler."""

    reference = _ball("The ball that the others are set against.")
    balls = _parts(LineupNumbersSchema, limits.BALLS_MAXIMUM, "The balls.")
    columns = _parts(LineupColumnSchema, limits.LINEUP_COLUMNS_MAXIMUM, "The columns.")
    bowlers = _parts(LineupRowSchema, limits.OWN_BOWLERS_MAXIMUM, "The rows.")
    deliveries = Whole(4, limits.POINT_DELIVERIES_MAXIMUM, 24, "Deliveries of each ball.")
    seed = Whole(0, limits.SEED_MAXIMUM, 7, "Start of the random numbers.")
    definitions = Table(_text("distance", "A sentence."), {"reads": "distance"}, "The words.")
    cautions = Several(Part(CautionSchema, "A caution."), 1000, "What to mind.")
    assumptions = Several(
        _text("There is no rolling resistance.", "One sentence."), 1000, "What was taken for granted."
    )
    units = Table(Text("ft", "A unit.", maximum=60), {"reads": "ft"}, "Unit of each name in the answer.")
    sheets = Table(
        None,
        {"svg": "<svg></svg>"},
        "The sheet by format: SVG and HTML as text, PDF in Base64.",
        allow_none=True,
    )


class LineupEventSchema(Schema):
    """One line of an answer that tells its progress: progress, then at last the result or the problem."""

    progress = Number(0.0, 1.0, 0.4, "Share that is done.")
    doing = Text("Anna", "Whose deliveries are followed.", maximum=1000)
    result = Part(LineupResultSchema, "The answer.")
    problem = Part(ProblemSchema, "Why there is none.")


LINEUP_RESULT = LineupResultSchema()
