"""The balls of a chunk on the approved list: name by name and make by make, as a check looks one up."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pyarrow.compute as pc

from ballgauge_schemas.shared.approved_list import ApprovedList
from ballgauge_service.check.identity import looked_up
from ballgauge_service.core.units import EPOCH
from ballgauge_service.lot.reading.columns import Balls

_UNKNOWN = np.datetime64("NaT", "D")


def identified(balls: Balls, source: ApprovedList, on: date) -> Balls:
    """The balls with what the list says of them on a day of use, and its day of approval if they have none.

    What was checked by hand is not judged, unless the list knows the ball.
    """
    if not len(balls):
        return balls
    size, told = len(balls), balls.labels.get("name")
    names = [None] if told is None else [None, *pc.unique(told.drop_null()).to_pylist()]
    place = {name: k for k, name in enumerate(names)}
    of_name = np.zeros(size, np.int64)
    if told is not None:
        of_name[:] = [place[name] for name in told.to_pylist()]
    made = np.full(size, _UNKNOWN) if balls.made_on is None else balls.made_on.astype("datetime64[D]")
    approved = np.full(size, _UNKNOWN) if balls.approved_on is None else balls.approved_on.copy()
    by_hand = np.zeros(size) if balls.identity_by_hand is None else balls.identity_by_hand.copy()
    identity = np.full(size, np.nan)
    days, of_day = np.unique(made.view(np.int64), return_inverse=True)
    kinds, of_kind = np.unique(of_name * len(days) + of_day, return_inverse=True)
    listings = {name: looked_up(name, source, "") for name in names}
    for k, kind in enumerate(kinds.tolist()):
        here, day = of_kind == k, made[np.argmax(of_kind == k)]
        listing, made_on = listings[names[kind // len(days)]], None if np.isnat(day) else day.astype(date)
        standing, approved_on = listing.on(on, made_on), listing.approved_on(made_on)
        identity[here] = np.nan if standing.fact is None else standing.fact
        if standing.known:
            by_hand[here] = 0.0
        if approved_on is not None:
            approved[here & np.isnat(approved)] = np.datetime64((approved_on - EPOCH).days, "D")
    return replace(balls, identity=identity, identity_by_hand=by_hand, approved_on=approved)
