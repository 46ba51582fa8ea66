"""Hypothesis strategies for everything that a Ballgauge service is asked.

They are built from the contract's own schemas: a field's kind, unit, range and words are read off the field,
so that a new version of the contract draws new requests. Install them with ``pip install
'ballgauge[strategies]'``.

A shop whose program turns its own tickets into requests tests that no ticket makes a request the contract
refuses:

>>> from hypothesis import given, settings
>>> from ballgauge import strategies
>>> from ballgauge_schemas import CHECK_REQUEST
>>> @settings(max_examples=5, database=None)
... @given(strategies.checks())
... def test_every_ticket_becomes_a_sound_request(request):
...     ticket = {"id": 7, "request": request}  # what your program would make of it
...     CHECK_REQUEST.load(ticket["request"])
>>> test_every_ticket_becomes_a_sound_request()

A program that shows the service's errors beside its own fields tests that it finds the field:

>>> import ballgauge
>>> @settings(max_examples=5, deadline=None, database=None)
... @given(strategies.invalid_checks())
... def test_every_error_has_its_field(broken):
...     with ballgauge.Client.embedded() as client:
...         try:
...             client.check(broken.request)
...         except ballgauge.InvalidRequest as refused:
...             assert broken.pointer in [error.pointer for error in refused.errors]
...         else:
...             raise AssertionError(broken.why)
>>> test_every_error_has_its_field()

Valid requests load through the contract and make physical sense, so that a service answers most of them
with 200; a few it finds impossible as a whole (a hole that breaks through, spans that make no triangle) and
says so with 422 and pointers. ``invalid_*`` strategies give a `Broken`: a request with one thing broken, why,
and the JSON pointer that the service has to name, perhaps among others.
"""

from __future__ import annotations

from ballgauge.strategies._addresses import (
    ADDRESSES,
    Address,
    invalid_check_batches,
    invalid_checks,
    invalid_design_requests,
    invalid_drilling_batches,
    invalid_drilling_requests,
    invalid_lineup_requests,
    invalid_lot_options,
    invalid_motion_requests,
    invalid_record_requests,
    invalid_record_verifications,
    invalid_rulebook_queries,
)
from ballgauge.strategies._balls import (
    balls,
    check_batches,
    checks,
    drilling_batches,
    drilling_requests,
    drillings,
    record_requests,
    record_verifications,
    rulebook_queries,
)
from ballgauge.strategies._designs import design_requests, designs
from ballgauge.strategies._fields import of_schema
from ballgauge.strategies._invalid import Broken
from ballgauge.strategies._lots import lot_options, lot_rows, lot_text, lots
from ballgauge.strategies._motions import lineup_requests, motion_requests

__all__ = [
    "ADDRESSES",
    "Address",
    "Broken",
    "balls",
    "check_batches",
    "checks",
    "design_requests",
    "designs",
    "drilling_batches",
    "drilling_requests",
    "drillings",
    "invalid_check_batches",
    "invalid_checks",
    "invalid_design_requests",
    "invalid_drilling_batches",
    "invalid_drilling_requests",
    "invalid_lineup_requests",
    "invalid_lot_options",
    "invalid_motion_requests",
    "invalid_record_requests",
    "invalid_record_verifications",
    "invalid_rulebook_queries",
    "lineup_requests",
    "lot_options",
    "lot_rows",
    "lot_text",
    "lots",
    "motion_requests",
    "of_schema",
    "record_requests",
    "record_verifications",
    "rulebook_queries",
]
