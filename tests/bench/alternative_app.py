"""The same check as one would write it for FastAPI, pydantic and pint, over the same engine.

The model holds the contract's fields, ranges and rules between fields; quantities are numbers in the trade
unit, texts that pint reads, or objects with a value, a unit and an uncertainty. Mixed fractions ("4 1/4 in")
are left out: pint reads them as products.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from functools import lru_cache
from typing import Annotated, Any, Literal

import pint
from fastapi import FastAPI
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from ballgauge_schemas import Quantity, example, load_check_body
from ballgauge_service.check.evaluate import evaluate_checks

UNITS = pint.UnitRegistry()


@lru_cache(maxsize=1024)
def size_of(unit: str, trade: str) -> float:
    try:
        return float(UNITS.Quantity(1.0, unit).to(trade).magnitude)
    except (pint.PintError, AttributeError) as error:
        raise ValueError(f"not a unit of this quantity: {unit}") from error


def in_unit(text: str, trade: str) -> float:
    try:
        return float(UNITS.Quantity(text).to(trade).magnitude)
    except (pint.PintError, AttributeError, TypeError) as error:
        raise ValueError(f"not a number with a unit: {text}") from error


def quantity(trade: str, low: float, high: float) -> Any:
    """The type of a quantity within a range in its trade unit."""

    def number(value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise ValueError("must be a number")
        return float(value)

    def within(value: float) -> float:
        if not low <= value <= high:
            raise ValueError(f"must be from {low:g} to {high:g} {trade}")
        return value

    def read(value: Any) -> Quantity:
        if isinstance(value, str):
            return Quantity(within(in_unit(value, trade)))
        if isinstance(value, dict):
            if "value" not in value or not value.keys() <= {"value", "unit", "uncertainty"}:
                raise ValueError("must hold value, and may hold unit and uncertainty")
            size = size_of(value.get("unit", trade), trade)
            spread = number(value["uncertainty"]) * size if "uncertainty" in value else None
            if spread is not None and not 0.0 <= spread <= high - low:
                raise ValueError(f"uncertainty must be from 0 to {high - low:g} {trade}")
            return Quantity(within(number(value["value"]) * size), spread)
        return Quantity(within(number(value)))

    return Annotated[Any, BeforeValidator(read)]


class Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)


class Ball(Strict):
    name: str | None = Field(None, max_length=120)
    serial: str | None = Field(None, max_length=60)
    weight: quantity("lb", 4, 20)
    diameter: quantity("in", 7.5, 9.5) = None
    circumference: quantity("in", 23.5, 29.9) = None
    roundness: quantity("in", 0, 0.5) = None
    rg: quantity("in", 2, 3.2) = None
    differential: quantity("in", 0, 0.2) = None
    intermediate_differential: quantity("in", 0, 0.2) = None
    hardness: quantity("", 0, 100) = None
    friction: quantity("", 0, 1.5) = None
    restitution: quantity("", 0, 1) = None
    roughness: quantity("microinch", 0, 500) = None
    oil_absorption_time: quantity("s", 0, 36000) = None
    max_density: quantity("g/mL", 0.1, 25) = None
    top_weight: quantity("oz", -16, 16) = None
    pin_to_cg: quantity("in", 0, 13.5) = None
    pin_to_low_rg_axis: quantity("in", 0, 13.5) = None
    mark_to_high_rg_axis: quantity("in", 0, 13.5) = None
    cover_thickness: quantity("in", 0.05, 3) = None
    cover_density: quantity("g/mL", 0.5, 3) = None
    approved_on: Annotated[datetime.date | None, Field(strict=False)] = None
    house_ball: bool = False
    cover: Literal["polyester", "urethane", "reactive"] | None = None

    @model_validator(mode="after")
    def compare(self) -> Ball:
        total, part = self.differential, self.intermediate_differential
        if total and part and part.value > total.value:
            raise ValueError("intermediate_differential must not exceed differential")
        across, around = self.diameter, self.circumference
        if across and around and abs(around.value / math.pi - across.value) > 0.1:
            raise ValueError("diameter and circumference disagree")
        return self


class Pap(Strict):
    over: quantity("in", -8, 8)
    up: quantity("in", -4, 4)


class Layout(Strict):
    drilling_angle: quantity("degree", 0, 180)
    pin_to_pap: quantity("in", 0, 13.5)
    val_angle: quantity("degree", 0, 180)


class Grip(Strict):
    span_middle: quantity("in", 1, 7) = None
    span_ring: quantity("in", 1, 7) = None
    span_kind: Literal["cut_to_cut", "full"] = "cut_to_cut"
    bridge: quantity("in", 0, 3) = None
    thumb: bool = True
    center_marked: bool | None = None


class Place(Strict):
    right: quantity("in", -13.5, 13.5)
    up: quantity("in", -13.5, 13.5)


class Hole(Strict):
    role: Literal["thumb", "middle", "ring", "index", "little", "vent", "mill", "balance"]
    diameter: quantity("in", 0.05, 2.5)
    depth: quantity("in", 0.02, 8)
    pitch_forward: quantity("in", -3, 3) = Quantity(0.0)
    pitch_lateral: quantity("in", -3, 3) = Quantity(0.0)
    at: Place | None = None
    used: bool | None = None
    slug_density: quantity("g/mL", 0.1, 25) = None


class Drilling(Strict):
    hand: Literal["right", "left"]
    pap: Pap | None = None
    layout: Layout | None = None
    grip: Grip | None = None
    holes: list[Hole] = Field(default_factory=list, max_length=24)
    balance_arm: quantity("in", 0.5, 8) = None

    @model_validator(mode="after")
    def place(self) -> Drilling:
        if self.layout and not self.pap:
            raise ValueError("a layout needs the positive axis point")
        open_digits = [hole.role for hole in self.holes if hole.slug_density is None]
        for role in ("thumb", "middle", "ring", "index", "little"):
            if open_digits.count(role) > 1:
                raise ValueError(f"duplicate {role} hole")
        unplaced = {hole.role for hole in self.holes if hole.at is None}
        grip = self.grip or Grip()
        if not unplaced <= {"thumb", "middle", "ring"}:
            raise ValueError("spans place thumb, middle and ring only")
        if {"middle", "ring"} <= unplaced and grip.bridge is None:
            raise ValueError("two fingers need a bridge")
        spans = {"middle": grip.span_middle, "ring": grip.span_ring}
        if any(spans[role] is None for role in unplaced & spans.keys()):
            raise ValueError("a finger without place needs its span")
        if "thumb" in unplaced and not any(spans.values()):
            raise ValueError("a thumb without place needs a span")
        self._require_thumb(unplaced)
        return self

    def _require_thumb(self, unplaced: set[str]) -> None:
        if self.grip is None or "thumb" not in self.grip.model_fields_set:
            return
        thumbs = [hole for hole in self.holes if hole.role == "thumb" and hole.slug_density is None]
        if not self.grip.thumb and any(hole.used is not False for hole in thumbs):
            raise ValueError("the grip is without thumb, but there is an open thumb hole")
        by_span = bool(unplaced & {"middle", "ring"})
        if self.grip.thumb and by_span and not any(hole.role == "thumb" for hole in self.holes):
            raise ValueError("the grip is with thumb, but there is no thumb hole")


class Measured(Strict):
    top: quantity("oz", -32, 32) = None
    side: quantity("oz", -32, 32) = None
    finger: quantity("oz", -32, 32) = None


class Rules(Strict):
    body: Literal["usbc", "ibf"] = "usbc"
    on: Annotated[datetime.date | None, Field(strict=False)] = None
    stage: Literal["approval", "play"] = "play"
    overlay: str | None = Field(None, max_length=40)


class Decision(Strict):
    rule: Literal["simple", "guarded"] = "simple"
    risk: float = Field(0.05, gt=0.0, lt=0.5)


class Remedies(Strict):
    margin: quantity("oz", 0, 3) = Quantity(0.1)
    already_drilled: bool = False
    thumb_depth_min: quantity("in", 0.02, 8) = None
    finger_depth_min: quantity("in", 0.02, 8) = None


class Check(Strict):
    ball: Ball
    drilling: Drilling | None = None
    measured_balance: Measured | None = None
    rules: Rules = Field(default_factory=Rules)
    decision: Decision = Field(default_factory=Decision)
    remedies: Remedies = Field(default_factory=Remedies)

    @model_validator(mode="after")
    def size(self) -> Check:
        if self.drilling and self.ball.diameter is None and self.ball.circumference is None:
            raise ValueError("a drilling needs the ball's diameter or circumference")
        return self


@asynccontextmanager
async def compiled(app: FastAPI) -> AsyncIterator[None]:
    items, _ = load_check_body(example("drilled"))
    evaluate_checks(items)
    yield


app = FastAPI(lifespan=compiled)


@app.get("/readyz")
def ready() -> dict[str, str]:
    return {"status": "ok"}


@app.post("/v1/checks")
def check(asked: Check) -> dict[str, Any]:
    return evaluate_checks([loaded(asked)])[0]


def loaded(model: BaseModel) -> dict[str, Any]:
    """The model as the engine takes it: what was not given is not there."""
    given = ((name, getattr(model, name)) for name in type(model).model_fields)
    return {name: plain(value) for name, value in given if value is not None}


def plain(value: Any) -> Any:
    if isinstance(value, BaseModel):
        return loaded(value)
    return [loaded(entry) for entry in value] if isinstance(value, list) else value
