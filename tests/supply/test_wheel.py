"""The wheel: the same bytes from the same source, and all of the packages in it and nothing else."""

from __future__ import annotations

import csv
import email
import hashlib
import io
import os
import shutil
import subprocess
import sys
import zipfile
from base64 import urlsafe_b64encode
from pathlib import Path

import pytest

import ballgauge

ROOT = Path(__file__).parent.parent.parent
PACKAGES = ("schemas/ballgauge_schemas/", "sdk/ballgauge/", "service/ballgauge_service/")
WHEEL_SH = ROOT / "docker" / "steps" / "wheel.sh"


def copied(tracked: list[str], folder: Path, when: int, backwards: bool) -> Path:
    """The source in another folder, written in another order, with other times of its files."""
    for name in reversed(tracked) if backwards else tracked:
        if name.startswith(PACKAGES) or "/" not in name:
            place = folder / name
            place.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(ROOT / name, place)
            place.chmod(0o600 if backwards else 0o664)
            os.utime(place, (when, when))
    return folder


def built(source: Path, out: Path, **environment: str) -> Path:
    """The wheel by the image's own script, with this environment's tools."""
    done = subprocess.run(
        ["sh", str(WHEEL_SH), sys.prefix, str(source), str(out)],
        env={**{k: v for k, v in os.environ.items() if k != "SOURCE_DATE_EPOCH"}, **environment},
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    (wheel,) = out.glob("*.whl")
    return wheel


@pytest.fixture(scope="module")
def wheels(tracked: list[str], tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Two wheels of one source, built in two folders as if in two years, in two zones and by two users."""
    work = tmp_path_factory.mktemp("wheels")
    one = copied(tracked, work / "one", 1_600_000_000, backwards=False)
    two = copied(tracked, work / "elsewhere" / "two", 1_900_000_000, backwards=True)
    return (
        built(one, work / "out_one", TZ="UTC", PYTHONHASHSEED="1", HOME=str(work), LC_ALL="C"),
        built(two, work / "out_two", TZ="Pacific/Auckland", PYTHONHASHSEED="2", LC_ALL="C.UTF-8"),
    )


@pytest.fixture(scope="module")
def wheel(wheels: tuple[Path, Path]) -> zipfile.ZipFile:
    return zipfile.ZipFile(wheels[0])


def test_the_same_source_gives_the_same_bytes(wheels: tuple[Path, Path]) -> None:
    one, two = wheels
    assert one.name == two.name == f"ballgauge-{ballgauge.__version__}-py3-none-any.whl"
    assert one.read_bytes() == two.read_bytes()


def test_it_has_all_of_the_packages_and_nothing_else(wheel: zipfile.ZipFile, tracked: list[str]) -> None:
    """Against git's own list: no test, no cache, nothing forgotten."""
    info = f"ballgauge-{ballgauge.__version__}.dist-info"
    expected = {name.split("/", 1)[1] for name in tracked if name.startswith(PACKAGES)}
    expected |= {
        f"{info}/{name}" for name in ("METADATA", "WHEEL", "RECORD", "entry_points.txt", "licenses/LICENSE")
    }
    assert set(wheel.namelist()) == expected
    tops = {name.split("/")[0] for name in wheel.namelist()}
    assert tops == {"ballgauge", "ballgauge_schemas", "ballgauge_service", info}


@pytest.mark.parametrize(
    "pattern",
    [
        "ballgauge/py.typed",
        "ballgauge_schemas/py.typed",
        "ballgauge_service/py.typed",
        "ballgauge_schemas/openapi.json",
        "ballgauge_schemas/examples/*.json",
        "ballgauge_schemas/example_designs/*.json",
        "ballgauge_schemas/example_motions/*.json",
        "ballgauge_schemas/example_lineups/*.json",
        "ballgauge_service/motion/lineup/assets/*",
        "ballgauge_schemas/example_lots/*.csv",
        "ballgauge_service/rulebooks/*.toml",
        "ballgauge_service/record/label_dictionary.txt",
        "ballgauge_service/pages/templates/*.html",
        "ballgauge_service/pages/static/*",
        "ballgauge_service/pages/translations/*.po",
    ],
)
def test_the_data_that_programs_read_is_in_it(wheel: zipfile.ZipFile, pattern: str) -> None:
    """Git's list could lack these too; the programs would not run without."""
    assert any(Path(name).match(pattern) for name in wheel.namelist())


def test_the_record_tells_the_truth(wheel: zipfile.ZipFile) -> None:
    """Every file but itself with its hash and size, as the standard of wheels has it (PEP 427)."""
    name = next(name for name in wheel.namelist() if name.endswith("/RECORD"))
    rows = list(csv.reader(io.StringIO(wheel.read(name).decode())))
    assert {row[0] for row in rows} == set(wheel.namelist())
    for path, told, size in rows:
        if path != name:
            data = wheel.read(path)
            digest = urlsafe_b64encode(hashlib.sha256(data).digest()).rstrip(b"=").decode()
            assert told == f"sha256={digest}"
            assert int(size) == len(data)


def test_the_metadata_says_what_pyproject_says(wheel: zipfile.ZipFile) -> None:
    import tomllib

    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    name = next(name for name in wheel.namelist() if name.endswith("/METADATA"))
    told = email.message_from_bytes(wheel.read(name))
    assert told["Name"] == project["name"]
    assert told["Version"] == project["version"] == ballgauge.__version__
    assert told["License-Expression"] == project["license"]
    assert told["Requires-Python"] == project["requires-python"]
    assert set(told.get_all("Provides-Extra") or ()) == set(project["optional-dependencies"])
    bare = [one for one in told.get_all("Requires-Dist") or () if "extra ==" not in one]
    assert len(bare) == len(project["dependencies"])


def test_it_holds_no_secret_and_no_path_of_the_builder(
    wheel: zipfile.ZipFile, wheels: tuple[Path, Path]
) -> None:
    for name in wheel.namelist():
        data = wheel.read(name)
        assert b"PRIVATE KEY" not in data, name
        assert str(wheels[0].parent.parent).encode() not in data, name
