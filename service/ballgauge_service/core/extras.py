"""What is not installed, and the part of the installation that brings it.

Nothing but the standard library is imported here: it must work where the engine's own packages are missing.
"""

from __future__ import annotations

EXTRAS = {
    "check": ("checks", "check"),
    "lot": ("lots", "lots"),
    "design": ("designs", "designs"),
    "motion": ("motions", "motion"),
    "record": ("records and sheets", "records"),
}
"""By package of the engine: its work in words, and the extra that it needs."""

_CHECK = {"flask", "marshmallow", "numpy", "orjson", "pint", "prometheus_client", "werkzeug"}


def missing(error: ModuleNotFoundError) -> str | None:
    """The sentence that names what lacks, for whom, and how to get it; None where the module is our own."""
    name = (error.name or "").partition(".")[0]
    if not name or name.startswith("ballgauge"):
        return None
    work, extra = _asking(error, name)
    return f"{work} need {name}, which is not installed: pip install 'ballgauge[{extra}]'"


def _asking(error: ModuleNotFoundError, name: str) -> tuple[str, str]:
    """The work that was under way, from the modules that the error came through."""
    if name in _CHECK:
        return EXTRAS["check"]
    if name == "distributed":
        return "clusters", "cluster"
    asking = ("the server and its pages", "service")
    trace = error.__traceback__
    while trace is not None:
        package, _, module = trace.tb_frame.f_globals.get("__name__", "").partition(".")
        if package == "ballgauge_service":
            asking = EXTRAS.get(module.partition(".")[0], asking)
        trace = trace.tb_next
    return asking
