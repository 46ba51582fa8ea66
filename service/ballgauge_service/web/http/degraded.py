"""What does not work as it should while the service answers all the same.

Told by whoever finds it, once when it begins and once when it ends: in the log, in the metrics, at /readyz.
"""

from __future__ import annotations

import logging

_found: dict[str, str] = {}
_log = logging.getLogger("ballgauge_service.health")


def tell(reason: str, words: str | None) -> None:
    """Say what is wrong, one of `DEGRADED`, in words for whoever runs the service; None: nothing any more."""
    if _found.get(reason) == words:
        return
    # Deferred: the first process of a server loads this module before it names the folder of the metrics.
    from ballgauge_service.web.http import metrics

    if words is None:
        del _found[reason]
        _log.warning("right again: %s", reason)
    else:
        _found[reason] = words
        _log.error("degraded: %s: %s", reason, words)
    metrics.show_degraded(reason, words is not None)


def found() -> dict[str, str]:
    """What is wrong now, by reason."""
    return dict(_found)
