"""The words that requests and answers choose from, once: schemas, engine and client read them from here."""

from __future__ import annotations

from typing import Literal, get_args

BODIES = ("usbc", "ibf")
MADE_BY = ("usbc",)
"""Bodies whose rules of the ball as made another body's rulebook may take over."""
Stage = Literal["play", "approval"]
STAGES: tuple[Stage, ...] = get_args(Stage)
DETAILS = ("full", "findings", "brief")
DESIGN_DETAILS = ("full", "numbers")
DecisionRule = Literal["simple", "guarded"]
DECISION_RULES: tuple[DecisionRule, ...] = get_args(DecisionRule)
IDENTITIES = ("checked_by_hand",)
LIST_GIVERS = ("request", "service")
STANDINGS = (
    "listed", "withdrawn", "made_outside", "approved_later", "not_listed", "near_name", "made_on_needed",
    "before_the_list", "no_name",
)  # fmt: skip
"""What an approved list says of a ball."""
OUTCOMES = ("conforming", "not_assessed", "inconclusive", "nonconforming")
"""From the best to the worst: the outcome of a ball is its worst finding's."""
WORST_FIRST = OUTCOMES[::-1]
BASES = ("published", "secondary", "from_memory")
"""How sure a limit is, the surest first."""

Effect = Literal["limit", "exempt", "unbound", "words"]
Binds = Literal["use", "made", "approval"]
EFFECTS: tuple[Effect, ...] = get_args(Effect)
BINDS: tuple[Binds, ...] = get_args(Binds)
"""What a limit does; which of a ball's days tells whether it holds."""

HANDS = ("right", "left")
DIGITS = ("thumb", "middle", "ring", "index", "little")
ROLES = (*DIGITS, "vent", "mill", "balance")
SPAN_KINDS = ("cut_to_cut", "center_to_center", "edge_to_edge", "full")
COVERS = ("polyester", "urethane", "reactive")
BOX_NUMBERS = ("rg", "differential", "intermediate_differential")
LAYOUT_ANGLES = ("drilling_angle", "pin_to_pap", "val_angle")
BALANCE_READINGS = ("top", "side", "finger")
"""The numbers on a ball's box, the three of a layout, and the readings of a balance."""
REMEDY_KINDS = ("thumb_depth", "finger_depth", "thumb_and_finger_depth", "grip_shift", "none")

Format = Literal["csv", "ndjson", "xlsx", "parquet"]
RowFormat = Literal["csv", "ndjson", "parquet"]
FORMATS: tuple[Format, ...] = get_args(Format)
ROW_FORMATS: tuple[RowFormat, ...] = get_args(RowFormat)
SEPARATORS = (",", ";", "|", "tab")
ROWS = ("sample", "every_ball")
UNKNOWN_COLUMNS = ("ignore", "refuse")
DATE_ORDERS = ("day_first", "month_first")
READINGS = ("one", "mean")
CALIBRATIONS = ("in_date", "expired", "not_told")
LOT_SCOPES = ("all", "measured")
PLAN_KINDS = ("table", "zero_acceptance", "two_point")
LEVELS = ("S-1", "S-2", "S-3", "S-4", "I", "II", "III")
INSPECTIONS = ("normal", "tightened", "reduced")
MODELS = ("hypergeometric", "binomial", "poisson")

JOBS = ("solve", "family", "set", "layout_map", "production")
"""What is searched and studied of a design."""
SOLID_ROLES = ("cover", "outer_core", "inner_core", "disc", "pin", "other")
MESH_FORMATS = ("stl", "3mf", "obj", "ply", "step")
OWN_UNITS = ("3mf", "step")
"""Formats of meshes that state their unit."""
MESH_UNITS = ("mm", "cm", "in", "m", "ft", "µm")
RADII = ("rg", "rg_intermediate", "rg_high")
INERTIA = (*RADII, "differential", "intermediate_differential", "asymmetry_ratio")
SHARES = ("differential", "intermediate_differential", "top_weight")
"""Radii of gyration, what an inertia comes to, and what is told of each hole and part."""
NUMBERS = (
    "weight", *INERTIA, "top_weight", "pin_to_cg", "pin_to_low_rg_axis", "mark_to_high_rg_axis",
)  # fmt: skip
"""Numbers of a design as made."""
MORE_NUMBERS = ("mean_density", "max_density", "cover_depth_shallowest", "cover_depth_deepest")
DRILLED_NUMBERS = tuple(f"drilled_{name}" for name in ("weight", *INERTIA, *BALANCE_READINGS))
CLEARANCE = "clearance"
TARGETS = (*NUMBERS, *MORE_NUMBERS, *DRILLED_NUMBERS, CLEARANCE)
"""Numbers that targets can name: as made, drilled, and how far the holes keep from some of the solids."""
TAKES = ("worst", "mean")
SIZES = (
    "diameter", "bottom_diameter", "top_diameter", "height", "length_x", "length_y", "length_z", "rounding",
)  # fmt: skip
FACTORS = ("radial_scale", "axial_scale", "scale")
POSITIONS = ("position_x", "position_y", "position_z")
OFFSETS = ("offset_x", "offset_y", "offset_z")
TILTS = ("tilt_x", "tilt_y")
TURNS = (*TILTS, "turn")
GROUP_SCALE, RATIO = "group_scale", "ratio"
POINT_FIELDS = ("point_height", "point_radius")
PARAMETER_FIELDS = (
    "density", *SIZES, *FACTORS, *POSITIONS, *OFFSETS, *TURNS, GROUP_SCALE, RATIO, *POINT_FIELDS,
)  # fmt: skip
"""What a parameter may be: a number of each of its solids; a shift, turn or scale of all of them as one body;
the ratio of two lengths; a point of a profile."""

PRESETS = tuple(
    f"{match}_{hands}_handed"
    for hands in ("one", "two")
    for match in ("speed_dominant", "matched", "rev_dominant")
)
"""Bowlers by name."""

SPIN = ("rev_rate", "axis_rotation", "axis_tilt")
RELEASE = ("speed", *SPIN, "launch_angle", "launch_board")
"""The numbers of a release."""
PASSED = ("time", "speed", "board")
"""What a sensor along the lane reads."""

WAYS = ("box", "drilled", "design")
"""How a line-up is given a ball."""
PLACED = ("reads", "covers")
MEASURES = (*PLACED, "sharpness", "finish")
"""Where a ball of a line-up stands, and all that is told of it."""
TRAITS = ("cover", *BOX_NUMBERS, "layout", "size")
"""In what two balls of a line-up may differ."""

STATES = ("genuine", "altered", "unknown_key")
DEGRADED = ("access_keys", "limits_storage", "scheduler", "signing_key")
"""What may not work while the service answers: the file of access keys, the storage of counts, the cluster of
bulk work, the key that signs."""

ISSUED_ON = (
    "Date of the record; without it, today (UTC). Where the service asks for access keys, another day than "
    "today, anywhere on Earth, needs a key with the scope `date`."
)
PRINT_FORMS = ("a4", "letter", "label", "code")

REPORT_LANGUAGES = ("en", "de")
REPORT_UNITS = ("trade", "metric")
PAPERS = ("a4", "letter")
REPORT_FORMATS = ("html", "pdf")
DESIGN_FILES = {"report": REPORT_FORMATS, "drawing": ("svg", "pdf"), "model": ("3mf", "stl", "step")}
SHEET_FORMATS = ("svg", "html", "pdf")

LOT_RECORD_FORMAT = "ballgauge-lot-record-1"
"""Name of the form of a lot's signed record."""

DEFECT_CLASSES = ("critical", "major", "minor")

ON_ERROR = ("refuse", "collect")
"""What a batch does with a check that cannot be answered: refuses all of it, or answers the others."""

ECHOED = "Echoed"
"""Ends the name of the document's schema of what an answer gives back as it was asked, open to additions."""
