"""Labels: base45 against RFC 9285 (2022), and a record through its label and back."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ballgauge_service.record.labels import QR_MAXIMUM, base45, from_base45, read_label, write_label


@pytest.mark.parametrize(
    ("data", "text"),
    [(b"AB", "BB8"), (b"Hello!!", "%69 VD92EX0"), (b"base-45", "UJCLQE7W581"), (b"ietf!", "QED8WEX0")],
)
def test_base45_examples(data: bytes, text: str) -> None:
    """RFC 9285, sections 4.3 and 4.4."""
    assert base45(data) == text
    assert from_base45(text) == data


@given(st.binary(max_size=300))
def test_base45_comes_back(data: bytes) -> None:
    assert from_base45(base45(data)) == data


@pytest.mark.parametrize("text", ["GGW", "A", "ab", "::", ":::"])
def test_what_is_not_base45(text: str) -> None:
    """RFC 9285, section 6: "GGW" is 65536, one more than two bytes hold."""
    with pytest.raises(ValueError, match="base45"):
        from_base45(text)


def test_a_label_carries_every_byte(signed: dict[str, Any]) -> None:
    assert read_label(signed["label"]) == signed["record"]
    assert write_label(signed["record"]) == signed["label"]
    assert len(signed["label"]) < 900
    assert len(signed["label"]) < len(signed["record"]) / 3


def test_a_cut_or_lengthened_label_is_no_label(signed: dict[str, Any]) -> None:
    label = signed["label"]
    for bad in (label[:-3], label[:40], label + "000", "BALLGAUGE1:", "BALLGAUGE2:" + label[11:]):
        with pytest.raises(ValueError, match=r"label|base45"):
            read_label(bad)


def test_a_record_too_long_for_a_code_has_no_label(client: Any, asked: dict[str, Any]) -> None:
    """ISO/IEC 18004: the largest code at correction M holds 3,391 alphanumeric letters (from memory)."""
    holes = asked["check"]["drilling"]["holes"]
    for number in range(21):
        place = {"right": -4.123456789 + 0.387654321 * number, "up": -9.87654321 + 0.2345678912 * number}
        sizes = {
            "diameter": 0.0612345678 + 0.00123456789 * number,
            "depth": 0.11234567 + 0.012345678 * number,
        }
        slug = {"slug_density": 1.0123456 + 0.0123456789 * number, "pitch_forward": 0.001234567 * number}
        holes.append({"role": "vent", "at": place, **sizes, **slug})
    asked["check"]["ball"]["name"] = "".join(chr(0x4E00 + 97 * each) for each in range(120))
    answer = client.post("/v1/records", json=asked)
    assert answer.status_code == 200, answer.text
    label = answer.json["label"]
    prints = client.post("/v1/records/prints", json={"record": answer.json["record"], "form": "label"})
    assert (label is None) == (prints.status_code == 422)
    assert label is None or len(label) <= QR_MAXIMUM
