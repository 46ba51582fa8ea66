"""Prints, opened by other tools: poppler reads the PDF, zbar the codes."""

from __future__ import annotations

import io
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from PIL import Image, ImageDraw
from pyzbar import pyzbar

PROGRAM = str(Path(sys.executable).with_name("ballgauge"))
POINTS = {"a4": (595.28, 841.89), "letter": (612.0, 792.0), "label": (255.12, 175.75)}
"""Sizes [1/72 in]: ISO 216 A4, ANSI A, and the label's own 90 mm x 62 mm."""


def printed(client: Any, record: str, form: str) -> bytes:
    answer = client.post("/v1/records/prints", json={"record": record, "form": form})
    assert answer.status_code == 200, answer.text
    data: bytes = answer.data
    return data


def rendered(pdf: bytes, tmp_path: Path, dots: int = 150) -> Image.Image:
    file = tmp_path / "print.pdf"
    file.write_bytes(pdf)
    subprocess.run(["pdftoppm", "-r", str(dots), "-png", "-singlefile", file, tmp_path / "print"], check=True)
    return Image.open(tmp_path / "print.png")


def codes(picture: Image.Image) -> list[str]:
    return [code.data.decode() for code in pyzbar.decode(picture, symbols=[pyzbar.ZBarSymbol.QRCODE])]


@pytest.mark.parametrize("form", ["a4", "letter", "label"])
def test_the_code_on_paper_is_the_record(
    client: Any, signed: dict[str, Any], tmp_path: Path, form: str
) -> None:
    """pdftoppm draws the page at 150 dots an inch, and zbar reads the code off it."""
    picture = rendered(printed(client, signed["record"], form), tmp_path)
    assert picture.size == pytest.approx([150 / 72 * side for side in POINTS[form]], abs=2)
    assert codes(picture) == [signed["label"]]
    found = client.post("/v1/records/verify", json={"record": codes(picture)[0]}).json
    assert found["state"] == "genuine"


def test_the_code_alone(client: Any, signed: dict[str, Any]) -> None:
    picture = Image.open(io.BytesIO(printed(client, signed["record"], "code")))
    assert codes(picture) == [signed["label"]]


@pytest.mark.parametrize("form", ["a4", "letter"])
def test_the_page_says_what_the_record_says(
    client: Any, asked: dict[str, Any], signed: dict[str, Any], tmp_path: Path, form: str
) -> None:
    """pdftotext reads the page: outcome, people, every rule's value, and that it is advice."""
    file = tmp_path / "page.pdf"
    file.write_bytes(printed(client, signed["record"], form))
    text = subprocess.run(
        ["pdftotext", "-layout", file, "-"], capture_output=True, text=True, check=True
    ).stdout
    drilled = client.post("/v1/checks", json=asked["check"]).json["derived"]["drilled"]
    for told in (
        "conforming",
        "R. Example",
        "City open",
        "2026-05-02",
        "USBC, play, 2026-05-01",
        f"{drilled['weight']:.6g} lb",
        "max 16 lb",
    ):
        assert told in text
    assert " ".join(text.split()).count("governing body decides") == 1
    assert "approved" not in text
    assert "DEMONSTRATION" not in text


def test_same_record_same_print(client: Any, signed: dict[str, Any]) -> None:
    assert printed(client, signed["record"], "a4") == printed(client, signed["record"], "a4")


def test_a_demo_record_is_marked_everywhere(
    monkeypatch: pytest.MonkeyPatch, asked: Any, tmp_path: Path
) -> None:
    from ballgauge_service.web.server.application import create_app

    monkeypatch.setenv("BALLGAUGE_KEYS", "demo")
    client = create_app(json_logs=False, warm_up=False).test_client()
    signed = client.post("/v1/records", json=asked).json
    assert signed["demo"] is True
    assert signed["content"]["demo"] is True
    assert client.post("/v1/records/verify", json={"record": signed["record"]}).json["demo"] is True
    for form in ("a4", "letter", "label"):
        file = tmp_path / f"{form}.pdf"
        file.write_bytes(printed(client, signed["record"], form))
        text = subprocess.run(["pdftotext", file, "-"], capture_output=True, text=True, check=True).stdout
        assert "DEMONSTRATION KEY" in text


def test_names_from_everywhere_and_hostile_ones(client: Any, asked: dict[str, Any], tmp_path: Path) -> None:
    """Letters that the font lacks are question marks on paper and stay themselves in the record."""
    asked["player"] = "<script>alert(1)</script> Żółw Ω 漢 **bold** (a) \\"
    asked["check"]["ball"]["name"] = "=1+1 ) Tj ET endstream %%EOF"
    signed = client.post("/v1/records", json=asked).json
    file = tmp_path / "page.pdf"
    file.write_bytes(printed(client, signed["record"], "a4"))
    text = subprocess.run(["pdftotext", file, "-"], capture_output=True, text=True, check=True).stdout
    assert "Player: <script>alert(1)</script> Żółw Ω ? **bold** (a) \\" in text
    assert "Ball: =1+1 ) Tj ET endstream %%EOF" in text
    found = client.post("/v1/records/verify", json={"record": signed["label"]}).json
    assert found["content"]["player"] == asked["player"]


def test_only_genuine_records_are_printed(client: Any, signed: dict[str, Any]) -> None:
    record = signed["record"][:-5] + "AAAAA"
    answer = client.post("/v1/records/prints", json={"record": record, "form": "a4"})
    assert answer.status_code == 422
    assert [each["pointer"] for each in answer.json["errors"]] == ["/record"]


def test_records_are_read_from_files(client: Any, signed: dict[str, Any], tmp_path: Path) -> None:
    pdf = printed(client, signed["record"], "a4")
    picture = rendered(printed(client, signed["record"], "label"), tmp_path, 200)
    for turned in (0, 7, 90, 180):
        photo = picture.convert("L").rotate(turned, expand=True, fillcolor=200)
        written = io.BytesIO()
        photo.save(written, "JPEG", quality=80)
        answer = client.post("/v1/records/read", data=written.getvalue(), content_type="image/jpeg")
        assert answer.json == {"record": signed["label"]}
    answer = client.post("/v1/records/read", data=pdf, content_type="application/pdf")
    assert answer.json == {"record": signed["record"]}


def test_files_without_a_record_are_refused(client: Any) -> None:
    blank, other = io.BytesIO(), io.BytesIO()
    Image.new("L", (40, 40), 255).save(blank, "PNG")
    code = Image.new("L", (400, 100), 255)
    ImageDraw.Draw(code).text((10, 10), "BALLGAUGE1:")
    code.save(other, "PNG")
    huge = io.BytesIO()
    Image.new("1", (20_000, 20_000)).save(huge, "PNG")
    for data in (
        b"",
        b"%PDF-1.7",
        b"GIF89a",
        b"\x89PNG\r\n",
        blank.getvalue(),
        other.getvalue(),
        huge.getvalue(),
    ):
        answer = client.post("/v1/records/read", data=data, content_type="image/png")
        assert answer.status_code == 422, data[:20]
    assert client.post("/v1/records/read", data=b"x", content_type="image/gif").status_code == 415


def test_the_command_verifies_files(client: Any, signed: dict[str, Any], tmp_path: Path) -> None:
    keys = tmp_path / "public.json"
    keys.write_text(client.get("/v1/records/keys").text)
    (tmp_path / "record.jws").write_text(signed["record"] + "\n")
    (tmp_path / "page.pdf").write_bytes(printed(client, signed["record"], "letter"))
    (tmp_path / "code.png").write_bytes(printed(client, signed["record"], "code"))
    (tmp_path / "altered.jws").write_text(signed["record"][:-4] + "AAAA")
    (tmp_path / "none.txt").write_text("hello")

    def verify(name: str, *more: str) -> subprocess.CompletedProcess[str]:
        command = [PROGRAM, "verify", str(tmp_path / name), "--keys", str(keys), *more]
        return subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)

    done = verify("page.pdf")
    assert done.returncode == 0, done.stderr
    assert "genuine" in done.stdout
    assert "not changed" in done.stdout
    assert json.loads(verify("code.png", "--json").stdout)["state"] == "genuine"
    changed = verify("record.jws", "--on", "2010-01-01")
    assert changed.returncode == 1
    assert "have changed" in changed.stdout
    altered = verify("altered.jws")
    assert (altered.returncode, altered.stdout.split()[0]) == (1, "altered:")
    assert "R. Example" not in altered.stdout
    assert verify("none.txt").returncode == 2
    # Several at once: what a new season breaks, and which of them cannot be relied on.
    several = verify("record.jws", str(tmp_path / "altered.jws"), "--on", "2010-01-01")
    assert several.returncode == 1
    lines = [line.split() for line in several.stdout.splitlines() if ".jws" in line]
    assert [line[0] for line in lines] == ["genuine", "altered"]
    told = json.loads(verify("record.jws", str(tmp_path / "page.pdf"), "--json").stdout)["records"]
    assert [Path(each["file"]).name for each in told] == ["record.jws", "page.pdf"]
    assert {each["state"] for each in told} == {"genuine"}
    bad = verify("record.jws", str(tmp_path / "none.txt"))
    assert (bad.returncode, "none.txt" in bad.stderr) == (2, True)


def test_the_command_makes_keys() -> None:
    done = subprocess.run([PROGRAM, "key", "2027-a"], capture_output=True, text=True, timeout=60, check=True)
    (key,) = json.loads(done.stdout)["keys"]
    assert (key["kid"], key["crv"]) == ("2027-a", "Ed25519")
    assert (
        subprocess.run([PROGRAM, "key", "a b"], capture_output=True, timeout=60, check=False).returncode == 2
    )
