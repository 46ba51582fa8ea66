"""Bulk work in pieces: on threads of this process, or on the workers of a Dask scheduler.

Who has bulk work cuts it by a rule of its own that knows nothing of workers, and gives a function of a module
of this package, what all pieces share, and the pieces; results come back in the pieces' order. Random numbers
are drawn before the cut. So the answer is the same to the bit for any number of workers, and a worker that
dies costs time alone: its pieces are computed again.

No code travels: a piece names its function, and the workers have this package installed. Whoever reaches a
Dask scheduler can run code on its workers: it belongs in a trusted network, or behind TLS (set as
``distributed.comm.tls`` in Dask's own configuration, which is read here too).
"""

from __future__ import annotations

from functools import lru_cache

from ballgauge_service.core.bulk.pieces import Bulk, BulkUnavailable, Check, unasked
from ballgauge_service.core.bulk.threads import Threads

__all__ = ["Bulk", "BulkUnavailable", "Check", "bulk_at", "threads_here", "trouble_at", "unasked"]


@lru_cache(maxsize=1)
def threads_here() -> Threads:
    """The threads of this process."""
    return Threads()


def bulk_at(scheduler: str | None) -> Bulk:
    """Who does bulk work: the workers of the Dask scheduler at an address; without one, threads here.

    Nothing is connected before there is work.
    """
    if scheduler is None:
        return threads_here()
    # Deferred: most processes never speak to a scheduler.
    from ballgauge_service.core.bulk.cluster import cluster_at

    return cluster_at(scheduler)


def trouble_at(scheduler: str | None) -> str | None:
    """Why the scheduler at an address could not be used when it was last asked; None: nothing is known."""
    if scheduler is None:
        return None
    from ballgauge_service.core.bulk.cluster import cluster_at

    return cluster_at(scheduler).trouble
