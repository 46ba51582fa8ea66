"""Requests about a motion: one delivery, and the studies about it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from ballgauge_schemas.shared import limits
from ballgauge_service.core.budget import WORK_LIMIT, check
from ballgauge_service.core.bulk import Bulk
from ballgauge_service.core.refusal import Fault, InvalidInput
from ballgauge_service.motion import answer
from ballgauge_service.motion.bowlers import Bowler
from ballgauge_service.motion.calibration import Calibration, calibrate, fitting
from ballgauge_service.motion.delivery import STEP, deliver, wear_lane
from ballgauge_service.motion.explanations import Explanation, explain
from ballgauge_service.motion.lanes import Lane
from ballgauge_service.motion.line_maps import LineMap, line_map
from ballgauge_service.motion.lineup.wording import Wording
from ballgauge_service.motion.measured import release_speed
from ballgauge_service.motion.pictures import line_map_picture, motion_picture
from ballgauge_service.motion.request import MotionRequest, read_motion
from ballgauge_service.motion.spreads import Spread, spread
from ballgauge_service.motion.squads import Played, play

CALIBRATING = 600
"""Deliveries that a shot of a calibration takes (ours, measured and rounded up)."""


def evaluate_motion(request: Mapping[str, Any], bulk: Bulk | None = None) -> dict[str, Any]:
    """Answer a loaded request about a motion, as a JSON-ready dict.

    Parameters
    ----------
    request : as `ballgauge_schemas.motion.request.MOTION_REQUEST` loads it
    bulk : who follows many deliveries; threads of this process unless given

    Raises
    ------
    InvalidInput
        Naming every impossible field.
    BulkUnavailable
    """
    asked, calibration = _calibrated(_released(read_motion(request)))
    lane = _worn(asked)
    thrown = deliver(asked.ball, asked.bowler.release, lane, asked.settings, asked.samples)
    return answer.motion_answer(
        asked,
        lane,
        thrown,
        _spread(asked, lane, bulk),
        _line_map(asked, lane, bulk),
        _explanation(asked, lane),
        calibration,
        _squad(asked, lane, bulk),
    )


def draw_motion(
    request: Mapping[str, Any], bulk: Bulk | None = None, wording: Wording | None = None, kind: str = "html"
) -> str:
    """The picture that a loaded request asks for, as an HTML page or, a squad's alone, as SVG.

    wording: of a squad's picture, English unless given. See `evaluate_motion`.
    """
    asked = read_motion(request)
    if kind == "svg" and asked.picture != "squad":
        raise InvalidInput([Fault("/picture", "must be squad for SVG; other pictures are HTML")])
    asked, _ = _calibrated(_released(asked))
    lane = _worn(asked)
    if asked.picture == "motion":
        samples = asked.samples or limits.SAMPLES
        return motion_picture(deliver(asked.ball, asked.bowler.release, lane, asked.settings, samples), lane)
    if asked.picture == "squad":
        played = _squad(asked, lane, bulk)
        assert played is not None, "the contract asks for a squad"
        # Deferred: most answers are numbers.
        from ballgauge_service.motion import squad_pictures

        draw = squad_pictures.squad_svg if kind == "svg" else squad_pictures.squad_page
        return draw(answer.squad_answer(played), lane, wording or Wording())
    mapped = _line_map(asked, lane, bulk)
    assert mapped is not None, "the contract asks for a line map"
    if asked.picture == "line_map":
        return line_map_picture(mapped)
    return line_map_picture(mapped, asked.bowler.name if asked.picture == "own" else asked.picture)


def _released(asked: MotionRequest) -> MotionRequest:
    """The request with the speed at release where it was read down the lane, on the lane as it is laid."""
    if asked.reading is None:
        return asked
    speed = release_speed(asked.ball, asked.bowler.release, asked.lane, asked.settings, asked.reading)
    bowler = replace(asked.bowler, release=replace(asked.bowler.release, speed=speed))
    line = asked.line
    if line is not None:
        line = replace(line, bowlers=tuple(bowler if b is asked.bowler else b for b in line.bowlers))
    place = (
        f"{asked.reading.first:g} ft"
        if asked.reading.first == asked.reading.last
        else f"the mean from {asked.reading.first:g} to {asked.reading.last:g} ft"
    )
    words = (
        f"The speed of {asked.bowler.release.speed:g} mph was read at {place}: released at {speed:.2f} mph."
    )
    return replace(asked, bowler=bowler, line=line, assumptions=(*asked.assumptions, words))


def _calibrated(asked: MotionRequest) -> tuple[MotionRequest, Calibration | None]:
    """The request with its own ball's friction found from its shots, where there are any."""
    if not asked.shots:
        return asked, None
    fitted = replace(asked, settings=fitting(asked.settings))
    _afford(fitted, asked.lane, CALIBRATING * len(asked.shots), [asked.bowler], "/calibrate/shots")
    found = calibrate(asked.ball, asked.lane, asked.shots, asked.precision, asked.settings, check)
    surface = replace(asked.ball.surface, friction=None, curve=found.curve)
    ball = replace(asked.ball, surface=surface)
    box = None if asked.box is None else replace(asked.box, surface=surface)
    line = None if asked.line is None else replace(asked.line, balls=(box or ball, *asked.line.balls[1:]))
    squad = asked.squad
    if squad is not None:
        members = [
            replace(each, ball=replace(each.ball, surface=surface)) if each.own else each
            for each in squad.members
        ]
        squad = replace(squad, members=tuple(members))
    return replace(asked, ball=ball, box=box, line=line, squad=squad), found


def _worn(asked: MotionRequest) -> Lane:
    if asked.wear is None:
        return asked.lane
    return wear_lane(asked.ball, asked.bowler.release, asked.lane, asked.wear, asked.settings)


def _afford(asked: MotionRequest, lane: Lane, deliveries: int, bowlers: Sequence[Bowler], place: str) -> None:
    """Refuse what would take minutes, by the steps of one delivery of each bowler."""
    each = [deliver(asked.ball, one.release.at_one_phase, lane, asked.settings).steps for one in bowlers]
    if STEP * deliveries * sum(each) > WORK_LIMIT:
        words = f"too much to compute: {deliveries} deliveries a bowler, each of up to {max(each)} steps"
        raise InvalidInput([Fault(place, words)])


def _spread(asked: MotionRequest, lane: Lane, bulk: Bulk | None) -> Spread | None:
    if asked.sampling is None:
        return None
    deliveries = asked.sampling.deliveries + limits.AIMING * asked.sampling.aimed
    _afford(asked, lane, deliveries, [asked.bowler], "/spread/deliveries")
    return spread(asked.ball, asked.bowler, lane, asked.sampling, asked.settings, bulk)


def _line_map(asked: MotionRequest, lane: Lane, bulk: Bulk | None) -> LineMap | None:
    line = asked.line
    if line is None:
        return None
    balls = len(line.balls) + (line.surface is not None)
    deliveries = balls * max(len(line.volumes), 1) * (limits.AIMING + line.deliveries)
    _afford(asked, lane, deliveries, line.bowlers, "/line_map/deliveries")
    return line_map(line, lane, asked.settings, bulk)


def _squad(asked: MotionRequest, lane: Lane, bulk: Bulk | None) -> Played | None:
    squad = asked.squad
    if squad is None:
        return None
    shots = squad.shots * squad.games * len(squad.order) + limits.AIMING * squad.aimed * len(squad.members)
    _afford(asked, lane, shots, [asked.bowler], "/squad/shots")
    return play(squad, lane, asked.settings, asked.shot_wear, check, bulk)


def _explanation(asked: MotionRequest, lane: Lane) -> Explanation | None:
    if asked.explained is None:
        return None
    place, second = asked.explained
    places = ("/drilled" if asked.box is None else "/ball", place)
    return explain(asked.ball, second, lane, asked.bowler, asked.settings, places)
