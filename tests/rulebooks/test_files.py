"""The rule files pass their schema, and the schema refuses every slip named in it (our own schema)."""

from __future__ import annotations

import ast
import tomllib
from pathlib import Path
from typing import Any

import pytest

from ballgauge_service.pages import guide
from ballgauge_service.rulebooks import (
    RulebookError,
    UnknownRulebookError,
    bodies,
    overlays,
    read_rulebook,
    rulebook,
)
from ballgauge_service.rulebooks.basis import basis_table
from ballgauge_service.rulebooks.listing import listing

FOLDER = Path(__file__).parents[2] / "service" / "ballgauge_service" / "rulebooks"
FILES = sorted(FOLDER.glob("*.toml"))


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_every_rule_file_passes(path: Path) -> None:
    assert read_rulebook(path.read_text(encoding="utf-8"), path.name).rules


def test_bodies_and_overlays_are_the_files() -> None:
    assert bodies() == ("ibf", "usbc")
    assert overlays() == {
        "australia": "ibf",
        "japan": "ibf",
        "national_events_78d": "usbc",
        "national_events_barred": "usbc",
        "netherlands": "ibf",
        "ukraine": "ibf",
    }
    assert len(FILES) == len(bodies()) + len(overlays())


def test_the_guide_says_what_the_rules_rest_on() -> None:
    """Its table, against the files: each of their limits is counted once."""
    table = basis_table()
    assert table in guide.source("rules")
    cells = [line.split(" | ") for line in table.splitlines()[2:]]
    rows = [
        row for path in FILES for rule in tomllib.loads(path.read_text())["rule"] for row in rule["limit"]
    ]
    known = [row for row in rows if row.get("effect", "limit") == "limit"]
    for basis in ("published", "secondary", "from memory"):
        told = sum(int(count) for _, said, count, _ in cells if said == basis)
        assert told == sum(row["basis"].replace("_", " ") == basis for row in known)


def test_every_rulebook_says_how_values_are_compared() -> None:
    """ASTM E29: the absolute method, in every rulebook, and with every overlay laid over it."""
    for body, overlay in [(body, None) for body in bodies()] + [
        (body, name) for name, body in overlays().items()
    ]:
        (book,) = listing(body, overlay=overlay)
        assert sum("ASTM E29" in note for note in book["notes"]) == 1


def test_an_overlay_adds_to_its_body() -> None:
    plain = {rule.id for rule in rulebook("ibf").rules}
    assert {rule.id for rule in rulebook("ibf", "australia").rules} - plain == {"any_two_halves"}


@pytest.mark.parametrize(
    ("body", "overlay", "named"),
    [
        ("nobody", None, "ibf, usbc"),
        ("usbc", "australia", "national_events_78d"),
        ("ibf", "nowhere", "australia"),
    ],
)
def test_unknown_names_are_refused_with_those_there_are(body: str, overlay: str | None, named: str) -> None:
    with pytest.raises(UnknownRulebookError, match=named):
        rulebook(body, overlay)


def test_the_small_file_passes(head: str, rule: str, limit: str) -> None:
    assert read_rulebook(head + rule + limit).rules[0].limits[0].max == 16.0


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("max = 16.0", "max = 16.0\nlargest = 17.0"),
        ('unit = "lb"', 'unit = "lb"\ncolor = "red"'),
        ("[rulebook]", "[extra]\na = 1\n[rulebook]"),
        ('basis = "published"\n', ""),
        ('basis = "published"', 'basis = "hearsay"'),
        ('max = 16.0\nbasis = "published"\nsource = "text"', 'max = 16.0\nbasis = "published"'),
        ('basis = "published"\nsource = "text"', 'basis = "published"\nsource = "other"'),
        ('date = "2020"', ""),
        ('date = "2020"', 'date = "last year"'),
        ("max = 16.0", "max = true"),
        ("max = 16.0", "max = nan"),
        ("max = 16.0", 'max = "16"'),
        ("max = 16.0", ""),
        ("max = 16.0", "min = 17.0\nmax = 16.0"),
        ("max = 16.0", "max = 16.0\neffective_from = 2020-01-02\neffective_to = 2020-01-01"),
        ("max = 16.0", "max = 16.0\neffective_from = 2020-01-02T00:00:00"),
        ("max = 16.0", "max = 16.0\nwhen = { girth = { min = 1.0 } }"),
        ("max = 16.0", "max = 16.0\nwhen = { holes = {} }"),
        ("max = 16.0", "max = 16.0\nwhen = []"),
        ("max = 16.0", "max = 16.0\nwhen = { holes = { min = 2.0, under = 2.0 } }"),
        ("max = 16.0", "max = 16.0\nwhen = { holes = { min = 2.0, over = 2.0 } }"),
        ("max = 16.0", 'effect = "exempt"\nmax = 16.0\nnote = "n"'),
        ("max = 16.0", 'effect = "unbound"'),
        ('quantity = "weight"', 'quantity = "girth"'),
        ('quantity = "weight"\n', ""),
        ('unit = "lb"', 'unit = "kg"'),
        ('stages = ["play"]', "stages = []"),
        ('stages = ["play"]', 'stages = ["play"]\nwhen_measured = ["approval"]'),
        ('binds = "use"', 'binds = "whim"'),
        ('binds = "use"', 'binds = "use"\nprocedures = ["99"]'),
        ('id = "weight"', 'id = "Weight!"'),
        ('unit = "lb"', 'unit = "lb"\nmessage = { conforming = "fits {thing}" }'),
    ],
)
def test_a_slip_is_an_error(head: str, rule: str, limit: str, old: str, new: str, sentence: Any) -> None:
    text = head + rule + limit
    assert old in text
    with pytest.raises(RulebookError, check=sentence(f"rulebook with {new!r} for {old!r}")):
        read_rulebook(text.replace(old, new))


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("max = 16.0", "max = 15.0"),
        ("max = 16.0\neffective_to = 2020-08-01", "max = 15.0\neffective_from = 2020-08-01"),
        ("max = 16.0\nwhen = { holes = { max = 2.0 } }", "max = 15.0\nwhen = { holes = { min = 2.0 } }"),
        ("max = 16.0\nwhen = { holes = { max = 2.0 } }", "max = 15.0\nwhen = { mill_holes = { min = 1.0 } }"),
    ],
)
def test_limits_that_hold_at_once_are_an_error(
    head: str, rule: str, limit: str, first: str, second: str, sentence: Any
) -> None:
    rows = limit.replace("max = 16.0", first) + limit.replace("max = 16.0", second)
    with pytest.raises(RulebookError, check=sentence("rulebook: limits 0 and 1 hold at once")):
        read_rulebook(head + rule + rows)


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("max = 16.0\neffective_to = 2020-07-31", "max = 15.0\neffective_from = 2020-08-01"),
        ("max = 16.0\nwhen = { holes = { max = 2.0 } }", "max = 15.0\nwhen = { holes = { over = 2.0 } }"),
        ("max = 16.0\nwhen = { holes = { under = 2.0 } }", "max = 15.0\nwhen = { holes = { min = 2.0 } }"),
    ],
)
def test_limits_that_meet_without_overlap_pass(
    head: str, rule: str, limit: str, first: str, second: str
) -> None:
    rows = limit.replace("max = 16.0", first) + limit.replace("max = 16.0", second)
    assert len(read_rulebook(head + rule + rows).rules[0].limits) == 2


def test_a_day_may_stand_in_quotation_marks(head: str, rule: str, limit: str) -> None:
    """As an overlay in JSON has it."""
    first, second = (
        read_rulebook(head + rule + limit + f"effective_from = {day}\n").rules
        for day in ("2020-01-02", '"2020-01-02"')
    )
    assert first == second


def test_twice_the_same_rule_is_an_error(head: str, rule: str, limit: str, sentence: Any) -> None:
    with pytest.raises(RulebookError) as caught:
        read_rulebook(head + rule + limit + rule + limit)
    assert str(caught.value) == sentence("rulebook: duplicate rule")


def test_a_file_has_exactly_one_head(head: str, rule: str, limit: str) -> None:
    with pytest.raises(RulebookError, match="either"):
        read_rulebook(head[head.index("[source") :] + rule + limit)


def test_a_sample_rule_names_a_rule_with_one_limit(head: str, rule: str, limit: str, sentence: Any) -> None:
    sample = '[[sample_rule]]\nid = "s"\ntitle = "S"\nrule = "girth"\nbasis = "published"\nsource = "text"\n'
    with pytest.raises(RulebookError) as caught:
        read_rulebook(head + rule + limit + sample)
    assert str(caught.value) == sentence("rulebook: sample rule without a rule")


def test_the_code_knows_no_limit_by_itself() -> None:
    """No number of the code is a limit of a rule file, but for 0 to 3, which also count and code things."""
    limits = {
        edge
        for name in (*[(body, None) for body in bodies()], ("ibf", "australia"))
        for item in rulebook(*name).rules
        for row in item.limits
        for edge in (row.min, row.max)
        if edge is not None
    }
    for path in FOLDER.glob("*.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        found = {node.value for node in ast.walk(tree) if isinstance(node, ast.Constant)}
        numbers = {float(value) for value in found if isinstance(value, int | float)}
        assert not numbers & (limits - {0.0, 1.0, 2.0, 3.0}), path.name
