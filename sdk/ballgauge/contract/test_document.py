"""A service describes itself as the contract has it."""

from __future__ import annotations

from ballgauge.contract._server import Server, answer_of
from ballgauge.contract.compatibility import breaking
from ballgauge_schemas import openapi_document


def test_the_document_is_the_contracts(service: Server) -> None:
    """The same document where the version is the same; of another version, one that breaks nothing."""
    served, packaged = answer_of(service.get("/openapi.json")), openapi_document()
    if served["info"]["version"] == packaged["info"]["version"]:
        assert served == packaged
    else:
        assert breaking(packaged, served) == []


def test_every_address_is_there(service: Server) -> None:
    """No address of the document answers 404, and every other method is a 405 with what is allowed."""
    for path, operations in openapi_document()["paths"].items():
        response = service.send("DELETE", path)
        assert response.status_code == 405, f"DELETE {path}: {response.status_code}"
        allowed = {method.strip().lower() for method in response.headers.get("Allow", "").split(",")}
        assert set(operations) & {"get", "post"} <= allowed, f"{path}: Allow is {sorted(allowed)}"
