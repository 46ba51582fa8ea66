"""Rulebooks: the published equipment rules as data, and the judge that reads them.

Balls go in, as facts or as columns of values; outcomes and findings come out. Every limit stands in a TOML
file beside this module, with its source, its dates and its basis; the code knows none.
"""

from ballgauge_schemas.shared.words import OUTCOMES
from ballgauge_service.rulebooks.assessor import (
    UNMEASURED,
    Assessment,
    Column,
    Fact,
    Facts,
    assess,
    judge_columns,
)
from ballgauge_service.rulebooks.catalog import (
    describe,
    describe_rulebook,
    digest,
    sample_rules,
    used_rules,
)
from ballgauge_service.rulebooks.decision import Decision, conformity_probability, grade
from ballgauge_service.rulebooks.editions import POSITIONS, Edition, State, compile_edition, edition
from ballgauge_service.rulebooks.judge import Verdicts
from ballgauge_service.rulebooks.loader import (
    BadFolderError,
    Own,
    RulebookError,
    Shelf,
    UnknownRulebookError,
    approved_list,
    bodies,
    faults_of,
    file_faults,
    overlay_named,
    overlays,
    read_folder,
    read_rulebook,
    rulebook,
    shipped,
    use,
)
from ballgauge_service.rulebooks.model import ASYMMETRIC_OVER, COLUMNS, Bounds, MoreBalls, SampleRule
from ballgauge_service.rulebooks.wording import amount, between, findings, missing, reasons, unmet

__all__ = [
    "ASYMMETRIC_OVER",
    "COLUMNS",
    "OUTCOMES",
    "POSITIONS",
    "UNMEASURED",
    "Assessment",
    "BadFolderError",
    "Bounds",
    "Column",
    "Decision",
    "Edition",
    "Fact",
    "Facts",
    "MoreBalls",
    "Own",
    "RulebookError",
    "SampleRule",
    "Shelf",
    "State",
    "UnknownRulebookError",
    "Verdicts",
    "amount",
    "approved_list",
    "assess",
    "between",
    "bodies",
    "compile_edition",
    "conformity_probability",
    "describe",
    "describe_rulebook",
    "digest",
    "edition",
    "faults_of",
    "file_faults",
    "findings",
    "grade",
    "judge_columns",
    "missing",
    "overlay_named",
    "overlays",
    "read_folder",
    "read_rulebook",
    "reasons",
    "rulebook",
    "sample_rules",
    "shipped",
    "unmet",
    "use",
    "used_rules",
]
