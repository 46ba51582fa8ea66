"""What an access key may be for, and which address asks for what."""

from __future__ import annotations

from collections.abc import Mapping

SCOPES = ("check", "lot", "design", "sign", "date", "operate")
"""Every scope: balls and rules; lots; designs and motions; signing and printing records; dating those
otherwise than today; metrics."""

DATED = "date"
"""The scope to sign records of another day than today."""

ANY_SCOPE = "any"
"""Stands for a valid key of whatever scope."""

NEEDED: Mapping[str, str] = {
    "/v1/checks": "check",
    "/v1/drillings": "check",
    "/v1/drillings/sheets": "check",
    "/v1/rulebooks": "check",
    "/v1/lots": "lot",
    "/v1/designs": "design",
    "/v1/motions": "design",
    "/v1/lineups": "design",
    "/v1/records": "sign",
    "/v1/records/lots": "sign",
    "/v1/records/prints": "sign",
    "/v1/records/verify": ANY_SCOPE,
    "/v1/records/read": ANY_SCOPE,
    "/metrics": "operate",
}
"""The scope that each address needs where the service asks for keys; the public keys of records are open."""

TOKEN = r"[A-Za-z0-9._~+/-]+=*"
"""What stands after `Bearer` (b64token, RFC 6750, 2012, section 2.1)."""
