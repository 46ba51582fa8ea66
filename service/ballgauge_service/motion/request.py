"""What is asked of a motion, from a loaded request: made once, and all that the engine takes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Any

from ballgauge_schemas import Quantity
from ballgauge_schemas.shared.words import SPIN
from ballgauge_service.check.drill import Work, drill_balls
from ballgauge_service.check.request import Ball, Drilling, pointer_of, uncertain
from ballgauge_service.core.caution import Caution
from ballgauge_service.core.refusal import Fault, InvalidInput, below
from ballgauge_service.motion.balls import USUAL_RADIUS, BoxBall, MotionBall, box_ball, drilled_ball
from ballgauge_service.motion.bowlers import BOWLERS, Bowler
from ballgauge_service.motion.calibration import Passage, Precision, Shot
from ballgauge_service.motion.delivery import Window
from ballgauge_service.motion.lanes import (
    Film,
    Lane,
    Pattern,
    TapeReading,
    Wear,
    Zone,
    lane_from_pattern,
    lane_from_ratio,
    lane_from_tape,
    uniform_lane,
)
from ballgauge_service.motion.line_maps import Line, placed
from ballgauge_service.motion.measured import Marks, Sighting, SpeedReading, Spin, spin_from_marks
from ballgauge_service.motion.spreads import Sampling
from ballgauge_service.motion.squads import Member, Squad
from ballgauge_service.motion.starts import MotionSettings
from ballgauge_service.motion.surfaces import Curve, FrictionModel, OilOnBall, Surface

Loaded = Mapping[str, Any]

_BOX_NUMBERS = {part.name for part in fields(BoxBall)} - {"name", "radius", "surface"}


@dataclass(frozen=True, slots=True)
class MotionRequest:
    """A ball, who throws it, the fresh lane, and what to study; None is not asked for.

    box: the ball by its box numbers where it has only those; reading: where the bowler's speed was read;
    spin: what marks told of it; explained: where the ball to compare it with is in the request, and that
    ball; picture: `motion`, `line_map`, `squad`, or the bowler whose map is drawn; shot_wear: of one shot
    of a squad; shots, precision: to calibrate by; assumptions and cautions: about the request.
    """

    ball: MotionBall
    box: BoxBall | None
    bowler: Bowler
    reading: SpeedReading | None
    spin: Spin | None
    lane: Lane
    wear: Wear | None
    settings: MotionSettings
    samples: int
    sampling: Sampling | None
    line: Line | None
    explained: tuple[str, MotionBall] | None
    squad: Squad | None
    shot_wear: Wear
    shots: tuple[Shot, ...]
    precision: Precision
    picture: str
    assumptions: tuple[str, ...]
    cautions: tuple[Caution, ...]


def read_motion(request: Loaded) -> MotionRequest:
    """Read a request as `ballgauge_schemas.motion.request.MOTION_REQUEST` loads it.

    Raises InvalidInput for a ball or a pattern that cannot be.
    """
    reader = Reader()
    bowler = reader.bowler(request)
    box = reader.box(request["ball"], bowler, "/ball") if "ball" in request else None
    ball = reader.drilled(request["drilled"], ("drilled",)) if box is None else box_ball(box)
    line, explained = None, None
    if "line_map" in request:
        line = reader.line(request["line_map"], box or ball, bowler)
    if "explain" in request:
        explained = reader.explained(request["explain"], bowler)
    squad = reader.squad(request["squad"], box, ball, bowler) if "squad" in request else None
    wear = Wear(**plain(request.get("wear", {"deliveries": 0})))
    return MotionRequest(
        ball,
        box,
        bowler,
        reader.reading,
        reader.spin,
        read_lane(request["lane"]),
        wear if wear.deliveries else None,
        read_settings(plain(request.get("settings", {})), request.get("oil_on_ball")),
        request.get("samples", 0),
        _sampling(plain(request["spread"])) if "spread" in request else None,
        line,
        explained,
        squad,
        replace(wear, deliveries=1),
        tuple(_shot(each, bowler) for each in request.get("calibrate", {}).get("shots", [])),
        Precision(**plain(request.get("calibrate", {}).get("precision", {}))),
        request.get("picture", "line_map" if line else "squad" if squad else "motion"),
        tuple(reader.assumptions),
        tuple(reader.cautions),
    )


class Reader:
    """Reads the parts that have defaults, and notes what it assumes."""

    def __init__(self) -> None:
        self.assumptions: list[str] = []
        self.cautions: list[Caution] = []
        self.reading: SpeedReading | None = None
        self.spin: Spin | None = None

    def bowler(self, request: Loaded) -> Bowler:
        """The bowler of a motion."""
        drilling = request.get("drilled", {}).get("drilling", {})
        hand, point = drilling.get("hand") or request.get("hand"), drilling.get("pap") or request.get("pap")
        known = BOWLERS.get(request.get("bowler", ""), Bowler("own"))
        given = plain(request.get("release", {}))
        marks, self.reading = given.pop("marks", None), _reading(given.pop("speed_read", None))
        if hand is None:
            self.assumptions.append("No hand is given: the bowler is right-handed.")
        if point is None:
            at = f"{known.over:g} in over and {known.up:g} in up"
            self.assumptions.append(f"No positive axis point is given: it is {at}.")
        if "bowler" not in request:
            for name, value in (
                ("launch angle", f"{known.release.launch_angle:g} deg"),
                ("launch board", f"{known.release.launch_board:g}"),
            ):
                if name.replace(" ", "_") not in given:
                    self.assumptions.append(f"No {name} is given: it is {value}.")
        if marks is not None:
            angle = given.get("launch_angle", known.release.launch_angle)
            self.spin = spin_from_marks(_marks(marks), hand or known.hand, angle)
            given |= {name: getattr(self.spin, name) for name in SPIN}
        name = "own" if given or "scatter" in request else known.name
        own = {"scatter": request.get("scatter", {}), "pap": point, "release": given}
        return _bowler(name, known, own, hand or known.hand)

    def box(self, ball: Loaded, bowler: Bowler, place: str) -> BoxBall:
        """A ball by its box numbers, laid out for a bowler. Raises InvalidInput below its place."""
        given = {**plain(ball), **plain(ball["layout"])}
        across, name = given.get("diameter", 2.0 * USUAL_RADIUS), given.get("name", place)
        if "diameter" not in given:
            self.assumptions.append(f"No diameter of {name} is given: it is {across:.3f} in.")
        if "intermediate_differential" not in given:
            self.assumptions.append(f"No intermediate differential of {name} is given: it is symmetrical.")
        numbers = {key: value for key, value in given.items() if key in _BOX_NUMBERS}
        with below(place):
            return BoxBall(
                name=given.get("name", ""),
                radius=0.5 * across,
                over=bowler.over,
                up=bowler.up,
                hand=bowler.hand,
                surface=self.surface(ball, name),
                **numbers,
            )

    def surface(self, ball: Loaded, name: str) -> Surface:
        """The surface of a ball, which cautions call by its name."""
        given = plain(ball.get("surface", {}))
        if (curve := given.pop("curve", None)) is not None:
            rows = tuple(map(tuple, curve.pop("covariance", ((0.0,) * 3,) * 3)))
            given["curve"] = Curve(**curve, covariance=rows)
        surface = Surface(**given)
        if "cover" not in given:
            self.assumptions.append(f"No cover of {name} is given: it is {surface.cover}.")
        if "roughness" not in given and "grit" not in given:
            words = f"No grit or roughness of {name} is given: it is at {surface.grit:g} grit."
            self.assumptions.append(words)
        return surface

    def drilled(self, item: dict[str, Any], place: tuple[str | int, ...]) -> MotionBall:
        """A drilled ball. Raises InvalidInput below its place."""
        ball, drilling = Ball.of(item["ball"]), Drilling.of(item["drilling"])
        surface = self.surface(item, ball.name or "the drilled ball")
        for name, part in (("ball", ball), ("drilling", drilling)):
            for path, _ in uncertain(part, (*place, name)):
                words = "This uncertainty is not carried into the motion."
                self.cautions.append(Caution("uncertainty_left_out", words, pointer_of(path)))
        with below(pointer_of(place)):
            made = drill_balls([ball], [drilling], [0], Work())
            return drilled_ball(made.out[0], ball.radius, drilling.hand, surface, ball.name or "")

    def own_bowler(self, given: Loaded, hand: str) -> Bowler:
        """A bowler with a name of the caller's."""
        known = BOWLERS.get(given.get("bowler", ""), Bowler("own"))
        return _bowler(given["name"], known, given, hand)

    def explained(self, asked: Loaded, bowler: Bowler) -> tuple[str, MotionBall]:
        """The ball to compare with, and where the request has it. Raises InvalidInput."""
        if "ball" in asked:
            place = "/explain/ball"
            return place, box_ball(self.box(asked["ball"], bowler, place))
        ball = self.drilled(asked["drilled"], ("explain", "drilled"))
        if ball.hand != bowler.hand:
            words = f"must be {bowler.hand}, the hand of the other ball"
            raise InvalidInput([Fault("/explain/drilled/drilling/hand", words)])
        return "/explain/drilled", ball

    def squad(self, asked: Loaded, box: BoxBall | None, ball: MotionBall, bowler: Bowler) -> Squad:
        """The bowlers in turn. Raises InvalidInput."""
        members = []
        for k, each in enumerate(asked["bowlers"]):
            place = ("squad", "bowlers", k)
            own, own_box = ball, box
            if "drilled" in each:
                own, own_box = self.drilled(each["drilled"], (*place, "drilled")), None
            thrower = self.own_bowler(each, each.get("hand", bowler.hand if own_box else own.hand))
            if "ball" in each:
                own_box = self.box(each["ball"], thrower, pointer_of((*place, "ball")))
            if own_box is None and thrower.hand != own.hand:
                words = f"must be {own.hand}, the hand that the ball is drilled for"
                raise InvalidInput([Fault(pointer_of((*place, "hand")), words)])
            held = own if own_box is None else placed(own_box, thrower)
            members.append(Member(thrower, held, "ball" not in each and "drilled" not in each))
        names = [member.bowler.name for member in members]
        order = tuple(names.index(name) for name in asked.get("order", names))
        given = {name: asked[name] for name in ("shots", "games", "seed", "aimed") if name in asked}
        return Squad(tuple(members), order, **given)

    def line(self, asked: Loaded, first: BoxBall | MotionBall, bowler: Bowler) -> Line:
        """The balls and bowlers of a line map. Raises InvalidInput."""
        others = [
            self.box(ball, bowler, f"/line_map/balls/{k}") for k, ball in enumerate(asked.get("balls", []))
        ]
        drilled = []
        for k, ball in enumerate(asked.get("drilled", [])):
            drilled.append(self.drilled(ball, ("line_map", "drilled", k)))
            if drilled[-1].hand != bowler.hand:
                words = f"must be {bowler.hand}, the hand of the other balls"
                raise InvalidInput([Fault(f"/line_map/drilled/{k}/drilling/hand", words)])
        # Where and how the ball is laid down comes with the request; how it is thrown is the preset's own.
        line = {
            name: getattr(bowler.release, name) for name in ("launch_angle", "launch_board", "loft", "phase")
        }
        named = [
            bowler
            if name == "own"
            else replace(BOWLERS[name], hand=bowler.hand, release=replace(BOWLERS[name].release, **line))
            for name in asked.get("bowlers", [])
        ]
        named += [self.own_bowler(each, bowler.hand) for each in asked.get("own_bowlers", [])]
        given = {name: asked[name] for name in ("deliveries", "seed") if name in asked}
        if "surface_change" in asked:
            given["surface"] = self.surface(asked["surface_change"], "the other surface")
        volumes = tuple(plain(asked.get("volumes", [])))
        return Line((first, *others, *drilled), tuple(named or [bowler]), volumes, **given)


def _bowler(name: str, known: Bowler, given: Loaded, hand: str) -> Bowler:
    """A known bowler with what is given in place of his or her own."""
    release = replace(known.release, **plain(given.get("release", {})))
    scatter = replace(known.scatter, **plain(given.get("scatter", {})))
    point = plain(given.get("pap")) or {"over": known.over, "up": known.up}
    return Bowler(name, release, scatter, hand, **point)


def _reading(given: Loaded | None) -> SpeedReading | None:
    if given is None:
        return None
    return SpeedReading(*(given["between"] if "between" in given else (given["at"], given["at"])))


def _marks(given: Loaded) -> Marks:
    first, second, third = (Sighting(**each) for each in given["sightings"])
    return Marks((first, second, third), **{n: v for n, v in given.items() if n != "sightings"})


def _shot(given: Loaded, bowler: Bowler) -> Shot:
    release = replace(bowler.release, **plain(given.get("release", {})))
    return Shot(release, tuple(Passage(**plain(each)) for each in given["passages"]))


def read_lane(asked: Loaded, place: str = "/lane") -> Lane:
    """The fresh lane, asked for at this place. Raises InvalidInput for a pattern that cannot be laid."""
    if "film" in asked:
        return uniform_lane(asked["film"].value)
    if "tape" in asked:
        tape = plain(asked["tape"])
        readings = [_tape(each) for each in tape["readings"]]
        with below(f"{place}/tape"):
            return lane_from_tape(readings, tape["length"], tape.get("name", ""))
    if "ratio" in asked:
        return lane_from_ratio(**plain(asked["ratio"]))
    pattern = plain(asked["pattern"])
    zones = tuple(
        Zone(zone["from"], zone["to"], tuple(_film(part) for part in zone["films"]))
        for zone in pattern["zones"]
    )
    with below(f"{place}/pattern"):
        return lane_from_pattern(Pattern(pattern.get("name", ""), pattern.get("volume"), zones))


def _tape(given: Loaded) -> TapeReading:
    boards, films = zip(*((each["board"], each["film"]) for each in given["films"]), strict=True)
    return TapeReading(given["distance"], boards, films)


def _film(part: Loaded) -> Film:
    first, last = part["boards"]
    return Film(first, last, part["film"], part.get("film_end", part["film"]))


def read_settings(given: dict[str, Any], oil: Loaded | None) -> MotionSettings:
    """How deliveries are computed, from plain numbers and what a cover carries."""
    friction = given.pop("friction", {})
    return MotionSettings(
        **given,
        friction=FrictionModel(**friction.pop("dry", {}), **friction),
        oil_on_ball=None if oil is None else OilOnBall(**plain(oil)),
    )


def _sampling(given: dict[str, Any]) -> Sampling:
    window = {name: tuple(ends) for name, ends in given.pop("window", {}).items()}
    return Sampling(**given, window=Window(**window))


def plain(loaded: Any) -> Any:
    """A loaded value with its quantities as plain numbers in trade units."""
    if isinstance(loaded, Quantity):
        return loaded.value
    if isinstance(loaded, Mapping):
        return {name: plain(member) for name, member in loaded.items()}
    return [plain(member) for member in loaded] if isinstance(loaded, list) else loaded
