"""Motions: a ball, who throws it, and a lane. The ranges are ours."""

from __future__ import annotations

import itertools
import math
from typing import Any

from hypothesis import strategies as st

from ballgauge.strategies._balls import _DIAMETER, balls, differentials, drillings
from ballgauge.strategies._fields import Strategy, builds, draws, numbers, of_schema, walked
from ballgauge_schemas.motion.lineup_request import (
    LineupBallSchema,
    LineupDesignSchema,
    LineupLaneSchema,
    LineupRequestSchema,
    SheetSchema,
)
from ballgauge_schemas.motion.request import (
    BoxBallSchema,
    CurveSchema,
    DeliverySpreadSchema,
    DrilledBallSchema,
    ExplainSchema,
    LaneSchema,
    LineMapSchema,
    MarksSchema,
    MeasuredReleaseSchema,
    MotionRequestSchema,
    MotionSurfaceSchema,
    OwnBowlerSchema,
    PassageSchema,
    PatternSchema,
    RatioSchema,
    ReleaseSchema,
    ShotSchema,
    SightingSchema,
    SpeedReadSchema,
    SquadBowlerSchema,
    SquadSchema,
    TapeReadingSchema,
    TapeSchema,
    WindowSchema,
    ZoneSchema,
)
from ballgauge_schemas.shared.base import Schema
from ballgauge_schemas.shared.documents import motion_example

_RELEASE = {
    "speed": (14.0, 22.0),
    "rev_rate": (100.0, 500.0),
    "axis_rotation": (20.0, 80.0),
    "axis_tilt": (5.0, 25.0),
    "launch_angle": (0.0, 2.0),
    "launch_board": (12.0, 22.0),
    "loft": (0.0, 3.0),
}
_WHOLE_RELEASE = ("speed", "rev_rate", "axis_rotation", "axis_tilt")


draws(
    CurveSchema,
    narrow={"oiled": (0.035, 0.045), "dry": (0.18, 0.24), "scale": (20.0, 50.0)},
    given={"covariance": st.just([[1e-6, 0.0, 0.0], [0.0, 1e-5, 0.0], [0.0, 0.0, 4.0]])},
)


@builds(MotionSurfaceSchema)
def _surface() -> Strategy:
    rough = {"roughness": (5.0, 100.0), "grit": (500.0, 5000.0), "friction": (0.1, 0.3)}
    measured = walked(
        MotionSurfaceSchema, narrow=rough, take=["roughness"], leave=["grit", "polished", "curve"]
    )
    return walked(MotionSurfaceSchema, narrow=rough, leave=["roughness", "friction"]) | measured


@st.composite
def _box_ball(draw: Any) -> dict[str, Any]:
    names = ("differential", "intermediate_differential")
    narrow = {"weight": (12.0, 16.0), "diameter": _DIAMETER, "rg": (2.45, 2.7)}
    members: dict[str, Any] = draw(walked(BoxBallSchema, narrow=narrow, leave=names))
    return members | differentials(draw, BoxBallSchema, names)


builds(BoxBallSchema)(_box_ball)


@builds(DrilledBallSchema)
def _drilled_ball() -> Strategy:
    given = {"ball": balls(sized=True, inertia=True), "drilling": drillings(laid_out=True)}
    return walked(DrilledBallSchema, given=given)


draws(ReleaseSchema, narrow=_RELEASE)
draws(SightingSchema, narrow={"right": (-0.6, 0.6), "up": (-0.6, 0.6)})
# Without readings, which only some lanes explain.
draws(MeasuredReleaseSchema, narrow=_RELEASE, leave=["marks", "speed_read"])
draws(PassageSchema, take=["time"])
draws(RatioSchema, narrow={"ratio": (1.0, 12.0), "volume": (15.0, 30.0), "length": (35.0, 45.0)})
draws(
    DeliverySpreadSchema,
    narrow={"deliveries": (2.0, 20.0), "oil_uncertainty": (0.0, 0.2)},
    take=["deliveries"],
)
# A drilled ball's hand is that of the request, which is not known here.
draws(ExplainSchema, take=["ball"], leave=["drilled"])
draws(LineupDesignSchema, take=["layout"], leave=["drilling"])
draws(LineupBallSchema, take=["name", "box"], leave=["drilled", "design"])


@st.composite
def _pattern(draw: Any) -> dict[str, Any]:
    """Zones that follow each other, each with three stripes of film that cover every board."""
    ends = [0, *sorted(draw(st.lists(st.integers(5, 44), min_size=1, max_size=3, unique=True)))]
    zones = []
    for start, stop in itertools.pairwise(ends):
        films = [draw(numbers(0.0, most)) for most in (60.0, 400.0, 60.0)]
        stripes = zip(((1, 10), (11, 29), (30, 39)), films, strict=True)
        zones.append(
            {
                "from": start,
                "to": stop,
                "films": [{"boards": list(boards), "film": film} for boards, film in stripes],
            }
        )
    return dict(draw(walked(PatternSchema, leave=["volume"], given={"zones": st.just(zones)})))


builds(PatternSchema)(_pattern)


@builds(ZoneSchema)
def _zone() -> Strategy:
    return of_schema(PatternSchema).map(lambda pattern: pattern["zones"][0])


@builds(LaneSchema)
def _lane() -> Strategy:
    ways = ("pattern", "tape", "ratio", "film")
    narrow = {"film": (0.0, 100.0)}
    return st.one_of(
        [walked(LaneSchema, narrow=narrow, leave=[w for w in ways if w != way], take=[way]) for way in ways]
    )


@builds(TapeReadingSchema)
def _tape_reading() -> Strategy:
    boards = st.lists(st.integers(1, 39), min_size=1, max_size=5, unique=True).map(sorted)
    films = boards.map(lambda found: [{"board": board, "film": f"{8 * (board % 7)} unit"} for board in found])
    return walked(TapeReadingSchema, given={"films": films})


@builds(TapeSchema)
def _tape() -> Strategy:
    tapes = st.lists(of_schema(TapeReadingSchema), min_size=1, max_size=3)
    rising = tapes.map(lambda found: [each | {"distance": 8 + 10 * k} for k, each in enumerate(found)])
    return walked(TapeSchema, narrow={"length": (36.0, 44.0)}, given={"readings": rising})


@builds(MarksSchema)
def _marks() -> Strategy:
    """A mark that goes straight down the side that is seen: an axis without rotation, and one rate."""
    return st.integers(200, 400).map(
        lambda rate: {
            "sightings": [
                {
                    "time": t,
                    "right": 0.1,
                    "up": round(-math.sin(rate * math.pi / 30.0 * (t - 0.02)), 6) * 0.99,
                }
                for t in (0.0, 0.02, 0.045)
            ]
        }
    )


@builds(SpeedReadSchema)
def _speed_read() -> Strategy:
    between = st.sampled_from([["12 ft", 55], [10, 58.5]])
    return walked(SpeedReadSchema, take=["at"], leave=["between"]) | walked(
        SpeedReadSchema, take=["between"], leave=["at"], given={"between": between}
    )


_SPANS = {"board": [[17, 18], [16.5, 19]], "angle": [[4, 8], [1.5, 6]]}
draws(WindowSchema, given={name: st.sampled_from(spans) for name, spans in _SPANS.items()})


@builds(LineMapSchema)
def _line_map() -> Strategy:
    bowlers = st.lists(st.sampled_from(["matched_one_handed", "matched_two_handed"]), min_size=1, max_size=1)
    given = {
        "balls": st.lists(_box_ball(), min_size=1, max_size=1),
        "bowlers": bowlers,
        "own_bowlers": st.lists(of_schema(OwnBowlerSchema), min_size=1, max_size=1),
    }
    narrow = {"deliveries": (2.0, 4.0)}
    # A drilled ball's hand is that of the request, which is not known here: `_asked` adds right-handed ones.
    leave, take = ["volumes", "drilled"], ["deliveries", "balls"]
    return walked(LineMapSchema, narrow=narrow, take=take, leave=leave, given=given)


@st.composite
def _with_drilled(draw: Any) -> dict[str, Any]:
    """A line map of right-handers with a drilled ball, or without."""
    asked: dict[str, Any] = draw(_line_map())
    ball = draw(st.none() | of_schema(DrilledBallSchema).filter(_right_handed))
    return asked if ball is None else asked | {"drilled": [ball]}


def _right_handed(ball: Any) -> bool:
    return bool(ball["drilling"].get("hand") == "right")


def _bowler(schema: type[Schema], *leave: str) -> Strategy:
    """A bowler with a name of the caller's: by a release, or by a bowler's name."""
    whole = walked(ReleaseSchema, narrow=_RELEASE, take=_WHOLE_RELEASE)
    given = {"name": st.sampled_from(["A", "Anna B"])}
    own = walked(schema, take=["release"], leave=["bowler", *leave], given={**given, "release": whole})
    return own | walked(schema, take=["bowler"], leave=["release", *leave], given=given)


builds(OwnBowlerSchema)(lambda: _bowler(OwnBowlerSchema))
# The hand of a request's own drilled ball is not known here.
builds(SquadBowlerSchema)(lambda: _bowler(SquadBowlerSchema, "hand", "drilled"))


@builds(SquadSchema)
def _squad() -> Strategy:
    names = st.lists(
        of_schema(SquadBowlerSchema), min_size=1, max_size=2, unique_by=lambda each: each["name"]
    )
    narrow = {"shots": (1.0, 3.0), "games": (1.0, 2.0)}
    return walked(
        SquadSchema, narrow=narrow, take=["shots", "games"], leave=["order"], given={"bowlers": names}
    )


@builds(ShotSchema)
def _shot() -> Strategy:
    distances = st.lists(st.integers(5, 58), min_size=3, max_size=5, unique=True)
    passages = distances.map(lambda found: [{"distance": each, "board": 12} for each in found])
    return walked(ShotSchema, given={"passages": passages})


_SENSORS = (12, 24, 34, 44, 56)
_SHOTS = {
    (26, 3.2): ((0.47316, 0.95656, 1.36843, 1.80693, 2.36961), (19.1551, 13.8168, 10.6968, 11.4949, 17.7981)),
    (18, 1.5): ((0.47265, 0.95568, 1.36692, 1.7949, 2.35541), (15.175, 13.8523, 14.0112, 16.5881, 26.4751)),
    (30, 3.6): ((0.47347, 0.95716, 1.36882, 1.80023, 2.36132), (22.227, 15.9646, 12.012, 10.9727, 16.1407)),
}
"""Times [s] and boards at the sensors by launch board and angle [deg]: the example's ball on its lane."""
_THROWN = {"speed": 17.5, "rev_rate": 330, "axis_rotation": 45, "axis_tilt": 14, "phase": 0}
_PRECISE = {
    "time": 1e-4,
    "passing_board": 0.01,
    "speed": 0.02,
    "rev_rate": 0.5,
    "axis_rotation": 0.1,
    "axis_tilt": 0.1,
    "launch_angle": 0.01,
    "launch_board": 0.02,
}
"""So well that two shots tell the friction: more take longer."""


@st.composite
def _calibrate(draw: Any) -> dict[str, Any]:
    """Two or three precise shots, each by a clock of its own."""
    shots = []
    for launch in draw(st.permutations(list(_SHOTS)[: draw(st.integers(2, 3))])):
        began = draw(st.integers(0, 1000))
        passages = [
            {"distance": distance, "time": began + time, "board": board}
            for distance, time, board in zip(_SENSORS, *_SHOTS[launch], strict=True)
        ]
        release = {**_THROWN, "launch_board": launch[0], "launch_angle": launch[1]}
        shots.append({"release": release, "passages": draw(st.permutations(passages))})
    return {"shots": shots, "precision": _PRECISE}


def calibrations() -> Strategy:
    """Friction from shots of the example's ball on its lane, whatever cover the fit begins from."""
    example = motion_example("motion")
    known = {name: st.just(example[name]) for name in ("lane", "hand", "pap", "bowler", "release")}
    surface = walked(MotionSurfaceSchema, take=["grit"], leave=["roughness", "friction", "curve"],
                     narrow={"grit": (1000.0, 4000.0)}, given={"cover": st.just("reactive")})  # fmt: skip
    ball = surface.map(lambda found: {**example["ball"], "surface": found})
    return st.fixed_dictionaries(known | {"ball": ball, "calibrate": _calibrate()})


_STUDIES = ("spread", "line_map", "explain", "squad")


@builds(MotionRequestSchema)
def motion_requests(*, studies: bool = True) -> Strategy:
    """Bodies of ``POST /v1/motions``: a ball by its box numbers or drilled, a bowler or a release, a lane."""
    found = [_motion(which) for which in (None, *(_STUDIES if studies else ()))]
    return st.one_of([*found, calibrations()] if studies else found)


def _motion(study: str | None) -> Strategy:
    return st.one_of([_asked(study, way, named) for way in (False, True) for named in (True, False)])


def _asked(study: str | None, drilled: bool, named: bool) -> Strategy:
    # Shots that say nothing of friction are refused: those that do are of one ball and lane.
    leave = ["calibrate", *(name for name in _STUDIES if name != study)]
    leave += ["ball", "hand", "pap"] if drilled else ["drilled"]
    leave += ["picture"] if named else ["picture", "bowler"]
    take = ["drilled" if drilled else "ball", "bowler" if named else "release", *([study] if study else [])]
    given = {"release": walked(ReleaseSchema, narrow=_RELEASE, take=() if named else _WHOLE_RELEASE)}
    if study == "line_map" and not drilled:
        given |= {"line_map": _with_drilled(), "hand": st.just("right")}
    if study == "explain":
        # Both balls have to reach the pins: from far inside, over some oil.
        take.append("release")
        # Oil on the cover turns a ball later and farther down: it is drawn with other studies.
        leave.append("oil_on_ball")
        aimed = {
            **_RELEASE,
            "speed": (17.0, 20.0),
            "rev_rate": (250.0, 350.0),
            "axis_rotation": (35.0, 50.0),
            "launch_board": (22.0, 26.0),
            "launch_angle": (3.2, 3.8),
        }
        whole = ("launch_board", "launch_angle", *(() if named else _WHOLE_RELEASE))
        given["release"] = walked(ReleaseSchema, narrow=aimed, take=whole)
        given["lane"] = walked(
            LaneSchema, narrow={"film": (40.0, 70.0)}, take=["film"], leave=["pattern", "tape", "ratio"]
        )
    narrow = {"samples": (2.0, 50.0)}
    return walked(MotionRequestSchema, narrow=narrow, leave=leave, take=take, given=given)


@builds(LineupLaneSchema)
def _lineup_lane() -> Strategy:
    volumes = st.lists(st.integers(12, 30), min_size=1, max_size=2, unique=True)
    return _lane().flatmap(lambda lane: volumes.map(lambda found: _with_volumes(lane, found)))


def _with_volumes(lane: dict[str, Any], volumes: list[int]) -> dict[str, Any]:
    # A dry lane has no pattern to scale.
    return {**lane, "volumes": volumes} if "pattern" in lane and _oiled(lane) else lane


def _oiled(lane: dict[str, Any]) -> bool:
    films = [part["film"] for zone in lane["pattern"]["zones"] for part in zone["films"]]
    return any(isinstance(film, (int, float)) and film > 1.0 for film in films)


draws(SheetSchema, given={"formats": st.sampled_from([["svg"], ["html"], ["pdf"]])})


def _named(several: list[dict[str, Any]], letter: str) -> list[dict[str, Any]]:
    return [{**each, "name": f"{letter} {k}"} for k, each in enumerate(several)]


@builds(LineupRequestSchema)
def lineup_requests() -> Strategy:
    """Bodies of ``POST /v1/lineups``: two or three balls by their box numbers, a bowler, a lane."""
    balls = st.lists(of_schema(LineupBallSchema), min_size=2, max_size=3).map(
        lambda found: _named(found, "B")
    )
    bowlers = st.lists(of_schema(OwnBowlerSchema), min_size=1, max_size=1).map(
        lambda found: _named(found, "P")
    )
    given = {
        "balls": balls,
        "bowlers": bowlers,
        "lanes": st.lists(_lineup_lane(), min_size=1, max_size=1),
        "reference": st.sampled_from(["B 0", "B 1"]),
    }
    # Oil on the covers takes several times as long: it is drawn with motions.
    return walked(LineupRequestSchema, narrow={"deliveries": (4.0, 8.0)}, take=["deliveries"],
                  leave=["oil_on_ball"], given=given)  # fmt: skip
