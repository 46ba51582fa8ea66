"""Requests about a motion: one delivery, and the studies about it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, fields, replace
from typing import Any

from ballgauge_schemas.shared import limits
from ballgauge_service.check.drill import Work
from ballgauge_service.check.request import drill_items, plain, points_of, radius
from ballgauge_service.core.bulk import Bulk
from ballgauge_service.core.refusal import InvalidInput, below
from ballgauge_service.motion.balls import USUAL_RADIUS, BoxBall, MotionBall, box_ball, drilled_ball
from ballgauge_service.motion.bowlers import BOWLERS, Bowler, Release, Scatter
from ballgauge_service.motion.delivery import deliver, wear_lane
from ballgauge_service.motion.explanations import explain
from ballgauge_service.motion.lanes import Lane, Wear, lane_from_pattern, uniform_lane
from ballgauge_service.motion.line_maps import line_map, surface_change
from ballgauge_service.motion.pictures import line_map_picture, motion_picture
from ballgauge_service.motion.spreads import Window, spread
from ballgauge_service.motion.starts import Settings
from ballgauge_service.motion.surfaces import FrictionModel, Surface

Request = Mapping[str, Any]
Group = dict[str, Any]

STEPS_MAXIMUM = 4_000_000
"""Most steps of one study (ours): about half a minute."""

MORE_UNITS = {
    "volume": "mL",
    "length": "ft",
    "launch_angle": "deg",
    "entry_board": "board from the bowler's side",
    "entry_angle": "deg",
    "share": "1",
    "difference": "boards",
    "weight": "lb",
    "radius": "in",
}


def evaluate_motion(request: Request, bulk: Bulk | None = None) -> Group:
    """Answer a loaded request about a motion, as a JSON-ready dict.

    request : as `ballgauge_schemas.motions.MOTION_REQUEST` loads it
    bulk : who follows many deliveries; threads of this process unless given

    Raises InvalidInput naming every impossible field, and BulkUnavailable.
    """
    return _Evaluation(request, bulk).answer()


def draw_motion(request: Request, bulk: Bulk | None = None) -> str:
    """The picture that a loaded request asks for, as an HTML page; see `evaluate_motion`."""
    return _Evaluation(request, bulk).picture()


@dataclass(frozen=True)
class _Held:
    """The request's ball: as it moves, and by its box numbers where it has only those."""

    ball: MotionBall
    box: BoxBall | None


class _Evaluation:
    """One request, study by study."""

    def __init__(self, request: Request, bulk: Bulk | None) -> None:
        self.request, self.bulk = request, bulk
        self.taken: list[str] = []
        self.cautions: list[Group] = []
        self.bowler = self._bowler()
        self.held = self._held()
        with below(("", "/settings")):
            self.settings = _settings(plain(request.get("settings", {})))
        self.lane = self._lane()

    def answer(self) -> Group:
        moved = self._delivery(self.request.get("samples", 0))
        self.cautions += moved.pop("warnings")
        self._caution_ending(moved)
        taken = [*self.taken, *moved.pop("assumptions")]
        ball = self.held.ball
        return {
            "ball": {"name": ball.name, "weight": ball.weight, "radius": ball.radius, "hand": ball.hand},
            "bowler": self._told_bowler(),
            "lane": {"name": self.lane.name, "volume": self.lane.volume, "length": self.lane.length},
            "motion": moved,
            "spread": self._spread(),
            "line_map": self._line_map(),
            "surface_change": self._surface_change(),
            "explain": self._explain(),
            "cautions": self.cautions,
            "assumptions": taken,
            "units": {**moved.pop("units"), **MORE_UNITS},
        }

    def picture(self) -> str:
        shown = self.request.get("picture", "motion")
        if shown == "motion":
            return motion_picture(
                self._delivery(self.request.get("samples") or limits.SAMPLES), self.held.ball, self.lane
            )
        mapped = self._line_map()
        assert mapped is not None, "the contract asks for a line map"
        return line_map_picture(mapped, self.bowler.name if shown == "own" else shown)

    def _bowler(self) -> Bowler:
        request = self.request
        drilling = request.get("drilled", {}).get("drilling", {})
        hand, point = drilling.get("hand") or request.get("hand"), drilling.get("pap") or request.get("pap")
        known = BOWLERS.get(request.get("bowler", ""), Bowler("own"))
        given = plain(request.get("release", {}))
        if hand is None:
            self.taken.append("No hand is given: the bowler is right-handed.")
        if point is None:
            self.taken.append(
                f"No positive axis point is given: it is {known.over:g} in over and {known.up:g} in up."
            )
        if "bowler" not in request:
            for name, unit in (("launch_angle", " deg"), ("launch_board", "")):
                if name not in given:
                    words = name.replace("_", " ")
                    self.taken.append(f"No {words} is given: it is {getattr(known.release, name):g}{unit}.")
        over, up = (point["over"].value, point["up"].value) if point else (known.over, known.up)
        return Bowler(
            "own" if given or "scatter" in request else known.name,
            replace(known.release, **given),
            replace(known.scatter, **plain(request.get("scatter", {}))),
            hand or "right",
            over,
            up,
        )

    def _held(self) -> _Held:
        if "ball" in self.request:
            box = self._box(self.request["ball"], "/ball")
            return _Held(box_ball(box), box)
        return _Held(self._drilled(self.request["drilled"]), None)

    def _box(self, ball: Request, place: str) -> BoxBall:
        given = {**plain(ball), **plain(ball["layout"])}
        across = given.get("diameter", 2.0 * USUAL_RADIUS)
        name = given.get("name", place)
        if "diameter" not in ball:
            self.taken.append(f"No diameter of {name} is given: it is {across:.3f} in.")
        if "intermediate_differential" not in ball:
            self.taken.append(f"No intermediate differential of {name} is given: it is symmetrical.")
        names = {part.name for part in fields(BoxBall)}
        numbers = {key: value for key, value in given.items() if key in names and key != "surface"}
        bowler = self.bowler
        with _renamed({"/ball": place}):
            return BoxBall(
                **numbers,
                radius=0.5 * across,
                over=bowler.over,
                up=bowler.up,
                hand=bowler.hand,
                surface=self._surface(ball, name),
            )

    def _surface(self, ball: Request, name: str) -> Surface:
        given = plain(ball.get("surface", {}))
        surface = Surface(**given)
        if "cover" not in given:
            self.taken.append(f"No cover of {name} is given: it is {surface.cover}.")
        if "roughness" not in given and "grit" not in given:
            self.taken.append(f"No grit or roughness of {name} is given: it is at {surface.grit:g} grit.")
        return surface

    def _drilled(self, item: Group) -> MotionBall:
        ball, drilling = item["ball"], item["drilling"]
        name = ball.get("name", "the drilled ball")
        surface = self._surface(item, name)
        for part in ("ball", "drilling"):
            for pointer in points_of(item[part]):
                words = "This uncertainty is not carried into the motion."
                self.cautions.append(_caution("uncertainty_left_out", words, f"/drilled/{part}{pointer}"))
        with below(("/drilled", ""), ("", "/drilled")):
            made = drill_items([item], [0], Work())
            return drilled_ball(made.out[0], radius(ball), drilling["hand"], surface, ball.get("name", ""))

    def _lane(self) -> Lane:
        asked = self.request["lane"]
        if "pattern" in asked:
            with below(("", "/lane/pattern")):
                lane = lane_from_pattern(plain(asked["pattern"]))
        else:
            lane = uniform_lane(asked["film"].value)
        wear = plain(self.request.get("wear", {}))
        deliveries = wear.pop("deliveries", 0)
        if not deliveries:
            return lane
        first = deliver(self.held.ball, self.bowler.release, lane, self.settings)
        if first["distance"] <= self.bowler.release.loft:
            text = "the ball leaves the lane before it lands: it wears no oil"
            raise InvalidInput([(0, "/wear", text)])
        return wear_lane(self.held.ball, self.bowler.release, lane, deliveries, Wear(**wear), self.settings)

    def _delivery(self, samples: int) -> Group:
        return deliver(self.held.ball, self.bowler.release, self.lane, self.settings, samples)

    def _caution_ending(self, moved: Group) -> None:
        if moved["ending"] != "pins":
            words = f"{moved['message']} The numbers hold for the path until then."
            self.cautions.append(_caution("pins_not_reached", words, None))
        elif moved["phases"]["roll_start"] is None:
            self.cautions.append(_caution("never_rolled", moved["message"], None))

    def _told_bowler(self) -> Group:
        bowler = self.bowler
        release = {part.name: getattr(bowler.release, part.name) for part in fields(Release)}
        scatter = {part.name: getattr(bowler.scatter, part.name) for part in fields(Scatter)}
        point = {"over": bowler.over, "up": bowler.up}
        return {
            "name": bowler.name,
            "hand": bowler.hand,
            "pap": point,
            "release": release,
            "scatter": scatter,
        }

    def _afford(self, deliveries: int, bowlers: list[Bowler], place: str) -> None:
        """Refuse what would take minutes, by the steps of one delivery of each bowler."""
        ball = self.held.ball
        each = [deliver(ball, bowler.release, self.lane, self.settings)["steps"] for bowler in bowlers]
        if deliveries * sum(each) > STEPS_MAXIMUM:
            text = f"too much to compute: {deliveries} deliveries a bowler, each of up to {max(each)} steps"
            raise InvalidInput([(0, place, text)])

    def _spread(self) -> Group | None:
        asked = plain(self.request.get("spread"))
        if asked is None:
            return None
        window = {name: tuple(ends) for name, ends in asked.get("window", {}).items()}
        self._afford(asked.get("deliveries", limits.SPREAD_DELIVERIES), [self.bowler], "/spread/deliveries")
        with below(("", "/spread")):
            return spread(
                self.held.ball,
                self.bowler.release,
                self.lane,
                self.bowler.scatter,
                oil_uncertainty=asked.get("oil_uncertainty", 0.0),
                deliveries=asked.get("deliveries", limits.SPREAD_DELIVERIES),
                seed=asked.get("seed", limits.DEFAULT_SEED),
                window=Window(**window),
                settings=self.settings,
                bulk=self.bulk,
            )

    def _mapped(self, asked: Request) -> tuple[list[float], list[Bowler], Group]:
        """Volumes, bowlers and the rest of what a line map and a change of surface are computed with."""
        volumes = asked.get("volumes") or [self.lane.volume]
        hand = self.bowler.hand
        bowlers = [replace(BOWLERS[name], hand=hand) for name in asked.get("bowlers", [])] or [self.bowler]
        deliveries = asked.get("deliveries", limits.POINT_DELIVERIES)
        balls = len(asked["balls"]) + 1 + 2 * ("surface_change" in asked)
        self._afford(balls * len(volumes) * (limits.AIMING + deliveries), bowlers, "/line_map/deliveries")
        draw = {"deliveries": deliveries, "seed": asked.get("seed", limits.DEFAULT_SEED)}
        return volumes, bowlers, {**draw, "settings": self.settings, "bulk": self.bulk}

    def _line_map(self) -> Group | None:
        asked = self.request.get("line_map")
        if asked is None:
            return None
        others = [self._box(ball, f"/line_map/balls/{k}") for k, ball in enumerate(asked["balls"])]
        volumes, bowlers, rest = self._mapped(plain(asked))
        with below(("", "/line_map")), _renamed({"/volume": "/volumes"}):
            return line_map([self.held.box or self.held.ball, *others], self.lane, volumes, bowlers, **rest)

    def _surface_change(self) -> list[Group] | None:
        asked = self.request.get("line_map", {})
        if "surface_change" not in asked:
            return None
        other = self._surface(asked["surface_change"], "the other surface")
        volumes, bowlers, rest = self._mapped(plain(asked))
        with below(("", "/line_map")):
            return surface_change(self.held.box or self.held.ball, other, self.lane, volumes, bowlers, **rest)

    def _explain(self) -> Group | None:
        asked = self.request.get("explain")
        if asked is None:
            return None
        first = self.held.box
        assert first is not None, "the contract asks for box numbers"
        second = self._box(asked["ball"], "/explain/ball")
        with _renamed({"/first": "/ball", "/second": "/explain/ball"}):
            return explain(first, second, self.lane, self.bowler, self.settings)


@contextmanager
def _renamed(names: Mapping[str, str]) -> Iterator[None]:
    """Put the request's names in place of those that the engine's pointers begin with."""
    try:
        yield
    except InvalidInput as refused:
        errors = []
        for _, pointer, detail in refused.errors:
            start = next((name for name in names if f"{pointer}/".startswith(f"{name}/")), "")
            errors.append((0, names.get(start, "") + pointer.removeprefix(start), detail))
        raise InvalidInput(errors) from None


def _settings(given: Group) -> Settings:
    friction = given.pop("friction", {})
    usual = FrictionModel()
    dry = {**usual.dry, **friction.pop("dry", {})}
    return Settings(**given, friction=replace(usual, **friction, dry=dry))


def _caution(code: str, message: str, pointer: str | None) -> Group:
    return {"code": code, "message": message, "pointer": pointer}
