"""Pictures and papers of strangers: as large as a label needs, and ended where they take too long."""

from __future__ import annotations

import io
import time
from typing import Any

import numpy as np
import pytest
from PIL import Image

from ballgauge_schemas.shared.limits import RECORD_FILE_MAXIMUM
from ballgauge_service.core import budget, confined
from ballgauge_service.record import pictures

UNTIL_ITS_END = {"wsgi.input_terminated": True}


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


@pytest.mark.parametrize(("kind", "scale"), [("JPEG", 1.5), ("PNG", 1.0)])
def test_a_large_photograph_of_a_label_is_read(
    client: Any, signed: dict[str, Any], kind: str, scale: float
) -> None:
    """Of 20 megapixels, or 45 as of a telephone, two thirds of them the code: it is read scaled down."""
    asked = {"record": signed["record"], "form": "code"}
    code = Image.open(io.BytesIO(client.post("/v1/records/prints", json=asked).data)).convert("L")
    photo = Image.new("L", (int(5400 * scale), int(3700 * scale)), 180)
    side = int(2400 * scale)
    turned = code.resize((side, side)).rotate(9, expand=True, fillcolor=180)
    photo.paste(turned, (int(1500 * scale), int(400 * scale)))
    sink = io.BytesIO()
    photo.save(sink, kind, quality=60)
    answer = client.post("/v1/records/read", data=sink.getvalue(), content_type=f"image/{kind.lower()}")
    assert answer.json == {"record": signed["label"]}


@pytest.mark.parametrize(("larger", "status"), [(0, 422), (1, 413)])
@pytest.mark.parametrize("announced", [True, False])
def test_a_file_of_the_largest_size_is_looked_at(
    client: Any, larger: int, status: int, *, announced: bool
) -> None:
    data = b"\xff\xd8\xff" + bytes(RECORD_FILE_MAXIMUM - 3 + larger)
    sent: dict[str, Any] = {"data": data}
    if not announced:
        chunked = {"Transfer-Encoding": "chunked"}
        sent = {"input_stream": io.BytesIO(data), "headers": chunked, "environ_base": UNTIL_ITS_END}
    answer = client.post("/v1/records/read", content_type="image/jpeg", **sent)
    assert (answer.status_code, str(RECORD_FILE_MAXIMUM) in answer.json["detail"]) == (status, status == 413)
