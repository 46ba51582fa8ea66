"""Pictures and papers of strangers: as large as a label needs, and ended where they take too long."""

from __future__ import annotations

import io
import time
from typing import Any

import numpy as np
import pytest
from PIL import Image

from ballgauge_service.core import budget, confined
from ballgauge_service.record import pictures


def corners(width: int, height: int) -> bytes:
    """A picture full of the corners of codes (ISO/IEC 18004, 6.3.3): each trio of them may be a code."""
    corner = np.zeros((8, 8), dtype=bool)
    corner[:7, :7] = True
    corner[1:6, 1:6] = False
    corner[2:5, 2:5] = True
    made, sink = np.tile(corner, (height // 8, width // 8)), io.BytesIO()
    Image.fromarray(~made).save(sink, "PNG", optimize=True)
    return sink.getvalue()


def test_a_picture_of_24_megapixels_full_of_corners_is_ended(client: Any) -> None:
    """Unscaled it takes the reader of codes two minutes of a processor."""
    data = corners(6000, 4000)
    assert len(data) < 100_000
    start = time.monotonic()
    answer = client.post("/v1/records/read", data=data, content_type="image/png")
    assert answer.status_code == 422
    assert time.monotonic() - start < 60


def test_what_takes_too_long_is_ended_and_the_next_is_read(
    monkeypatch: pytest.MonkeyPatch, client: Any, signed: dict[str, Any], sentence: Any
) -> None:
    asked = {"record": signed["record"], "form": "code"}
    code = client.post("/v1/records/prints", json=asked).data
    with monkeypatch.context() as patch:
        patch.setattr(pictures, "SECONDS", 0.0)
        with pytest.raises(pictures.NothingFound, check=sentence("picture: not done in 0 s")):
            pictures.read_document(corners(1600, 1200))
    answer = client.post("/v1/records/read", data=code, content_type="image/png")
    assert answer.json == {"record": signed["label"]}


def test_a_request_whose_time_is_up_ends_its_process() -> None:
    deadline = budget.Deadline(0.0)
    with budget.within(deadline), pytest.raises(budget.DeadlinePassed):
        confined.run("record.pictures:found_in", corners(1600, 1200))


def test_the_process_of_its_own_has_no_secret(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BALLGAUGE_KEYS", "demo")
    monkeypatch.setattr(confined, "_spare", [])
    worker = confined._Worker()
    try:
        with open(f"/proc/{worker._process.pid}/environ", "rb") as file:
            assert b"BALLGAUGE" not in file.read()
    finally:
        worker.end()


def test_a_large_photograph_of_a_label_is_read(client: Any, signed: dict[str, Any]) -> None:
    """Of 20 megapixels, two thirds of them the code: scaled down it is read, by JPEG's own scaling too."""
    asked = {"record": signed["record"], "form": "code"}
    code = Image.open(io.BytesIO(client.post("/v1/records/prints", json=asked).data)).convert("L")
    photo = Image.new("L", (5400, 3700), 180)
    photo.paste(code.resize((2400, 2400)).rotate(9, expand=True, fillcolor=180), (1500, 400))
    for kind, quality in (("JPEG", 60), ("PNG", None)):
        sink = io.BytesIO()
        photo.save(sink, kind, **({} if quality is None else {"quality": quality}))
        data = sink.getvalue()
        answer = client.post("/v1/records/read", data=data, content_type=f"image/{kind.lower()}")
        assert answer.json == {"record": signed["label"]}
