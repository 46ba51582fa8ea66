"""The strategies against the contract's schemas and against the real service."""

from __future__ import annotations

import csv
import io
import json
import math
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from importlib.resources import files
from typing import Any

import pytest
from hypothesis import HealthCheck, find, given, settings
from hypothesis import strategies as st

from ballgauge import strategies
from ballgauge.strategies import ADDRESSES, Address
from ballgauge.strategies._fields import members_of, of_field, walked
from ballgauge.strategies._invalid import apply, breaks
from ballgauge.strategies._motions import calibrations
from ballgauge_schemas import ValidationError, flatten
from ballgauge_schemas.design.request import (
    DESIGN_REQUEST,
    SHAPES,
    KindOfField,
    MeshSchema,
    SolidField,
    TradeOffSchema,
)
from ballgauge_schemas.motion.request import MOTION_REQUEST
from ballgauge_schemas.shared.ball import BallSchema
from ballgauge_schemas.shared.base import Choice, Part, Schema, Several, Whole
from ballgauge_schemas.shared.documents import (
    design_example,
    design_example_names,
    example,
    example_names,
    motion_example,
    motion_example_names,
)
from ballgauge_schemas.shared.quantity import NominalField, QuantityField

EXAMPLES = {"design": 6, "motion": 8, "lot": 15}
"""Requests that the service is asked where one costs it much; 30 elsewhere."""

ANSWERED = 0.8
"""Least share of sound requests that the service answers with 200 (ours; it was 0.88 to 1 in 60 of each)."""


def quick(examples: int) -> settings:
    return settings(
        max_examples=examples,
        deadline=None,
        database=None,
        derandomize=True,
        suppress_health_check=list(HealthCheck),
    )


@pytest.fixture
def client(signing_client: Any) -> Any:
    return signing_client


def ask(client: Any, address: Address, request: Any, rows: Any) -> Any:
    if address.method == "GET":
        return client.get(address.path, query_string=request)
    if address.path != "/v1/lots":
        return client.post(address.path, json=request)
    text, options = strategies.lot_text(rows).encode(), {"options": json.dumps(request)}
    return client.post(address.path, data=text, content_type="text/csv", query_string=options)


def leads(request: Any, pointer: str) -> bool:
    """Against RFC 6901: all but the pointer's last step is there."""
    for step in pointer.split("/")[1:-1]:
        try:
            request = request[int(step)] if isinstance(request, list) else request[step]
        except (LookupError, ValueError, TypeError):
            return False
    return True


@pytest.mark.parametrize("name", ADDRESSES)
def test_the_service_answers_sound_requests_or_explains(client: Any, name: str) -> None:
    """Against the real service: 200 and an answer by its schema, or 422 that points into the request."""
    address, statuses, why = ADDRESSES[name], Counter[int](), Counter[str]()

    @quick(EXAMPLES.get(name, 30))
    @given(address.valid(), strategies.lot_rows() if name == "lot" else st.none())
    def run(request: Any, rows: Any) -> None:
        response = ask(client, address, request, rows)
        statuses[response.status_code] += 1
        if response.status_code == 200:
            address.answer_schema(request).load(response.json)
        else:
            assert response.status_code == 422, response.text
            assert response.json["errors"], response.text
            assert all(leads(request, error["pointer"]) for error in response.json["errors"]), response.text
            why.update(error["detail"] for error in response.json["errors"])

    run()
    # Few requests scatter: one standard deviation of a binomial count is allowed.
    scatter = math.sqrt(ANSWERED * (1 - ANSWERED) * statuses.total())
    assert statuses[200] >= ANSWERED * statuses.total() - scatter, why


def test_shots_that_are_drawn_tell_the_friction(client: Any) -> None:
    """Against the friction of the ball that threw them, by clocks, orders and covers of their own."""

    @quick(3)
    @given(calibrations())
    def run(request: Any) -> None:
        response = client.post("/v1/motions", json=request)
        assert response.status_code == 200, response.text
        found = response.json["calibration"]
        assert abs(found["curve"]["oiled"] - 0.04) < 3.0 * found["uncertainty"]["oiled"]

    run()


@pytest.mark.parametrize("name", ADDRESSES)
def test_the_service_refuses_broken_requests_by_their_pointer(client: Any, name: str) -> None:
    """Against the real service: 422, the pointer among those named."""
    address = ADDRESSES[name]
    rows = [{"serial": "OW1", "weight": 15.0}]

    @quick(30)
    @given(address.invalid())
    def run(broken: strategies.Broken) -> None:
        response = ask(client, address, broken.request, rows)
        assert response.status_code == 422, (broken.why, broken.pointer)
        named = [error["pointer"] for error in response.json["errors"]]
        assert broken.pointer in named, (broken.why, broken.pointer, named)

    run()


EXAMPLE_REQUESTS: dict[str, tuple[Schema, Any]] = {
    **{name: (ADDRESSES["check"].asked, example(name)) for name in example_names() if name != "batch"},
    "batch": (ADDRESSES["check_batch"].asked, example("batch")),
    **{name: (DESIGN_REQUEST, design_example(name)) for name in design_example_names()},
    **{name: (MOTION_REQUEST, motion_example(name)) for name in motion_example_names()},
    "lot": (
        ADDRESSES["lot"].asked,
        {
            "file": {"format": "csv", "missing": ["n/a"]},
            "sampling": {"lot_size": 100, "plan": {"aql": 1}, "variables": []},
            "uncertainties": {"weight": "5 g"},
            "draw": {"seed": 1},
        },
    ),
}


@pytest.mark.parametrize("name", EXAMPLE_REQUESTS)
def test_every_way_to_break_an_example_is_refused_by_its_pointer(name: str) -> None:
    """Against the schema, exhaustively: every member of the example, in every way its field refuses."""
    schema, request = EXAMPLE_REQUESTS[name]
    if name == "drilling":
        schema = ADDRESSES["drilling"].asked
    count = 0
    for change in breaks(schema, request):
        broken = apply(request, change)
        with pytest.raises(ValidationError) as refused:
            schema.load(broken.request)
        named = [error["pointer"] for error in flatten(refused.value.messages)]
        assert broken.pointer in named, (broken.why, broken.pointer, named)
        count += 1
    assert count > 20
    schema.load(request)  # breaking copies leaves the request whole


def reached(schema: Schema, found: dict[type[Schema], Schema]) -> dict[type[Schema], Schema]:
    """Every schema below one."""
    if type(schema) not in found:
        found[type(schema)] = schema
        for field in schema.load_fields.values():
            while isinstance(field, Several):
                field = field.inner
            if isinstance(field, Part):
                reached(field.schema, found)  # type: ignore[arg-type]
            if isinstance(field, SolidField):
                for shape in SHAPES.values():
                    reached(shape(), found)
    return found


def all_schemas() -> list[type[Schema]]:
    found: dict[type[Schema], Schema] = {}
    for address in ADDRESSES.values():
        reached(address.asked, found)
    return list(found)


NOT_DRAWN = {MeshSchema, TradeOffSchema}
"""Schemas whose objects no request has by itself: files, and a front of targets that only a study has."""


@pytest.mark.parametrize(
    "schema", [each for each in all_schemas() if each not in NOT_DRAWN], ids=lambda each: each.__name__
)
def test_every_object_of_the_contract_is_drawn(schema: type[Schema]) -> None:
    """Against the schema that reads it, whichever part of a request it is."""

    @quick(5)
    @given(strategies.of_schema(schema))
    def run(drawn: Any) -> None:
        schema().load(drawn)

    run()


def leaves(value: Any) -> Iterator[str]:
    if isinstance(value, dict):
        for name, member in value.items():
            yield name
            yield from leaves(member)
    elif isinstance(value, list):
        for entry in value:
            yield from leaves(entry)


def test_every_member_of_a_check_is_drawn_in_every_way() -> None:
    """Against the schemas: no optional member is forgotten, and quantities come in all three forms."""
    seen: set[str] = set()
    forms: Counter[str] = Counter()

    @quick(300)
    @given(strategies.checks())
    def run(check: dict[str, Any]) -> None:
        seen.update(leaves(check))
        # Of a ball whose layers are told, nothing is told twice.
        if "weight" in check["ball"]:
            forms[type(check["ball"]["weight"]).__name__] += 1

    run()
    wanted = set(members_of(BallSchema)) | {
        "layout",
        "grip",
        "slug_density",
        "overlay",
        "balance_arm",
        "risk",
    }
    assert wanted <= seen
    assert {"str", "dict"} < set(forms)


def test_a_new_field_is_drawn_without_a_line_here() -> None:
    """Against a schema that the strategies have never seen: they read it, so that they cannot drift."""

    class Tomorrow(Schema):
        """A schema of a later version."""

        grain = QuantityField("length", 1, 2, 1.5, "", required=True)
        kind = Choice(("a", "b"), "", required=True)
        count = Whole(2, 5, 3, "")

    @quick(30)
    @given(strategies.of_schema(Tomorrow))
    def run(drawn: dict[str, Any]) -> None:
        loaded = Tomorrow().load(drawn)
        assert 1 <= loaded["grain"].value <= 2

    run()
    assert find(strategies.of_schema(Tomorrow), lambda drawn: True) == {"grain": 1.5, "kind": "a"}


class Unknown(Schema):
    """A schema with a field of a kind that nothing here draws."""

    lower = KindOfField(required=True, description="", example=1)


def test_a_field_of_an_unknown_kind_is_an_error_and_no_silence() -> None:
    """Against a field that depends on another."""
    with pytest.raises(TypeError, match="KindOfField"):
        of_field(Unknown().load_fields["lower"])
    with pytest.raises(KeyError):
        walked(BallSchema, narrow={"color": (0, 1)})


def test_quantities_keep_to_their_field() -> None:
    """Against the field: ranges of the trade unit in any unit, no uncertainty where none is taken."""
    nominal = NominalField("length", minimum=0, exclusive_minimum=True, maximum=3, description="", example=1)
    nominal.reason = "nominal"  # type: ignore[misc]

    @quick(60)
    @given(of_field(nominal), of_field(members_of(BallSchema)["oil_absorption_time"]))
    def run(length: Any, time: Any) -> None:
        assert 0 < nominal.read(length).value <= 3
        assert not (isinstance(length, dict) and "uncertainty" in length)
        assert 0 <= members_of(BallSchema)["oil_absorption_time"].read(time).value <= 36000  # type: ignore[attr-defined]

    run()


def test_requests_shrink_to_the_examples_of_the_fields() -> None:
    """Against the smallest request that has what is looked for."""
    quickly = quick(300)
    assert find(strategies.drillings(), lambda drilling: True, settings=quickly) == {
        "hand": "right",
        "holes": [],
    }
    smallest = find(strategies.balls(sized=True), lambda ball: "rg" in ball, settings=quickly)
    assert smallest == {"weight": 15.06, "rg": 2.49, "diameter": 8.59}
    query = find(
        strategies.invalid_rulebook_queries(), lambda each: each.why == "no such word", settings=quickly
    )
    assert query == strategies.Broken({"body": "neither"}, "/body", "no such word")


def test_rows_of_a_lot_are_written_as_csv() -> None:
    """Against csv's own reader; headings name the units of the contract's document."""
    members = json.loads(files("ballgauge_schemas").joinpath("openapi.json").read_text())
    units = {
        name: member.get("x-unit")
        for name, member in members["components"]["schemas"]["Ball"]["properties"].items()
    }

    @quick(20)
    @given(strategies.lot_rows(least=1))
    def run(rows: list[dict[str, Any]]) -> None:
        read = list(csv.DictReader(io.StringIO(strategies.lot_text(rows))))
        heading = {name: f"{name} [{units[name]}]" if units.get(name) else name for name in rows[0]}
        assert read == [{heading[name]: str(value) for name, value in row.items()} for row in rows]

    run()


def test_a_lot_of_any_width_is_sound(client: Any) -> None:
    """Against the service: numbers that a file without units leaves open."""
    rows = [
        {"serial": f"OW{k}", "weight": 15.0, "differential": differential, "roughness": 5.0}
        for k, differential in enumerate((0.001, 0.004, 0.065))
    ]
    assert ask(client, ADDRESSES["lot"], {}, rows).status_code == 200


def test_the_client_needs_no_hypothesis() -> None:
    """Against the modules of a process that imports the client, and the command."""
    script = "import sys, ballgauge, ballgauge._command; print([m for m in sys.modules if 'hypothesis' in m])"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
