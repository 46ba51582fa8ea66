"""Write down what the installed version promises: `python -m tests.compatibility.record`, in the top folder.

Makes a folder named after the version, with its OpenAPI document and an answer to every request of
`requests_kept.py`. A version is recorded once, when it is released; what is kept is never written again.
"""

from __future__ import annotations

import json
import os
import sys
from importlib.metadata import version

from tests.compatibility.replay import HERE, answer_of, line, promised, send
from tests.compatibility.requests_kept import Kept, all_requests


def main(name: str) -> None:
    """Record this version under `name`."""
    os.environ["BALLGAUGE_KEYS"] = "demo"
    from ballgauge_schemas import openapi_document
    from ballgauge_service.web.server.application import create_app

    folder = HERE / name
    (folder / "requests").mkdir(parents=True)
    (folder / "openapi.json").write_text(line(openapi_document()), encoding="utf-8")
    client = create_app(json_logs=False, warm_up=False).test_client()
    asked = {title: request.to_document() for title, request in all_requests().items()}
    # A record that this version signed: later ones must find it genuine.
    signed = json.loads(send(client, asked["record_signed"]).data)
    for form in ("record", "label"):
        request = Kept(
            "POST", "/v1/records/verify", {"record": signed[form]}, content_type="application/json"
        )
        asked[f"record_verified_by_{form}"] = request.to_document()
    for title, request in asked.items():
        answer = answer_of(send(client, request))
        print(title, answer["status"])
        written = line({"request": request, "answer": promised(answer)})
        (folder / "requests" / f"{title}.json").write_text(written, encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1] if len(sys.argv) > 1 else version("ballgauge"))
