"""Reports, drawings and models of designs: the same numbers as the answer, files that other programs read."""

from __future__ import annotations

import io
import math
import re
import zipfile
from typing import Any

import numpy as np
import pytest
import trimesh
from tests.paper import overlapping

from ballgauge_schemas.design.request import DESIGN_REQUEST
from ballgauge_schemas.shared.documents import design_example
from ballgauge_service.core.report import page
from ballgauge_service.core.report.blocks import Charts, Notes, Report
from ballgauge_service.core.report.paper import print_report
from ballgauge_service.core.report.shapes import Area, Line, Picture, Word
from ballgauge_service.core.report.style import Style
from ballgauge_service.design.drilling import Bore
from ballgauge_service.design.evaluate import Found, evaluated
from ballgauge_service.design.layout_map import MapPoint
from ballgauge_service.design.pictures import PANELS, layout_panels
from ballgauge_service.design.report import content
from ballgauge_service.design.report.sections import cuts, opened, section
from ballgauge_service.design.solids.meshes import read_mesh
from ballgauge_service.design.solids.models import FACET, write_model
from ballgauge_service.design.solids.rotations import about
from ballgauge_service.design.solids.solids import Cylinder, Design, Ellipsoid, RoundedBox, Solid, Sphere
from ballgauge_service.pages import labels, languages
from ballgauge_service.physics.drilling import LAYOUT

NAMES = {**labels.LABELS, **labels.SOLID_LABELS, **labels.WORDS, **labels.NUMBERS}


def style(language: str = "en", *, metric: bool = False) -> Style:
    text = languages.gettext(language)
    return Style(language, metric, "a4", text, lambda name: text(NAMES[name]))


@pytest.fixture(scope="module")
def asked() -> tuple[Found, dict[str, Any]]:
    """A set of two balls, drilled, as asked of the service."""
    return evaluated(DESIGN_REQUEST.load(design_example("skarn_set")))


def test_the_page_holds_what_was_found(asked: tuple[Found, dict[str, Any]]) -> None:
    """Sections in both planes of the design and each ball, the map, and the numbers, side by side."""
    found, answer = asked
    told = page.write(content.report(found, answer, style()))
    assert len(told.encode()) < 300_000
    assert "<script" not in told
    assert told.count("<svg") == 2 * (1 + len(answer["set"]["variants"])) + len(PANELS)
    for point in answer["layout_map"]["points"]:
        assert all(f">{point['numbers'][name]:.4f}</text>" in told for name in PANELS)
    made, drilled = answer["properties"], answer["drilled"]
    rows = [re.sub(r"<[^>]+>", "|", row) for row in re.findall(r"<tr>.*?</tr>", told, re.S)]
    (row,) = (row for row in rows if row.startswith("||differential|") and row.count("in|") == 3)
    assert f"{made['differential']:.4f} in" in row
    assert f"{drilled['differential']:.4f} in" in row
    beside = [row for row in rows if "|differential|" in row and row.count(" in|") == 2]
    both = [ball["properties"]["differential"] for ball in answer["set"]["variants"]]
    assert any(all(f"{each:.4f} in" in row for each in both) for row in beside)
    assert all(each["message"][:40] in told for each in answer["cautions"] if "'" not in each["message"][:40])


def test_the_paper_is_the_same_each_time(asked: tuple[Found, dict[str, Any]]) -> None:
    found, answer = asked
    first, second = (print_report(content.report(found, answer, style("de", metric=True))) for _ in range(2))
    assert first == second
    assert first.startswith(b"%PDF")
    assert len(first) < 300_000


def test_a_long_caption_stands_free() -> None:
    """A caption of two lines, and what follows it."""
    picture = Picture("a picture", "a caption " * 9, height=60)
    blocks = (Charts((picture,) * 4, across=3), Notes(("what follows",)))
    assert overlapping(print_report(Report("Title", "name", "2026-05-01", style(), blocks))) == []


def test_two_drilled_balls_stand_side_by_side() -> None:
    """Every number of the comparison has a name, in either language."""
    request = design_example("skarn_set")
    both = {name: request[name] for name in ("design", "drilling")}
    found, answer = evaluated(DESIGN_REQUEST.load({**both, "compare": {"drilling": both["drilling"]}}))
    for language in ("en", "de"):
        told = page.write(content.report(found, answer, style(language)))
        assert all(style(language).label(row["number"]) in told for row in answer["comparison"]["drillings"])


def test_nothing_of_a_name_is_obeyed(asked: tuple[Found, dict[str, Any]]) -> None:
    """Against markup in the name of a design and of its solids, in the page and in the drawing."""
    hostile = "<img src=x onerror=alert(1)>"
    design = Design((Solid(Sphere(8.58), 1.2, "cover", hostile),), hostile)
    found = Found(design, design, {})
    assert "<img" not in page.write(content.report(found, asked[1], style()))
    assert "<img" not in content.drawn(design, style())
    assert b"<img" not in zipfile.ZipFile(io.BytesIO(write_model(design, "3mf"))).read("3D/3dmodel.model")


TILTED = Design((
    Solid(Sphere(8.6), 1.2, "cover", "cover"),
    Solid(Ellipsoid(3.0, 4.0, 5.0), 2.4, "inner_core", "core", (0.1, 0.0, 0.2), about((0, 0, 1), 90)),
    Solid(RoundedBox(2.0, 1.0, 1.5, 0.2), 3.0, "other", "block", (0.0, 0.0, 2.0), about((0, 1, 0), 45)),
    Solid(Cylinder(2.4, 0.4), 3.4, "disc", "disc", (0.0, 0.0, -3.0)),
))  # fmt: skip


def test_sections_reach_as_far_as_the_solids_do() -> None:
    """Against closed forms: an ellipsoid turned a quarter, a box by half of it, a disc."""
    for plane, core in ((0, (-1.9, 2.1)), (1, (-1.4985, 1.4985))):
        found = {cut.number: cut.reach() for cut in cuts(TILTED, plane)}
        assert found[2][:2] == pytest.approx(core, abs=2e-3)
        assert found[4] == pytest.approx((-1.2, 1.2, -3.2, -2.8), abs=2e-3)
        if plane == 0:
            # Corners of a box of 2.0 by 1.5, rounded by 0.2, on end.
            half = (1.0 - 0.2 + 0.75 - 0.2) / math.sqrt(2.0) + 0.2
            assert found[3] == pytest.approx((-half, half, 2.0 - half, 2.0 + half), abs=2e-3)
        else:
            assert found[3][:2] == pytest.approx((-0.5, 0.5), abs=2e-3)


def test_a_hole_in_the_sections_is_what_the_drill_takes() -> None:
    """Against the closed form of a cylinder under a sphere; cut in its own plane, else dashed."""
    radius, bore = 4.3, Bore("thumb", (4.3, 0.0, 0.0), (1.8, 0.0, 0.0), 1.0, 2.5)
    exact = 2 * math.pi / 3 * (radius**3 - (radius**2 - 0.25) ** 1.5) - math.pi * 0.25 * 1.8
    assert opened(bore, radius).volume == pytest.approx(exact, rel=5e-3)
    beside = bore._replace(mouth=(0.0, 4.3, 0.0), bottom=(0.0, 1.8, 0.0))
    for plane in (0, 1):
        drawn = section(TILTED, plane, style(), (bore, beside)).shapes
        assert sum(isinstance(each, Area) and each.tint == "hole" for each in drawn) == 1
        assert sum(isinstance(each, Line) and each.dash == (3.0, 2.0) for each in drawn) == 2
    assert "H2" in content.drawn(TILTED, style(), (bore, beside))


def test_lines_of_a_map_are_where_its_value_is() -> None:
    """Of a plane over arcs and angles, lines of equal value are straight and exact; the layout is ringed."""
    value = {(arc, angle): 0.002 * arc + 0.0003 * angle for arc in (2.0, 3.0, 5.0) for angle in (20.0, 60.0)}
    points = [MapPoint(*key, dict.fromkeys(PANELS, each)) for key, each in value.items()]
    layout = np.zeros((), LAYOUT)
    layout["pin_to_pap"], layout["drilling_angle"] = 3.0, 40.0
    (panel, _) = layout_panels(points, layout, style())
    words = {each.text: each for each in panel.shapes if isinstance(each, Word)}
    ends = [
        end for each in panel.shapes if isinstance(each, Line) and each.width == 0.8 for end in each.points
    ]
    assert len(ends) >= 8
    for x, y in ends:
        arc = 2.0 + 3.0 * (x - words["2"].x) / (words["5"].x - words["2"].x)
        angle = 20.0 + 40.0 * (words["20"].y - 3.5 - y) / (words["20"].y - words["60"].y)
        steps = (0.002 * arc + 0.0003 * angle) / 0.005
        assert steps == pytest.approx(round(steps), abs=1e-6)
    assert all(f"{each:.4f}" in words for each in value.values())
    assert "ring" in panel.caption


def volumes() -> list[float]:
    box = RoundedBox(2.0, 1.0, 1.5, 0.2)
    a, b, c, r = 0.5 * box.length_x - 0.2, 0.5 * box.length_y - 0.2, 0.5 * box.length_z - 0.2, 0.2
    rounded = 8 * (a * b * c + r * (a * b + b * c + c * a)) + 2 * math.pi * r * r * (a + b + c)
    rounded += 4 / 3 * math.pi * r**3
    return [math.pi / 6 * 8.6**3, math.pi / 6 * 60.0, rounded, math.pi * 1.44 * 0.4]


@pytest.mark.parametrize("kind", ["3mf", "stl"])
def test_models_hold_every_solid_in_millimeters(kind: str) -> None:
    """Against an independent reader: a body each, named, closed, within the facets of its volume."""
    data = write_model(TILTED, kind)
    assert data == write_model(TILTED, kind)
    scene = trimesh.load_scene(io.BytesIO(data), file_type=kind)
    bodies = {name.removesuffix(" [mm]"): body for name, body in scene.geometry.items()}
    assert list(bodies) == [solid.name for solid in TILTED.solids]
    for body, volume in zip(bodies.values(), volumes(), strict=True):
        assert body.is_watertight
        size = float(body.extents.min()) / 25.4
        assert 0.0 < 1.0 - body.volume / 25.4**3 / volume < 6.0 * FACET / (0.5 * size)


def test_a_model_can_be_read_again() -> None:
    """A core written as 3MF, and read with the unit that the file states."""
    core = Design((Solid(Sphere(7.6), 1.0, "cover", "core"),))
    back = read_mesh(write_model(core, "3mf"), "3mf", None)
    assert float(abs(back.vertices).max()) == pytest.approx(3.8, abs=1e-4)
