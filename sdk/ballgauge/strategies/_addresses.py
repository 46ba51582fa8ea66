"""The service's addresses: what each is asked, rightly and wrongly, and by which schema it answers."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from hypothesis import strategies as st

from ballgauge.strategies import _balls, _designs, _lots, _motions
from ballgauge.strategies._fields import Strategy, of_schema
from ballgauge.strategies._invalid import (
    DESIGN_CLASHES,
    LINEUP_CLASHES,
    LOT_CLASHES,
    MOTION_CLASHES,
    Broken,
    ball_clashes,
    broken,
    check_clashes,
)
from ballgauge_schemas.check.answer import (
    CHECK_BATCH_BRIEF,
    CHECK_BATCH_FINDINGS,
    CHECK_BATCH_RESULT,
    CHECK_BRIEF,
    CHECK_FINDINGS,
    CHECK_RESULT,
    DRILLING_BATCH_RESULT,
    DRILLING_RESULT,
    RULEBOOKS_RESULT,
)
from ballgauge_schemas.check.request import (
    CHECK_BATCH,
    CHECK_REQUEST,
    DRILLING_BATCH,
    DRILLING_REQUEST,
    RULEBOOK_QUERY,
    RulebookQuerySchema,
)
from ballgauge_schemas.design.answer import DesignResultSchema
from ballgauge_schemas.design.request import DESIGN_REQUEST
from ballgauge_schemas.lot.answer import LOT_RESULT
from ballgauge_schemas.lot.request import LOT_REQUEST
from ballgauge_schemas.motion.answer import MotionResultSchema
from ballgauge_schemas.motion.lineup_answer import LineupResultSchema
from ballgauge_schemas.motion.lineup_request import LINEUP_REQUEST
from ballgauge_schemas.motion.request import MOTION_REQUEST
from ballgauge_schemas.record.documents import (
    RECORD_REQUEST,
    RECORD_VERIFICATION,
    SignedRecordSchema,
    VerifiedRecordSchema,
)
from ballgauge_schemas.shared.base import Schema

Wrong = st.SearchStrategy[Broken]


def invalid_checks() -> Wrong:
    """Bodies of ``POST /v1/checks`` for one ball, with one thing broken."""
    return broken(_balls.checks(), CHECK_REQUEST, check_clashes())


def invalid_check_batches() -> Wrong:
    """Bodies of ``POST /v1/checks`` for several balls, with one thing broken in one of them."""
    clashes = check_clashes(("checks", 0))
    return broken(_balls.check_batches(most=3), CHECK_BATCH, clashes, kept=("checks",))


def invalid_drilling_requests() -> Wrong:
    """Bodies of ``POST /v1/drillings`` for one ball, with one thing broken."""
    return broken(_balls.drilling_requests(), DRILLING_REQUEST, check_clashes())


def invalid_drilling_batches() -> Wrong:
    """Bodies of ``POST /v1/drillings`` for several balls, with one thing broken in one of them."""
    clashes = check_clashes(("drillings", 0))
    return broken(_balls.drilling_batches(most=3), DRILLING_BATCH, clashes, kept=("drillings",))


def invalid_lot_options() -> Wrong:
    """Options of ``POST /v1/lots`` with one thing broken."""
    return broken(_lots.lot_options(), LOT_REQUEST, LOT_CLASHES)


def invalid_design_requests() -> Wrong:
    """Bodies of ``POST /v1/designs`` with one thing broken."""
    return broken(_designs.design_requests(), DESIGN_REQUEST, DESIGN_CLASHES)


def invalid_motion_requests() -> Wrong:
    """Bodies of ``POST /v1/motions`` with one thing broken."""
    return broken(_motions.motion_requests(), MOTION_REQUEST, MOTION_CLASHES)


def invalid_lineup_requests() -> Wrong:
    """Bodies of ``POST /v1/lineups`` with one thing broken."""
    return broken(_motions.lineup_requests(), LINEUP_REQUEST, LINEUP_CLASHES)


def invalid_record_requests() -> Wrong:
    """Bodies of ``POST /v1/records`` with one thing broken."""
    return broken(_balls.record_requests(), RECORD_REQUEST, ball_clashes(("check", "ball")))


def invalid_record_verifications() -> Wrong:
    """Bodies of ``POST /v1/records/verify`` with one thing broken."""
    return broken(_balls.record_verifications(), RECORD_VERIFICATION)


def invalid_rulebook_queries() -> Wrong:
    """Query parameters of ``GET /v1/rulebooks`` of which one is wrong; a query holds text alone."""
    query = broken(of_schema(RulebookQuerySchema), RULEBOOK_QUERY)
    return query.filter(lambda wrong: all(isinstance(value, str) for value in wrong.request.values()))


@dataclass(frozen=True)
class Address:
    """One thing that a service is asked.

    `valid` and `invalid` draw requests (bodies; for lots options, see `lot_rows`; for rulebooks queries),
    `asked` and `answered` are the schemas of request and answer; `shorter` those of answers with less detail,
    by the request's `detail`.
    """

    method: str
    path: str
    valid: Callable[[], Strategy]
    invalid: Callable[[], Wrong]
    asked: Schema
    answered: Schema
    shorter: Mapping[str, Schema] = field(default_factory=dict)

    def answer_schema(self, request: Any) -> Schema:
        """The schema of the answer to one request."""
        detail = request.get("detail", "full") if self.shorter else "full"
        return self.shorter.get(detail, self.answered)


def _post(
    path: str,
    valid: Callable[[], Strategy],
    invalid: Callable[[], Wrong],
    asked: Schema,
    answered: Schema,
    **shorter: Schema,
) -> Address:
    return Address("POST", path, valid, invalid, asked, answered, shorter)


ADDRESSES = {
    "check": _post(
        "/v1/checks",
        _balls.checks,
        invalid_checks,
        CHECK_REQUEST,
        CHECK_RESULT,
        findings=CHECK_FINDINGS,
        brief=CHECK_BRIEF,
    ),
    "check_batch": _post(
        "/v1/checks",
        _balls.check_batches,
        invalid_check_batches,
        CHECK_BATCH,
        CHECK_BATCH_RESULT,
        findings=CHECK_BATCH_FINDINGS,
        brief=CHECK_BATCH_BRIEF,
    ),
    "drilling": _post(
        "/v1/drillings",
        _balls.drilling_requests,
        invalid_drilling_requests,
        DRILLING_REQUEST,
        DRILLING_RESULT,
    ),
    "drilling_batch": _post(
        "/v1/drillings",
        _balls.drilling_batches,
        invalid_drilling_batches,
        DRILLING_BATCH,
        DRILLING_BATCH_RESULT,
    ),
    "lot": _post("/v1/lots", _lots.lot_options, invalid_lot_options, LOT_REQUEST, LOT_RESULT),
    "design": _post(
        "/v1/designs", _designs.design_requests, invalid_design_requests, DESIGN_REQUEST, DesignResultSchema()
    ),
    "motion": _post(
        "/v1/motions", _motions.motion_requests, invalid_motion_requests, MOTION_REQUEST, MotionResultSchema()
    ),
    "lineup": _post(
        "/v1/lineups", _motions.lineup_requests, invalid_lineup_requests, LINEUP_REQUEST, LineupResultSchema()
    ),
    "record": _post(
        "/v1/records", _balls.record_requests, invalid_record_requests, RECORD_REQUEST, SignedRecordSchema()
    ),
    "verification": _post(
        "/v1/records/verify",
        _balls.record_verifications,
        invalid_record_verifications,
        RECORD_VERIFICATION,
        VerifiedRecordSchema(),
    ),
    "rulebooks": Address(
        "GET",
        "/v1/rulebooks",
        _balls.rulebook_queries,
        invalid_rulebook_queries,
        RULEBOOK_QUERY,
        RULEBOOKS_RESULT,
    ),
}
"""Every address that takes a request, by the name of what is asked."""
