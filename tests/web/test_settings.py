"""Settings: what is read of the environment, and that operators are told of each."""

from __future__ import annotations

import re
from dataclasses import fields

import pytest

from ballgauge_service.pages import guide
from ballgauge_service.web.http.settings import BadSettings, Settings

ROW = re.compile(r"^\| `BALLGAUGE_(?P<name>[A-Z_]+)` \| (?P<default>[^|]+) \|", re.MULTILINE)


def test_every_setting_is_in_the_operators_table_with_its_default() -> None:
    """Against the guide; `serve` itself sets `processes`, and a machine has its own processors."""
    told = {
        row["name"].lower(): row["default"].strip("` ") for row in ROW.finditer(guide.source("operations"))
    }
    for field in fields(Settings):
        if field.name in ("processes", "computing"):
            continue
        default = field.default
        text = (
            "none"
            if default in (None, ())
            else str(int(default))
            if isinstance(default, bool)
            else f"{default:g}"
            if isinstance(default, float)
            else str(default)
        )
        assert told[field.name].partition(":")[0].removesuffix(" s") == text.partition(":")[0], field.name


def test_what_is_set_goes_to_another_process_and_comes_back() -> None:
    given = Settings(
        requests_per_minute=60, cors_origins=("https://shop.example",), deadline=2.5, metrics=False
    )
    assert Settings.from_environment(given.environment()) == given


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("DEADLINE", "nan"),
        ("DEADLINE", "0"),
        ("WAITING", "-1"),
        ("COMPUTING", "0"),
        ("LARGEST_LOT", "much"),
        ("METRICS", "yes"),
        ("CORS_ORIGINS", "*"),
    ],
)
def test_what_cannot_be_used_is_named(name: str, text: str) -> None:
    with pytest.raises(BadSettings) as bad:
        Settings.from_environment({f"BALLGAUGE_{name}": text, "BALLGAUGE_TRUSTED_PROXIES": "many"})
    assert f"BALLGAUGE_{name} " in str(bad.value)
    assert "BALLGAUGE_TRUSTED_PROXIES " in str(bad.value)
