"""Rulebooks: the published equipment rules as data, and the assessor that reads them.

Columns of values go in, outcomes and findings come out. Every limit stands in a TOML file beside this module,
with its source, its dates and its basis; the code knows none.
"""

from ballgauge_service.rulebooks.assessor import Assessment, Column, RuleResult, assess
from ballgauge_service.rulebooks.catalogue import describe, sample_rules
from ballgauge_service.rulebooks.decision import OUTCOMES, Decision, conformity_probability, grade, overall
from ballgauge_service.rulebooks.editions import Edition, compile_edition, edition
from ballgauge_service.rulebooks.loader import (
    RulebookError,
    UnknownRulebookError,
    bodies,
    overlays,
    read_rulebook,
    rulebook,
)
from ballgauge_service.rulebooks.model import COLUMNS, Bounds, MoreBalls, SampleRule
from ballgauge_service.rulebooks.wording import findings, missing, unmet

__all__ = [
    "COLUMNS",
    "OUTCOMES",
    "Assessment",
    "Bounds",
    "Column",
    "Decision",
    "Edition",
    "MoreBalls",
    "RuleResult",
    "RulebookError",
    "SampleRule",
    "UnknownRulebookError",
    "assess",
    "bodies",
    "compile_edition",
    "conformity_probability",
    "describe",
    "edition",
    "findings",
    "grade",
    "missing",
    "overall",
    "overlays",
    "read_rulebook",
    "rulebook",
    "sample_rules",
    "unmet",
]
