"""The requests that are recorded of a version and replayed against every later one."""

from __future__ import annotations

import copy
from dataclasses import asdict, dataclass
from importlib.resources import files
from typing import Any

from ballgauge_schemas.shared.documents import (
    design_example,
    design_example_names,
    example,
    example_names,
    motion_example,
    motion_example_names,
)

TOLERANCE = 1e-6
"""Relative deviation of a number that is still the same answer (ours): closed forms, bounded quadrature."""

SEARCHED = 1e-3
"""The same for what is searched or drawn (solutions, aims), which rests on the last bits of a platform."""


@dataclass(frozen=True)
class Kept:
    """One request: what is sent, and how closely its numbers must come again."""

    method: str
    path: str
    json: Any = None
    lot: str | None = None
    content_type: str | None = None
    accept: str | None = None
    tolerance: float = TOLERANCE

    def to_document(self) -> dict[str, Any]:
        """The members that say something."""
        return {name: value for name, value in asdict(self).items() if value is not None}


def all_requests() -> dict[str, Kept]:
    """Every request that this version records, by name."""
    return {
        **_checks(),
        **_drillings(),
        **_lots(),
        **_designs(),
        **_motions(),
        **_records(),
        **_plain(),
        **_refused(),
    }


def _posted(path: str, body: Any, **more: Any) -> Kept:
    return Kept("POST", path, json=body, content_type="application/json", **more)


def _drilled(**changes: Any) -> dict[str, Any]:
    request = copy.deepcopy(example("drilled"))
    for path, value in changes.items():
        *way, last = path.split("__")
        place: Any = request
        for step in way:
            place = place[int(step) if step.isdigit() else step]
        place[last] = value
    return request


def _checks() -> dict[str, Kept]:
    made = {f"check_{name}": _posted("/v1/checks", example(name)) for name in example_names(drillings=False)}
    ball = {"weight": {"value": 6.95, "unit": "kg", "uncertainty": 0.01}, "circumference": "68.55 cm"}
    more = {
        "weight_alone": {"ball": {"weight": 15}},
        "quantity_forms": {
            "ball": {
                **ball,
                "rg": "63 mm",
                "differential": {"value": 1.2, "unit": "mm", "uncertainty": 0.05},
                "oil_absorption_time": "11 min 20 s",
                "roughness": "0.7 µm",
                "max_density": "2900 kg/m3",
                "friction": "24 %",
                "hardness": "74 Shore D",
            },
            "decision": {"rule": "guarded", "risk": 0.05},
            "rules": {"on": "2024-09-01", "stage": "approval"},
        },
        "ibf": _drilled(rules={"body": "ibf", "on": "2025-03-01"}),
        "overlay": _drilled(rules={"body": "ibf", "on": "2025-03-01", "overlay": "australia"}),
        "old_rules": _drilled(rules={"on": "2016-01-01"}),
        "left_hand": _drilled(drilling__hand="left"),
        "full_spans": _drilled(drilling__grip__span_kind="full"),
        "arm": _drilled(drilling__balance_arm="80 mm"),
        "measured": _drilled(measured_balance={"top": 1.25, "side": "20 g", "finger": -0.5}),
        "guarded": _drilled(
            ball__weight={"value": 15.98, "uncertainty": 0.02}, decision={"rule": "guarded", "risk": 0.02}
        ),
        "house_ball": _drilled(ball__house_ball=True, ball__cover="polyester"),
        "remedies": {**example("side_weight_over"), "remedies": {"margin": 0.2, "already_drilled": True}},
        "no_layout": {
            "ball": {"weight": 14, "diameter": "8 19/32 in"},
            "drilling": {
                "hand": "right",
                "holes": [
                    {"role": "middle", "diameter": 1, "depth": 2, "at": {"right": -0.7, "up": 0}},
                    {"role": "ring", "diameter": 1, "depth": 2, "at": {"right": 0.7, "up": 0}},
                    {"role": "vent", "diameter": "1/4 in", "depth": 3, "at": {"right": 3, "up": 1}},
                ],
            },
        },
    }
    return {**made, **{f"check_{name}": _posted("/v1/checks", body) for name, body in more.items()}}


def _drillings() -> dict[str, Kept]:
    one = example("drilling")
    many = {"drillings": [one, {**one, "measured_balance": {"side": 1}}]}
    return {
        "drilling": _posted("/v1/drillings", one),
        "drilling_batch": _posted("/v1/drillings", many),
    }


_LOT = files("ballgauge_schemas").joinpath("example_lots", "ostrel_tarn_48.csv")


def _lots() -> dict[str, Kept]:
    options = {"sampling": {"lot_size": 1000, "plan": {"aql": 1.0}}, "rules": {"on": "2026-05-01"}}
    text = _LOT.read_text(encoding="utf-8")
    more = {
        **options,
        "scope": "measured",
        "decision": {"rule": "guarded", "risk": 0.05},
        "uncertainties": {"hardness": 0.4, "weight": "5 g"},
        "sampling": {
            "lot_size": 5000,
            "plan": {"kind": "two_point", "aql": 1.0, "limiting_quality": 6.5},
            "variables": [{"quantity": "rg", "aql": 0.65, "limiting_quality": 6.5}],
        },
        "draw": {"seed": 20260501, "sample_size": 5},
    }

    def lot(asked: Any, accept: str | None = None, rows: int = 80) -> Kept:
        lines = text.splitlines(keepends=True)[: rows + 1]
        return Kept(
            "POST", "/v1/lots", json=asked, lot="".join(lines), content_type="text/csv", accept=accept
        )

    return {
        "lot": lot(options),
        "lot_plans": lot(more),
        "lot_rows": lot(options, "application/x-ndjson", rows=8),
        "lot_table": lot(options, "text/csv", rows=8),
        "lot_report": lot(options, "text/html", rows=8),
    }


def _designs() -> dict[str, Kept]:
    made = {}
    for name in design_example_names():
        if name != "drawn_core":  # its mesh is a file beside it
            request = design_example(name)
            request.get("production", {}).setdefault("samples", 256)
            searched = "solve" in request or "family" in request
            made[f"design_{name}"] = _posted(
                "/v1/designs", request, tolerance=SEARCHED if searched else TOLERANCE
            )
    compared = design_example("skarn_disc_below")
    compared["compare"] = {"design": design_example("skarn_disc_above")["design"]}
    made["design_compared"] = _posted("/v1/designs", compared)
    return made


def _motions() -> dict[str, Kept]:
    made = {}
    for name in motion_example_names():
        request = motion_example(name)
        if "samples" in request:
            request["samples"] = 5
        for study in ("spread", "line_map"):
            if study in request:
                request[study]["deliveries"] = 8
        made[name] = _posted("/v1/motions", request, tolerance=SEARCHED)
    made["motion_drilled"] = _posted(
        "/v1/motions",
        {
            "drilled": {"ball": example("drilled")["ball"], "drilling": example("drilled")["drilling"]},
            "release": {"speed": "8 m/s", "rev_rate": 300, "axis_rotation": 40, "axis_tilt": 10},
            "lane": {"film": 30},
            "wear": {"deliveries": 10},
        },
    )
    made["motion_picture"] = _posted("/v1/motions", motion_example("motion"), accept="text/html")
    return made


def _records() -> dict[str, Kept]:
    asked = {"check": example("drilled"), "issued_on": "2024-09-02", "player": "R. Example", "event": "City"}
    return {
        "record_signed": _posted("/v1/records", asked),
        "record_unknown_key": _posted(
            "/v1/records/verify",
            {"record": "eyJhbGciOiJFZDI1NTE5Iiwia2lkIjoibm9uZSJ9.e30.AAAA", "on": "2026-05-01"},
        ),
        "record_keys": Kept("GET", "/v1/records/keys"),
    }


def _plain() -> dict[str, Kept]:
    return {
        "rulebooks": Kept("GET", "/v1/rulebooks"),
        "rulebooks_asked": Kept("GET", "/v1/rulebooks?body=ibf&on=2024-09-01&overlay=australia"),
        "healthz": Kept("GET", "/healthz"),
        "readyz": Kept("GET", "/readyz"),
    }


def _refused() -> dict[str, Kept]:
    wrong = {
        "ball": {"weight": "15", "diameter": "8.59 kg", "rg": 25, "colour": "red", "cover": "glass"},
        "drilling": {"layout": {"pin_to_pap": -1}, "holes": [{"role": "thumb", "depth": True}]},
        "rules": {"on": "2024-02-30"},
    }
    batch = {"checks": [example("as_made"), {"ball": {"weight": 100}}, {}]}
    impossible = _drilled(drilling__grip__span_middle=1, drilling__grip__span_ring=7)
    return {
        "refused_many_fields": _posted("/v1/checks", wrong),
        "refused_batch": _posted("/v1/checks", batch),
        "refused_impossible": _posted("/v1/checks", impossible),
        "refused_drilling": _posted("/v1/drillings", {"ball": {"weight": 15}}),
        "refused_design": _posted("/v1/designs", {"design": {"diameter": 8.5, "solids": []}, "solve": {}}),
        "refused_motion": _posted("/v1/motions", {"lane": {}}),
        "refused_record": _posted("/v1/records", {"check": {}}),
        "refused_rulebook": Kept("GET", "/v1/rulebooks?body=none&on=today"),
        "refused_address": Kept("GET", "/v1/nothing"),
        "refused_method": Kept("GET", "/v1/checks"),
        "refused_media_type": Kept("POST", "/v1/checks", json={}, content_type="text/plain"),
    }
