"""Every limit and default that the contract shows, once: schemas and engine read them from here.

A number without a source is ours. Each group is in trade units.
"""

from __future__ import annotations

from collections.abc import Mapping

# Requests and answers as a whole (ours)

BODY_MAXIMUM = 2**21
"""Largest body of JSON, and of a lot's options [bytes]: a thousand checks of drilled balls fit, each of their
measurements with its unit and uncertainty."""

RECORD_FILE_MAXIMUM = 2**24
"""Largest picture or PDF that a record is read out of [bytes]: a telephone's photograph fits."""

BATCH_MAXIMUM = 1000
"""Most checks or drillings in one request."""

UNKNOWN_MAXIMUM = 50
"""Unknown fields named one by one in one object; the rest are counted."""

ERRORS_MAXIMUM = 1000
"""Errors after which no further entries of an array are read, and most errors listed in one problem.
Time and answer stay bounded, whatever a body holds."""

SEED_MAXIMUM = 2**53 - 1
"""Largest seed of every draw: the largest whole number that every JSON reader keeps (RFC 8259, section 6)."""

DEFAULT_SEED = 0

RULES_MAXIMUM = 500
"""Most rules of one rulebook."""

ALSO_ON_MAXIMUM = 12
"""Most further days that one check is judged on."""

OVERLAYS_MAXIMUM = 5
OVERLAY_RULES_MAXIMUM = 20
OVERLAY_LIMITS_MAXIMUM = 12
CONDITIONS_MAXIMUM = 4
OVERLAY_SETS_MAXIMUM = 10
"""Most overlays of one check, rules in an overlay of its own, limits in a rule, and conditions of a limit;
most different sets of such overlays in one request."""

APPROVED_ROWS_MAXIMUM = 20_000
APPROVED_FILE_MAXIMUM = 16 * 2**20
APPROVED_FAULTS_LISTED = 20
NEAR_NAMES_MAXIMUM = 5
"""Most rows of an approved list in a request; largest file of one [bytes], and bad lines of it that are
named; most near names that an answer lists."""

# Balls and drillings

COVER_THICKNESS = 0.75
COVER_DENSITY = 1.19
"""Cover of a ball that does not state its own [in, g/mL] (from memory, no source)."""

BALANCE_ARM = 3.2
"""Arm of a shop balance that is not stated [in] (from memory, no source)."""

DIAMETER_AGREEMENT = 0.1
"""Largest gap between the diameter and the circumference divided by pi [in] (ours); a real ball's
out-of-roundness is a hundredth of an inch, so a wider gap is a slip of the pen."""

HOLES_MAXIMUM = 24
"""Most holes in one drilling (ours)."""

RISK = 0.05
"""Highest probability of a wrong verdict under the guarded rule (ours)."""

REMEDY_MARGIN = 0.1
THUMB_DEPTH_MIN = 2.0
FINGER_DEPTH_MIN = 1.25
"""How far inside its limit a remedy brings a reading [oz], and the least depths that fit [in] (ours)."""

# Lots (ours, unless a line says otherwise)

LOT_MAXIMUM = 100_000_000
"""Most balls in a lot, and rows in its file."""

LOTS_MAXIMUM = 100
"""Most files of one request."""

NAME_MAXIMUM = 200
COLUMNS_MAXIMUM = 200
"""Longest name of a file [characters]; most columns in it, and headings in a mapping."""

SAMPLE_MAXIMUM = 100_000
"""Largest sample drawn from a file's serials."""

GAUGES_MAXIMUM = 50
"""Most gauges that a lot names."""

WORST_BALLS = 50
WORST_BALLS_MAXIMUM = 1000
"""Worst balls listed one by one."""

LEVEL, INSPECTION = "II", "normal"
"""Inspection level and severity to begin with (ISO 2859-1:1999, 10.1 and 9.1)."""

PRODUCER_RISK = 0.05
CONSUMER_RISK = 0.1
"""Risks of a plan (the usual ones, ISO 3534-2 and ISO 2859-2)."""

CONFIDENCE = 0.95
COVERAGE = 0.99
DRIFT_WEIGHT = 0.2
READINGS_AVERAGED = 1

# Designs (ours): no answer takes minutes. Where solids cut each other off a common axis, or a mesh is large,
# the service may take fewer samples and starts, and says how many.

SOLIDS_MAXIMUM = 64
POINTS_MAXIMUM = 1000
MESHES_MAXIMUM = 8
MESH_DATA_MAXIMUM = 1_000_000
"""Longest mesh within the JSON, in characters of base64."""
MESH_BYTES_MAXIMUM = 32 * 2**20
"""Most bytes of a form with meshes."""
PARAMETERS_MAXIMUM = 32
TOLERANCES_MAXIMUM = 20
STARTS, STARTS_MAXIMUM = 12, 64
SOLUTIONS, SOLUTIONS_MAXIMUM = 5, 10
FRONT, FRONT_MAXIMUM = 9, 25
FAMILY_WEIGHTS = (12.0, 13.0, 14.0, 15.0, 16.0)
FAMILY_MAXIMUM = 12
FAMILY_HELD: Mapping[str, float] = {"rg": 0.01, "differential": 0.002}
"""What a family holds unless it says, and within how much of the design's own [in]."""
FAMILY_CHANGES_MAXIMUM = 4
DESIGN_SAMPLES_MINIMUM, DESIGN_SAMPLES, DESIGN_SAMPLES_MAXIMUM = 64, 10_000, 100_000
TARGET_WEIGHT = 1.0
TARGET_TOLERANCES: Mapping[str, float] = {
    "weight": 0.02, "length": 0.002, "imbalance": 0.1, "ratio": 0.01, "density": 0.02,
}  # fmt: skip
"""What counts as one miss beyond a one-sided target, where it gives no tolerance, by kind of quantity."""
VARIANTS_MAXIMUM = 8
ACROSS_MAXIMUM = 32
OVER_MAXIMUM = 16
"""Most variants of a set, targets across them, and drillings that targets are held over."""
MAP_PIN_TO_PAP = tuple(0.5 * step for step in range(2, 14))
MAP_DRILLING_ANGLE = tuple(10.0 * step for step in range(1, 10))
MAP_MAXIMUM = 40
"""Layouts of a map [in, deg], and most of either."""

# Motions (ours)

SAMPLES, SAMPLES_MAXIMUM = 201, 2001
"""Points of the curves: of a picture, and at most."""

SPREAD_DELIVERIES, SPREAD_DELIVERIES_MAXIMUM = 500, 2000
POINT_DELIVERIES, POINT_DELIVERIES_MAXIMUM = 12, 200
BALLS_MAXIMUM = 24
VOLUMES_MAXIMUM = 6
OWN_BOWLERS_MAXIMUM = 12
AIMING = 64
"""Deliveries that aiming costs at each point of a line map; counted as work."""
WORK_MAXIMUM = 11000
"""Most deliveries of one request in all, aiming among them: no answer takes minutes."""

SQUAD_SHOTS, SQUAD_GAMES = 12, 3
SQUAD_MAXIMUM, SQUAD_TURNS_MAXIMUM, SQUAD_GAMES_MAXIMUM, SQUAD_SHOTS_MAXIMUM = 8, 24, 12, 600
"""A squad's rounds of turns a game and its games; most bowlers, turns a round, games, and shots in all."""

LINEUP_DELIVERIES = 24
LINEUP_COLUMNS_MAXIMUM = 6
LINEUP_SWAPS = 48
"""Deliveries that tell what causes the difference of two balls, at most; counted as work."""
LINEUP_WORK_MAXIMUM = 30000
"""Most deliveries of one line-up in all: coarser ones than those of a motion (ours)."""

ZONES_MAXIMUM = 200
FILM_MAXIMUM = 5000.0
"""Most zones of an oil pattern; most oil [µL/ft²]."""

HAND = "right"
PAP_OVER, PAP_UP = 5.0, 0.5
USUAL_CIRCUMFERENCE = 27.0
"""Bowler and ball where the request does not say [in]."""

COVER, GRIT = "reactive", 2000.0
LAUNCH_ANGLE, LAUNCH_BOARD, LOFT = 1.0, 15.0, 0.0
RELEASE: Mapping[str, tuple[float, float]] = {
    "speed": (4, 40),
    "rev_rate": (0, 1200),
    "axis_rotation": (-90, 180),
    "axis_tilt": (-90, 90),
    "launch_angle": (-15, 15),
    "launch_board": (0.5, 39.5),
    "loft": (0, 20),
}
USUAL_RELEASE: Mapping[str, tuple[float, float]] = {
    "speed": (12, 26),
    "rev_rate": (40, 650),
    "axis_rotation": (0, 100),
    "axis_tilt": (-5, 60),
    "launch_angle": (-6, 6),
    "launch_board": (3, 37),
    "loft": (0, 6),
}
"""Numbers of a release [mph, rpm, deg, deg, deg, boards, ft]: refused outside, warned of outside."""

PICKED_UP, TRACK_WIDTH, LAID_DOWN, FADE = 0.005, 1.5, 0.3, 5.0
"""Wear of a lane: a delivery takes some 15 µL so, what a cover holds in films no thicker than it is rough."""

WINDOW_BOARD, WINDOW_ANGLE = (17.0, 18.0), (4.0, 8.0)

PATH_ERROR, PATH_ERRORS = 1e-6, (1e-7, 1e-2)
"""Error of the path that is aimed at, and its range [in]."""

LARGEST_STEP, LARGEST_STEPS = 0.03, (0.01, 0.1)
"""Longest time step, and its range [s]: about a third of a revolution of a ball that rolls."""

OILED = 0.04
DRY: Mapping[str, float] = {"polyester": 0.12, "urethane": 0.18, "reactive": 0.22}
FRICTION_BASE, PER_ROUGHNESS, GRIT_ROUGHNESS, GRIT_POWER, POLISH = 10.0, 0.8, 45.0, 0.64, 0.5
"""Constants of the friction curve; see `MotionSettings.friction` of the contract."""

SPLIT, CAPACITY, FOOTPRINT = 0.4, 1.0, 0.1
"""What a cover carries; see `oil_on_ball` of the contract."""

MARK_PLACE, MARK_TIME = 0.02, 0.0005
"""Standard uncertainties of a mark's place [radii] and of the time of a picture [s]."""

SHOTS_MAXIMUM, PASSAGES_MAXIMUM, PASSAGES_MINIMUM = 40, 30, 3
SENSOR_TIME, SENSOR_SPEED, SENSOR_BOARD = 0.001, 0.1, 0.15
RELEASE_KNOWN: Mapping[str, float] = {
    "speed": 0.5,
    "rev_rate": 5.0,
    "axis_rotation": 3.0,
    "axis_tilt": 3.0,
    "launch_angle": 0.5,
    "launch_board": 0.5,
}
"""Most shots of a calibration, most and fewest sensors along the lane; standard uncertainties of the sensors
[s, mph, boards] and of measured releases."""

# Records (ours)

RECORD_MAXIMUM = 100_000
"""Longest record or label read, in characters."""
