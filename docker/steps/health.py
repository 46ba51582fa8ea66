"""Health check of a container: leaves with 0 where the service in it is ready to answer, else with 1."""

from __future__ import annotations

import http.client
import os
import sys


def ready(port: int) -> bool:
    """Say whether the service on this port of the loopback address is ready."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=4)
    try:
        connection.request("GET", "/readyz")
        return connection.getresponse().status == 200
    except (OSError, http.client.HTTPException):
        return False
    finally:
        connection.close()


if __name__ == "__main__":
    sys.exit(not ready(int(os.environ.get("HEALTH_PORT", "8000"))))
