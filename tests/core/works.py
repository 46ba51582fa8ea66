"""What the tests of bulk work share: a plain loop in place of workers, and random small requests."""

from __future__ import annotations

import io
import json
from collections.abc import Iterable, Iterator
from typing import Any
from urllib.parse import quote

import pyarrow as pa
from hypothesis import strategies as st
from pyarrow import parquet

from ballgauge_schemas.shared.documents import design_example, motion_example
from ballgauge_service.core.bulk import Bulk
from ballgauge_service.core.bulk.pieces import opened, unasked

PARQUET = "application/vnd.apache.parquet"
LINES = "application/x-ndjson"
RULES = {"rules": {"on": "2026-05-01"}}


class Plain(Bulk):
    """One piece after the other, without threads, workers or Dask: what the others must agree with."""

    def map(
        self, work: Any, common: Any, pieces: Iterable[Any], check: Any = unasked, ahead: int = 1
    ) -> Iterator[Any]:
        for piece in pieces:
            check()
            yield opened(work(common, piece, check))

    def reads(self, path: str, *, own: bool) -> bool:
        return False


def production(samples: int, seed: int, widths: list[float]) -> dict[str, Any]:
    """A tolerance study of the example design; widths [1]: factors of its tolerances."""
    asked = design_example("skarn_production")
    study = asked["production"]
    study |= {"samples": samples, "seed": seed}
    study["tolerances"] = study["tolerances"][: len(widths)]
    for tolerance, width in zip(study["tolerances"], widths, strict=True):
        for name in ("standard_deviation", "half_width"):
            if isinstance(tolerance.get(name), float):
                tolerance[name] *= width
    return asked


def spread(deliveries: int, seed: int, oil: float) -> dict[str, Any]:
    """A scatter of the example delivery."""
    asked = motion_example("motion")
    asked["spread"] = {"deliveries": deliveries, "seed": seed, "oil_uncertainty": oil}
    return asked


def line_map(deliveries: int, seed: int, balls: int) -> dict[str, Any]:
    """The example line map, on one volume of oil, of some of its balls."""
    asked = motion_example("motion_line_map")
    mapped = asked["line_map"]
    mapped |= {"deliveries": deliveries, "seed": seed, "volumes": mapped["volumes"][:1]}
    mapped["balls"], mapped["bowlers"] = mapped["balls"][:balls], mapped["bowlers"][:1]
    return asked


SEEDS = st.integers(0, 2**32)
WIDTHS = st.lists(st.sampled_from((0.5, 1.0, 2.0, 40.0)), min_size=1, max_size=5)
PRODUCTIONS = st.builds(production, st.integers(64, 600), SEEDS, WIDTHS)
SPREADS = st.builds(spread, st.integers(2, 70), SEEDS, st.sampled_from((0.0, 0.1)))
LINE_MAPS = st.builds(line_map, st.integers(2, 3), SEEDS, st.integers(1, 2))

_CELLS = {
    "serial": st.one_of(st.none(), st.sampled_from(("A1", "A2", "A10", "B7")), st.text("ABC", max_size=3)),
    "weight": st.one_of(st.floats(14.0, 16.5), st.sampled_from((None, -1.0, 15.0))),
    "hardness": st.sampled_from(("75", "72.4", "73", "not read", None)),
    "diameter": st.one_of(st.none(), st.floats(8.45, 8.65)),
}


@st.composite
def tables(draw: st.DrawFn) -> bytes:
    """A Parquet file of a lot: repeated serials, cells that are no numbers, small row groups."""
    size = draw(st.integers(1, 60))
    names = ["weight", *draw(st.lists(st.sampled_from(("serial", "hardness", "diameter")), unique=True))]
    columns = {name: draw(st.lists(_CELLS[name], min_size=size, max_size=size)) for name in names}
    kinds = {"serial": pa.string(), "hardness": pa.string()}
    table = pa.table(
        {name: pa.array(cells, kinds.get(name, pa.float64())) for name, cells in columns.items()}
    )
    return packed(table, draw(st.integers(1, 25)))


def packed(table: pa.Table, row_group: int) -> bytes:
    sink = io.BytesIO()
    parquet.write_table(table, sink, row_group_size=row_group)
    return sink.getvalue()


LOT_OPTIONS = st.sampled_from(
    (
        {**RULES},
        {**RULES, "scope": "measured", "worst_balls": 3},
        {**RULES, "sampling": {"lot_size": 40, "plan": {"aql": 1.0}}},
        {**RULES, "draw": {"seed": 3, "sample_size": 2}},
        {**RULES, "decision": {"rule": "guarded", "risk": 0.05}, "uncertainties": {"weight": 0.2}},
    )
)


def ask(client: Any, path: str, asked: dict[str, Any], accept: str = "application/json") -> tuple[int, bytes]:
    """Status and body of an answer, without what names the request."""
    answer = client.post(path, json=asked, headers={"Accept": accept})
    return answer.status_code, without_id(answer.data)


def ask_lot(client: Any, file: bytes, options: dict[str, Any], accept: str) -> tuple[int, bytes]:
    """Status and body of the answer on a Parquet file."""
    path = f"/v1/lots?name=lot.parquet&options={quote(json.dumps(options))}"
    answer = client.post(path, data=file, content_type=PARQUET, headers={"Accept": accept})
    return answer.status_code, without_id(answer.data)


def without_id(body: bytes) -> bytes:
    """A body, the identity of the request in its last line, if it is a problem, taken out."""
    *lines, last = body.split(b"\n") if not body.endswith(b"\n") else body[:-1].split(b"\n")
    if b"request_id" in last:
        document = json.loads(last)
        document.get("problem", document).pop("request_id", None)
        last = json.dumps(document, sort_keys=True).encode()
    return b"\n".join([*lines, last])
