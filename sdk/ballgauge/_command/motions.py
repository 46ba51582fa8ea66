"""What the command says about a motion."""

from __future__ import annotations

import io
import json
from collections.abc import Mapping
from typing import Any

import click

from ballgauge import _files, _motion
from ballgauge._command.paper import Paper, words
from ballgauge_schemas.shared.text import utf8

Document = Mapping[str, Any]


EXIT_CODES = """\b
Exit codes:
  0  the numbers asked for, whatever became of the ball
  2  bad input; every bad field is listed
  3  the service cannot be reached, failed, or asks for an access key or to wait
"""


def require_place(path: str) -> None:
    """Raise click.ClickException where nothing can be written there."""
    try:
        _files.require_place(path)
    except OSError as error:
        raise click.ClickException(f"cannot write {path}: {error.strerror}") from None


def write(path: str, page: bytes) -> None:
    """Write a picture. Raises click.ClickException where that cannot be done."""
    try:
        _files.write(path, io.BytesIO(page))
    except OSError as error:
        raise click.ClickException(f"cannot write {path}: {error.strerror}") from None


def with_shots(body: bytes, text: str) -> bytes:
    """The request with the shots of a CSV. Raises click.ClickException where either cannot be read."""
    try:
        request = json.loads(utf8(body))
        if not isinstance(request, dict) or not isinstance(request.get("calibrate", {}), dict):
            raise ValueError("the request must be an object, and so its calibrate")
        calibrate = {**request.get("calibrate", {}), "shots": _motion.shots(text)}
        return json.dumps({**request, "calibrate": calibrate}).encode()
    except ValueError as error:
        raise click.ClickException(f"cannot take the shots: {error}") from None


def tell(paper: Paper, document: Document) -> None:
    """Report a delivery, and whatever else was asked about it."""
    ball, lane, release = document["ball"], document["lane"], document["bowler"]["release"]
    paper.heading(f"{ball['name'] or 'The ball'} on {lane['name'] or 'the lane'}")
    bowler = words(document["bowler"]["name"])
    thrown = (
        f"{bowler}, {ball['hand']}-handed: {release['speed']:g} mph, {release['rev_rate']:g} rpm, rotation "
        f"{release['axis_rotation']:g} deg, tilt {release['axis_tilt']:g} deg, from board "
        f"{release['launch_board']:g} at {release['launch_angle']:g} deg; {lane['volume']:.1f} mL of oil to "
        f"{lane['length']:g} ft"
    )
    paper.notes([thrown, document["motion"]["message"]])
    _cautions(paper, document["cautions"])
    _delivery(paper, document["motion"])
    if document["spread"] is not None:
        _spread(paper, document["spread"])
    if document["line_map"] is not None:
        _line_map(paper, document["line_map"])
    if document["surface_change"] is not None:
        _surface_change(paper, document["surface_change"])
    if document["squad"] is not None:
        _squad(paper, document["squad"])
    if document["calibration"] is not None:
        _calibration(paper, document["calibration"])
    if document["explain"] is not None:
        _explain(paper, document["explain"])
    paper.notes(document["assumptions"], "Assumptions")


def _cautions(paper: Paper, cautions: list[Document]) -> None:
    told = [f"{each['message']} ({each['pointer'] or each['code']})" for each in cautions]
    paper.notes(told, "Warnings")


def _number(value: float | None, places: int = 1) -> str:
    return "none" if value is None else f"{value:z.{places}f}"


def _span(ends: list[float] | None, places: int) -> str:
    """A range; nothing where both ends print alike."""
    if ends is None or len({_number(end, places) for end in ends}) == 1:
        return ""
    return f"{ends[0]:z.{places}f} to {ends[1]:z.{places}f}"


def _delivery(paper: Paper, motion: Document) -> None:
    phases, flare, entry, energy = (motion[name] for name in ("phases", "flare", "entry", "energy"))
    mark, ranges = motion["breakpoint"], motion["roll_phases"]["ranges"]

    def row(what: str, name: str, value: float | None, unit: str, places: int = 1) -> tuple[str, ...]:
        return what, _number(value, places), unit, _span(ranges[name], places) if value is not None else ""

    rows = [
        row("skid ends", "skid_end", phases["skid_end"], "ft"),
        row("hook ends", "hook_end", phases["hook_end"], "ft"),
        row("rolling starts", "roll_start", phases["roll_start"], "ft"),
        row("breakpoint, board", "breakpoint_board", mark["board"], "from the bowler's side"),
        row("breakpoint, distance", "breakpoint_distance", mark["distance"], "ft"),
        row("boards crossed from there", "boards_crossed", motion["boards_crossed"], "boards"),
        row("entry board", "entry_board", entry["board"], "from the bowler's side"),
        row("entry angle", "entry_angle", entry["angle"], "deg", 2),
        row("mean heading of the roll there", "entry_mean_heading", entry["mean_heading"], "deg", 2),
        row("entry speed", "entry_speed", entry["speed"], "mph"),
        row("turn that the release makes available", "total_turn", motion["total_turn"], "deg", 2),
        row("turn left at the end", "turn_left", motion["turn_left"], "deg", 2),
        row("hook against a straight ball", "hook", motion["hook"], "boards"),
        row("sharpness of the turn", "sharpness", motion["sharpness"], "deg/ft", 3),
        row("flare on oil", "flare_width", flare["width"], f"in, {flare['rings_oiled']} rings", 2),
        row("oil taken by the cover", "oil_taken", motion["oil_taken"], "µL"),
        row("axis migration", "migration", flare["migration"], "in", 2),
        row("revolutions", "revolutions", motion["revolutions"], ""),
        ("lost to sliding", _number(energy["lost_to_sliding"]), "J", ""),
    ]
    paper.heading("The delivery")
    paper.table(("what", "value", "unit", "by phase of the grip"), rows)


def _spread(paper: Paper, spread: Document) -> None:
    paper.heading(f"{spread['deliveries']} scattered deliveries, seed {spread['seed']}")
    rows = []
    for name, unit in (("entry_board", "board"), ("entry_angle", "deg")):
        found = spread[name]
        if found is not None:
            marks = found["quantiles"]
            middle = f"{_number(marks['0.05'])} to {_number(marks['0.95'])}"
            numbers = (_number(found[each], 2) for each in ("mean", "standard_deviation"))
            rows.append((f"{words(name)} [{unit}]", *numbers, middle))
    paper.table(("quantity", "mean", "std dev", "9 of 10 within"), rows)
    ended = ", ".join(f"{count} {words(name)}" for name, count in spread["endings"].items() if count)
    window = spread["window"]
    ends = (*window["board"], *window["angle"])
    inside = (
        f"inside boards {ends[0]:g} to {ends[1]:g} at {ends[2]:g} to {ends[3]:g} deg: "
        f"{window['share']:.1%} (standard error {window['standard_error']:.1%}); {window['meaning']}"
    )
    paper.notes([f"ended: {ended}", inside])


def _mean(found: Document | None, places: int) -> str:
    if found is None:
        return "none"
    return f"{found['mean']:.{places}f} ± {found['standard_deviation']:.{places}f}"


def _line_map(paper: Paper, mapped: Document) -> None:
    for picture in mapped["bowlers"]:
        paper.heading(f"Line map of {words(picture['bowler'])}")
        rows = [
            (point["ball"], f"{point['volume']:.1f}", _mean(point["length"], 1), _mean(point["sharpness"], 3),
             f"{point['launch_angle']:.2f} deg from board {point['launch_board']:.1f}"
                if point["aimed"]
                else "pocket not reached", str(point["lost"]))
            for point in picture["points"]
        ]  # fmt: skip
        head = ("ball", "oil [mL]", "length [ft]", "sharpness [deg/ft]", "launch", "lost")
        paper.table(head, rows)
        paper.notes(list(_relations(picture)))


def _relations(picture: Document) -> list[str]:
    told = [
        f"overlap at {each['volume']:.1f} mL: {' and '.join(each['balls'])} ({each['separation']:.2f})"
        for each in picture["overlaps"]
    ]
    told += [
        f"gap at {each['volume']:.1f} mL: between {' and '.join(each['between'])}, room at "
        f"{each['room_at']['length']:.1f} ft and {each['room_at']['sharpness']:.3f} deg/ft"
        for each in picture["gaps"]
    ]
    for name, kind in (("best_pair", "covers most"), ("widest_pair", "is farthest apart")):
        if picture[name] is not None:
            told.append(f"the pair that {kind}: {' and '.join(picture[name]['balls'])}")
    return told


def _surface_change(paper: Paper, changes: list[Document]) -> None:
    paper.heading("Another surface moves the ball by")
    rows = [
        (words(each["bowler"]), f"{each['volume']:.1f}", _mean(each["length_change"], 2),
         _mean(each["sharpness_change"], 3))
        for each in changes
    ]  # fmt: skip
    paper.table(("bowler", "oil [mL]", "length [ft]", "sharpness [deg/ft]"), rows)


def _squad(paper: Paper, squad: Document) -> None:
    paper.heading(f"A squad of {len(squad['bowlers'])}: {squad['games']} games")
    oils = [
        ("fresh" if state["game"] == 0 else f"after game {state['game']}", str(state["shots"]),
         *(_number(state["oil"][name], 3) for name in ("on_lane", "beyond_pattern", "on_balls", "absorbed")))
        for state in squad["states"]
    ]  # fmt: skip
    paper.table(("lane", "shots", "on it [mL]", "beyond the pattern", "wiped off balls", "drawn in"), oils)
    rows = [
        ((state["game"] and f"after game {state['game']}") or "fresh", each["bowler"], *_placed(each))
        for state in squad["states"]
        for each in state["bowlers"]
    ]
    head = (
        "lane",
        "bowler",
        "board at head pin",
        "moved",
        "angle [deg]",
        "skid ends [ft]",
        "shots of the game",
    )
    paper.table(head, rows)
    paper.notes([squad["depletion"], squad["definitions"]["place"]])


def _placed(each: Document) -> tuple[str, ...]:
    place, thrown = each["place"], each["thrown"]
    game = (
        ""
        if thrown is None
        else f"{_mean(thrown['contact_board'], 1)}, {thrown['endings']['pins']} at the pins"
    )
    if place is None:
        return "not at the pins", "", "", "", game
    moved = "none" if place["moved"] is None else f"{place['moved']:+.1f}"
    return (
        _number(place["contact_board"]),
        moved,
        _number(place["angle"], 2),
        _number(place["skid_end"]),
        game,
    )


def _calibration(paper: Paper, found: Document) -> None:
    paper.heading(f"Friction from {len(found['shots'])} shots")
    rows = [
        (name, f"{found['curve'][name]:.4g}", f"{found['uncertainty'][name]:.2g}", unit)
        for name, unit in (("oiled", ""), ("dry", ""), ("scale", "µL/ft²"))
    ]
    paper.table(("constant", "value", "std uncertainty", "unit"), rows)
    left = [
        (f"{each['distance']:.1f}", each["quantity"], str(each["readings"]), _number(each["mean"], 2),
         _number(each["root_mean_square"], 2))
        for each in found["sensors"]
    ]  # fmt: skip
    paper.table(("sensor [ft]", "quantity", "readings", "mean left", "rms left"), left)
    fit = f"chi-square {found['chi_square']:.1f} at {found['freedom']} degrees of freedom"
    paper.notes([fit, found["definition"]])


def _explain(paper: Paper, found: Document) -> None:
    paper.heading("What makes the second ball finish elsewhere")
    names = ("share", "alone", "last", "least", "greatest")
    rows = [
        (trait, *(f"{effects[name]:+.1f}" for name in names), _span(effects["share_range"], 1))
        for trait, effects in found["traits"].items()
    ]
    rows.append(("weight, size", f"{found['other_differences']:+.1f}", *("",) * 5))
    rows.append(("all", f"{found['difference']:+.1f}", *("",) * 4, _span(found["difference_range"], 1)))
    paper.table(("trait [boards]", *names, "share by phase"), rows)
    boards = f"first ball on board {found['board_first']:.1f}, second on {found['board_second']:.1f}"
    paper.notes([boards, found["method"]])
