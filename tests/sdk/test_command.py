"""The command as a person and as a script use it: the installed program in a process of its own."""

from __future__ import annotations

import copy
import csv
import io
import json
import os
import pty
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import psutil
import pytest
import requests

from ballgauge._command import fields, program, report
from ballgauge_schemas import example_names
from ballgauge_service.pages import guide

PROGRAM = str(Path(sys.executable).with_name("ballgauge"))
WORST_FIRST = ["nonconforming", "inconclusive", "not_assessed", "conforming"]


def run(*arguments: str, given: str | bytes = "", **environment: str) -> subprocess.CompletedProcess[str]:
    done = subprocess.run(
        [PROGRAM, *arguments],
        input=given.encode() if isinstance(given, str) else given,
        capture_output=True,
        env=os.environ | environment,
        timeout=120,
    )
    return subprocess.CompletedProcess(done.args, done.returncode, done.stdout.decode(), done.stderr.decode())


@pytest.fixture
def asked(server: str) -> Callable[..., subprocess.CompletedProcess[str]]:
    """Runs the command against the running server."""

    def ask(*arguments: str, **options: Any) -> subprocess.CompletedProcess[str]:
        return run(*arguments, BALLGAUGE_URL=server, **options)

    ask.url = server  # type: ignore[attr-defined]
    return ask


def made_only(**ball: Any) -> str:
    return json.dumps({"ball": {"weight": 15, **ball}})


def test_the_engine_runs_inside_the_command(drilled: dict[str, Any], server: str) -> None:
    embedded = run("check", "-", "--json", given=json.dumps(drilled))
    over_socket = run("check", "-", "--json", "--url", server, given=json.dumps(drilled))
    assert embedded.stdout == over_socket.stdout
    assert embedded.returncode == over_socket.returncode
    assert embedded.stderr == ""


def test_json_is_the_services_own(asked: Any, server: str, drilled: dict[str, Any]) -> None:
    printed = asked("check", "-", "--json", given=json.dumps(drilled)).stdout
    assert printed == requests.post(f"{server}/v1/checks", json=drilled).text + "\n"


def test_a_brief_report_names_what_is_not_met(asked: Any, drilled: dict[str, Any]) -> None:
    """Against the exit code and the rule broken, one ball and two."""
    drilled["ball"]["weight"] = 17
    one = asked("check", "-", "--detail", "brief", given=json.dumps(drilled))
    assert one.returncode == 1, one.stderr
    assert "weight" in one.stdout
    two = json.dumps({"checks": [drilled] * 2})
    results = json.loads(asked("check", "-", "--detail", "brief", "--json", given=two).stdout)["results"]
    assert ["unmet" in result for result in results] == [True, True]
    assert "nonconforming" in asked("check", "-", "--detail", "brief", given=two).stdout


def test_exit_codes_follow_the_outcome(asked: Any, server: str, drilled: dict[str, Any]) -> None:
    codes = {}
    for weight in (15.2, 17.0):
        drilled["ball"]["weight"] = weight
        done = asked("check", "-", "--json", given=json.dumps(drilled))
        codes[json.loads(done.stdout)["outcome"]] = done.returncode
    assert codes["nonconforming"] == 1
    assert all(code == (outcome != "conforming") for outcome, code in codes.items())


def test_a_sound_ball_exits_with_0(asked: Any, conforming: dict[str, Any]) -> None:
    done = asked("check", "-", given=json.dumps(conforming))
    assert done.stdout.startswith("conforming"), done.stdout
    assert done.returncode == 0
    many = asked("check", "-", given=json.dumps({"checks": [conforming, conforming]}))
    assert many.returncode == 0
    worse = asked("check", "-", given=json.dumps({"checks": [conforming, {"ball": {"weight": 17}}]}))
    assert worse.returncode == 1


def test_findings_come_worst_first(asked: Any, drilled: dict[str, Any]) -> None:
    drilled["ball"]["weight"] = 17
    lines = asked("check", "-", "--all", given=json.dumps(drilled)).stdout.splitlines()
    start = lines.index("Findings") + 2
    counted = [line for line in lines[start : lines.index("", start)] if "(advice only)" not in line]
    outcomes = [line.split()[0] for line in counted]
    assert outcomes[0] == "nonconforming"
    assert [WORST_FIRST.index(outcome) for outcome in outcomes] == sorted(map(WORST_FIRST.index, outcomes))


def test_a_report_into_a_pipe_is_plain(asked: Any, drilled: dict[str, Any]) -> None:
    text = asked("check", "-", "--all", given=json.dumps(drilled)).stdout
    assert "\x1b" not in text
    for part in ("Findings", "Balance, oz", "Drilled ball", "Holes", "Layout, in", "Assumptions"):
        assert part in text, part


def test_a_report_on_a_terminal_has_signs_not_color_alone(server: str, drilled: dict[str, Any]) -> None:
    drilled["ball"]["weight"] = 17
    text = on_terminal(["check", "-", "--url", server], json.dumps(drilled))
    assert "\x1b[" in text
    assert "✘ nonconforming" in text


def on_terminal(arguments: list[str], given: str, columns: int = 120) -> str:
    ours, theirs = pty.openpty()
    environment = os.environ | {
        "TERM": "xterm-256color", "COLUMNS": str(columns), "PYTHONIOENCODING": "utf-8",
    }  # fmt: skip
    with subprocess.Popen(
        [PROGRAM, *arguments], stdin=subprocess.PIPE, stdout=theirs, env=environment
    ) as process:
        os.close(theirs)
        assert process.stdin is not None
        process.stdin.write(given.encode())
        process.stdin.close()
        pieces = []
        while True:
            try:
                piece = os.read(ours, 4096)
            except OSError:
                break
            if not piece:
                break
            pieces.append(piece)
    os.close(ours)
    return b"".join(pieces).decode()


def test_names_cannot_steer_the_terminal(asked: Any) -> None:
    done = asked("check", "-", given=json.dumps({"ball": {"\x1b[31mweight": 15}}))
    assert done.returncode == 2
    assert "\x1b" not in done.stderr


def test_options_go_over_the_request(asked: Any, drilled: dict[str, Any]) -> None:
    options = ("--body", "ibf", "--on", "2019-03-01", "--stage", "approval")
    one = json.loads(asked("check", "-", "--json", *options, given=json.dumps(drilled)).stdout)
    assert (one["rules"]["body"], one["rules"]["on"], one["rules"]["stage"]) == (
        "ibf",
        "2019-03-01",
        "approval",
    )
    many = json.dumps({"checks": [drilled, {"ball": {"weight": 15}}]})
    results = json.loads(asked("check", "-", "--json", "--on", "2019-03-01", given=many).stdout)["results"]
    assert [result["rules"]["on"] for result in results] == ["2019-03-01"] * 2
    assert [result["rules"]["body"] for result in results] == ["usbc"] * 2


@pytest.mark.parametrize("options", [(), ("--on", "2026-05-01")])
@pytest.mark.parametrize(
    ("given", "said"),
    [
        ("", "empty"),
        ('{"ball": ', "line 1, column 10"),
        ('{"ball": {"weight": 15, "weight": 16}}', "/ball/weight"),
        ('{"ball": {"weight": NaN}}', "/ball/weight"),
        ('{"ball": {"weight": "15"}, "drilling": 3}', "/drilling"),
        ("[1]", "(the whole body)"),
        ('{"ball": {"weight": 15}, "rules": 3}', "/rules"),
        (b"\xff", "UTF-8"),
        ("[" * 100_000, "nested too deep"),
    ],
)
def test_bad_input_exits_with_2_and_names_the_field(
    asked: Any, options: tuple[str, ...], given: str | bytes, said: str
) -> None:
    done = asked("check", "-", *options, given=given)
    assert (done.returncode, done.stdout) == (2, "")
    assert said in done.stderr
    assert "Traceback" not in done.stderr


def test_a_date_that_is_none_exits_with_2(asked: Any) -> None:
    done = asked("check", "-", "--on", "2026-02-30", given=made_only())
    assert done.returncode == 2
    assert "/rules/on" in done.stderr


def test_a_file_that_is_not_there_exits_with_2() -> None:
    done = run("check", "no such file.json")
    assert done.returncode == 2
    assert "no such file.json" in done.stderr


def test_a_service_that_is_not_there_exits_with_3() -> None:
    done = run("check", "-", "--url", "http://127.0.0.1:9", given=made_only())
    assert done.returncode == 3
    assert "127.0.0.1:9" in done.stderr
    assert "Traceback" not in done.stderr


def test_an_address_that_is_none_exits_with_2() -> None:
    assert run("check", "-", "--url", "localhost", given=made_only()).returncode == 2


def test_drill(asked: Any, drilled: dict[str, Any]) -> None:
    del drilled["rules"]
    done = asked("drill", "-", given=json.dumps(drilled))
    assert done.returncode == 0
    assert "removed" in done.stdout
    numbers = json.loads(asked("drill", "-", "--json", given=json.dumps(drilled)).stdout)["derived"]
    assert numbers["drilled"]["weight"] < 15.2
    rows = {line.split("  ")[0]: line for line in done.stdout.splitlines()}
    spread = numbers["drilled"]["uncertainty"]
    for name in ("rg", "differential", "intermediate_differential"):
        told = float(rows[name.replace("_", " ")].split(" ± ")[1].split()[0])
        assert told == pytest.approx(spread[name], rel=0.05), "two figures of it"
    assert rows["predicted"].count("±") == 3
    assert f"{numbers['layout']['val_angle']:g} °" in rows["VAL angle"]
    assert f"{numbers['layout']['pin']['right']:+.2f}" in rows["place of the pin, right and up"]
    many = asked("drill", "-", given=json.dumps({"drillings": [drilled, drilled]}))
    assert "Drilling 2" in many.stdout


def test_rules(asked: Any) -> None:
    done = asked("rules", "usbc", "--on", "2019-03-01")
    assert done.returncode == 0
    assert "16 lb" in done.stdout
    assert len(asked("rules").stdout) > len(done.stdout)
    assert json.loads(asked("rules", "ibf", "--json").stdout)["rulebooks"][0]["body"] == "ibf"
    assert asked("rules", "fifa").returncode == 2


def test_a_starting_file_of_rules_is_valid_and_judges(
    asked: Any, tmp_path: Path, conforming: dict[str, Any]
) -> None:
    """`rules new`, `rules validate` and `check --overlay`, one after the other as its first lines say."""
    started = run("rules", "new")
    file = tmp_path / "city_open_2026.toml"
    file.write_text(started.stdout)
    valid = run("rules", "validate", str(file))
    assert (valid.returncode, valid.stderr) == (0, "")
    assert "city_open_2026 over usbc, 2 rules" in valid.stdout
    assert {"# made_on [date]", "# urethane_cover", "# hardness [Shore D]"} <= set(
        started.stdout.splitlines()
    )
    for hardness, code in ((78, 0), (77, 1)):
        conforming["ball"]["hardness"] = hardness
        given = json.dumps(conforming)
        for url in ({}, {"url": True}):
            ask = asked if url else run
            done = ask("check", "-", "--overlay", str(file), "--json", given=given)
            assert done.returncode == code, done.stderr
            assert [each["name"] for each in json.loads(done.stdout)["rules"]["overlays"]] == [
                "city_open_2026"
            ]
    named = asked("check", "-", "--body", "ibf", "--overlay", "japan", "--overlay", "ukraine", "--json",
                  given=given)  # fmt: skip
    assert json.loads(named.stdout)["rules"]["overlay"] == "japan, ukraine"
    many = json.dumps({"checks": [conforming, conforming]})
    results = json.loads(asked("check", "-", "--overlay", str(file), "--json", given=many).stdout)["results"]
    assert [result["rules"]["overlay"] for result in results] == ["city_open_2026"] * 2


def test_a_bad_file_of_rules_is_refused_with_its_lines(asked: Any, tmp_path: Path) -> None:
    bad = tmp_path / "bad.toml"
    bad.write_text(
        'overlay = { name = "bad", base = "usbc" }\n[[rule]]\nid = "a"\nquantity = "hardnes"\n'
        "limit = [{ min = 78 }]\ncolor = 1\n"
    )
    done = run("rules", "validate", str(bad))
    assert (done.returncode, done.stdout) == (2, "")
    assert re.findall(r"bad\.toml:(\d+): (\S+)", done.stderr) == [
        ("4", "/rule/0/quantity"),
        ("6", "/rule/0/color"),
    ]
    asking = asked("check", "-", "--overlay", str(bad), given=made_only())
    assert asking.returncode == 2
    assert "/rules/overlays/0/rule/0/color" in asking.stderr
    bad.write_text("limit = [")
    for command in (("rules", "validate", str(bad)), ("check", "-", "--overlay", str(bad))):
        done = run(*command, given=made_only())
        assert (done.returncode, "Traceback" in done.stderr) == (2, False)
    assert asked("check", "-", "--overlay", "nowhere", given=made_only()).returncode == 2


def test_what_rules_change_between_two_days_is_shown(asked: Any) -> None:
    """USBC took balance holes away on 2020-08-01, and put the balance of balls without on 3 oz in 2018."""
    days = ("--from", "2018-07-31", "--to", "2020-08-01")
    found = json.loads(asked("rules", "diff", "usbc", *days, "--json").stdout)
    changes = {each["rule"]: each for each in found["changes"]}
    assert {"balance_holes", "balance_side", "balance_finger", "unused_gripping_holes"} <= set(changes)
    assert not {"weight", "hardness", "balance_top"} & set(changes)
    (new,) = (row for row in changes["balance_holes"]["after"] if row["limit"]["max"] == 0)
    assert new["effective_from"] == "2020-08-01"
    told = asked("rules", "diff", "usbc", *days)
    assert (told.returncode, "balance holes" in told.stdout) == (0, True)
    same = asked("rules", "diff", "usbc", "--from", "2024-01-01", "--to", "2024-01-02")
    assert "Nothing." in same.stdout
    nation = json.loads(
        asked("rules", "diff", "ibf", "--overlay", "ukraine", "--from", "2020-12-31", "--to", "2021-01-01",
              "--json").stdout
    )  # fmt: skip
    assert "balance_holes" in {each["rule"] for each in nation["changes"]}
    assert asked("rules", "diff", "usbc", "--from", "soon", "--to", "2020-08-01").returncode == 2


def test_what_a_new_season_breaks_of_one_ball_and_of_a_file(asked: Any, conforming: dict[str, Any]) -> None:
    """A ball with a balance hole, on the last day of those and the day after; one without beside it."""
    with_hole = copy.deepcopy(conforming)
    hole = {"role": "balance", "diameter": 1, "depth": 1.5, "at": {"right": 4.5, "up": 0}}
    with_hole["drilling"]["holes"].append(hole)
    for request in (conforming, with_hole):
        request["rules"]["on"] = "2020-07-31"
        request["ball"]["approved_on"] = "2016-03-01"
    options = ("--also-on", "2020-08-01", "--also-on", "2020-07-31")
    one = asked("check", "-", *options, given=json.dumps(with_hole))
    assert "balance holes: nonconforming" in one.stdout
    many = json.dumps({"checks": [with_hole, conforming]})
    results = json.loads(asked("check", "-", *options, "--json", given=many).stdout)["results"]
    broken = [
        [
            (day["on"], "balance_holes" in {each["rule"] for each in day["changes"]})
            for day in result["also_on"]
        ]
        for result in results
    ]
    assert broken == [
        [("2020-08-01", True), ("2020-07-31", False)],
        [("2020-08-01", False), ("2020-07-31", False)],
    ]
    table = asked("check", "-", *options, given=many).stdout
    assert "On other days" in table
    assert asked("check", "-", "--also-on", "soon", given=many).returncode == 2


def test_examples_can_be_checked(asked: Any) -> None:
    for name in example_names():
        text = run("example", name).stdout
        done = asked("drill" if name == "drilling" else "check", "-", given=text)
        assert done.returncode in (0, 1), done.stderr
    assert json.loads(run("example").stdout)["ball"]
    assert run("example", "nothing").returncode == 2


@pytest.mark.parametrize("command", ["check", "drill", "rules", "example", "serve"])
def test_help_teaches_by_example(command: str) -> None:
    text = run(command, "--help").stdout
    assert f"  ballgauge {command}" in text.partition("Examples:")[2]
    if command in ("check", "drill"):
        assert re.search(r"\n *3  ", text)


def test_a_reader_who_stops_early_is_no_error(server: str, drilled: dict[str, Any]) -> None:
    many = json.dumps({"checks": [drilled] * 200})
    with subprocess.Popen(
        [PROGRAM, "check", "-", "--json", "--url", server],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    ) as process:  # fmt: skip
        assert process.stdin is not None
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        process.stdin.write(many.encode())
        process.stdin.close()
        complaint = process.stderr.read()
    assert complaint == b""
    assert process.returncode == 141


def until_it_waits(process: int) -> None:
    """A process that sleeps at every one of several looks has started, and waits for its input."""
    looks = 0
    while looks < 5:
        time.sleep(0.2)
        looks = looks + 1 if psutil.Process(process).status() == psutil.STATUS_SLEEPING else 0


def test_an_interrupt_ends_the_command_quietly() -> None:
    with subprocess.Popen([PROGRAM, "check", "-"], stdin=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        until_it_waits(process.pid)
        process.send_signal(signal.SIGINT)
        assert process.stderr is not None
        complaint = process.stderr.read()
    assert process.returncode == 130
    assert b"Traceback" not in complaint


def test_serve_says_when_the_port_is_taken(server: str) -> None:
    done = run("serve", "--port", server.rpartition(":")[2])
    assert done.returncode == 2
    assert "cannot listen on 127.0.0.1" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("page", ["cp1250", "cp932", "cp437", "ascii"])
@pytest.mark.parametrize("command", ["check", "drill", "rules", "fails"])
def test_every_code_page_gets_the_whole_report(
    asked: Any, conforming: dict[str, Any], page: str, command: str
) -> None:
    """Against the exit code and the number of lines in UTF-8: what cannot be written is replaced."""
    if command == "drill":
        del conforming["rules"]
    given = json.dumps(conforming if command != "fails" else {"ball": {"weight\N{SNOWMAN}": 1}})
    arguments = {"rules": ("rules",), "fails": ("check", "-"), "check": ("check", "-")}.get(
        command, (command, "-")
    )
    found = []
    for encoding in ("utf-8", page):
        environment = os.environ | {"PYTHONIOENCODING": encoding, "BALLGAUGE_URL": asked.url}
        done = subprocess.run([PROGRAM, *arguments], input=given.encode(), capture_output=True,
                              env=environment, timeout=120)  # fmt: skip
        lines = [line for text in (done.stdout, done.stderr) for line in text.splitlines()]
        found.append((done.returncode, len(lines), "Traceback" in str(lines)))
    assert found[0] == found[1]
    assert found[0][0] == (2 if command == "fails" else 0)


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "utf-16-le", "utf-16-be"])
def test_files_as_windows_writes_them_are_read(
    asked: Any, tmp_path: Path, conforming: dict[str, Any], encoding: str
) -> None:
    """Requests, overlays and what a shell's `>` makes of our own output."""
    conforming["ball"]["name"] = "Kugel \N{LATIN SMALL LETTER U WITH DIAERESIS}"
    request, overlay = tmp_path / "ball.json", tmp_path / "city.toml"
    request.write_bytes(json.dumps(conforming, ensure_ascii=False).encode(encoding))
    overlay.write_bytes(run("rules", "new").stdout.encode(encoding))
    for arguments in ((), ("--on", "2026-05-01")):
        assert asked("check", str(request), *arguments).returncode == 0
    assert run("rules", "validate", str(overlay)).returncode == 0
    conforming["ball"]["hardness"] = 77
    request.write_bytes(json.dumps(conforming).encode(encoding))
    assert asked("check", str(request), "--overlay", str(overlay)).returncode == 1


@pytest.mark.parametrize("seconds", ["0", "-1", "nan", "inf", "soon", "1e300"])
def test_a_timeout_out_of_its_range_exits_with_2(asked: Any, seconds: str) -> None:
    done = asked("check", "-", "--timeout", seconds, given=made_only())
    assert (done.returncode, done.stdout) == (2, "")
    assert "--timeout" in done.stderr


def test_a_full_disk_is_told_and_is_no_verdict(server: str) -> None:
    for command in (["check", "-"], ["check", "-", "--json"], ["rules"], ["example"], ["rules", "new"]):
        with open("/dev/full", "wb") as full:
            done = subprocess.run(
                [PROGRAM, *command], input=made_only().encode(), stdout=full, stderr=subprocess.PIPE,
                env=os.environ | {"BALLGAUGE_URL": server}, timeout=120, check=False,
            )  # fmt: skip
        assert done.returncode == 70, command
        assert b"No space left" in done.stderr
        assert b"Traceback" not in done.stderr
        assert len(done.stderr.splitlines()) == 1


def test_what_nobody_foresaw_has_an_exit_code_of_its_own(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    file = tmp_path / "ball.json"
    file.write_text(made_only())

    def breaks(*_: Any, **__: Any) -> None:
        raise RuntimeError("first line\nsecond line")

    monkeypatch.setattr(report, "check", breaks)
    assert program.run(["check", str(file)]) == 70
    told = capsys.readouterr().err
    assert "RuntimeError: first line" in told
    assert len(told.splitlines()) == 1


def test_a_good_ball_fits_one_screen(server: str, conforming: dict[str, Any]) -> None:
    """24 lines of 80 columns; what failed comes first, before what is computed."""
    lines = on_terminal(["check", "-", "--url", server], json.dumps(conforming), 80).splitlines()
    assert len(lines) <= 24
    conforming["ball"]["weight"] = 17
    lines = on_terminal(["check", "-", "--url", server], json.dumps(conforming), 80).splitlines()
    failed = next(number for number, line in enumerate(lines) if "Weight" in line)
    assert failed < 5
    assert failed < next(number for number, line in enumerate(lines) if "rules are met" in line)
    whole = on_terminal(["check", "-", "--all", "--url", server], json.dumps(conforming), 80).splitlines()
    assert len(whole) > 2 * len(lines)


@pytest.fixture
def mixed(tmp_path: Path, conforming: dict[str, Any]) -> Path:
    """A good ball, a heavy one and a bad one, in files, and in lines with one that is not JSON."""
    balls = [
        conforming,
        {**conforming, "ball": {**conforming["ball"], "weight": 17}},
        {"ball": {"weight": 150}},
    ]
    for name, ball in zip("abc", balls, strict=True):
        (tmp_path / f"{name}.json").write_text(json.dumps(ball))
    lines = [json.dumps(ball) for ball in balls]
    (tmp_path / "balls.ndjson").write_text("\n".join([lines[0], "", "{", *lines[1:]]) + "\n")
    (tmp_path / "batch.json").write_text(json.dumps({"checks": balls[:2]}))
    return tmp_path


def test_what_is_bad_of_several_does_not_lose_the_rest(asked: Any, mixed: Path) -> None:
    """Files by pattern, and lines: each has its place, its outcome or its problem."""
    files = asked("check", str(mixed / "[abc].json"), str(mixed / "batch.json"), "--json")
    assert files.returncode == 2
    found = json.loads(files.stdout)["results"]
    assert [(Path(each["file"]).name, each["item"], each.get("outcome")) for each in found] == [
        ("a.json", 1, "conforming"), ("b.json", 1, "nonconforming"), ("c.json", 1, None),
        ("batch.json", 1, "conforming"), ("batch.json", 2, "nonconforming"),
    ]  # fmt: skip
    assert [error["pointer"] for error in found[2]["problem"]["errors"]] == ["/ball/weight"]
    lines = asked("check", str(mixed / "balls.ndjson"), "--format", "ndjson", "--detail", "brief")
    told = [json.loads(line) for line in lines.stdout.splitlines()]
    assert [(each["item"], each.get("outcome")) for each in told] == [
        (1, "conforming"), (3, None), (4, "nonconforming"), (5, None),
    ]  # fmt: skip
    assert told[2]["unmet"][0]["rule"] == "weight"
    table = asked("check", str(mixed / "a.json"), str(mixed / "c.json"))
    assert ("refused" in table.stdout, "/ball/weight" in table.stderr) == (True, True)
    assert asked("check", str(mixed / "a.json"), str(mixed / "batch.json")).returncode == 1
    assert asked("check", str(mixed / "none*.json")).returncode == 2


def test_a_check_as_csv_and_options_over_several(asked: Any, mixed: Path) -> None:
    rows = list(csv.DictReader(io.StringIO(asked("check", str(mixed / "b.json"), "--format", "csv").stdout)))
    weight = next(row for row in rows if row["rule"] == "weight")
    assert (weight["outcome"], weight["finding"], weight["max"]) == ("nonconforming", "nonconforming", "16.0")
    whole = json.loads(asked("check", str(mixed / "b.json"), "--json").stdout)
    assert [row["rule"] for row in rows] == [finding["rule"] for finding in whole["findings"]]
    both = asked("check", str(mixed / "a.json"), str(mixed / "b.json"), "--json", "--body", "ibf")
    assert {each["rules"]["body"] for each in json.loads(both.stdout)["results"]} == {"ibf"}


def test_quiet_answers_by_its_exit_code(asked: Any, mixed: Path) -> None:
    for names, code in ((("a.json",), 0), (("a.json", "b.json"), 1), (("b.json",), 1)):
        done = asked("check", "-q", *(str(mixed / name) for name in names))
        assert (done.returncode, done.stdout, done.stderr) == (code, "", "")


def test_errors_are_problem_documents_where_json_is_asked_for(asked: Any) -> None:
    bad = asked("check", "-", "--json", given=json.dumps({"ball": {"weight": -1}}))
    problem = json.loads(bad.stdout)
    assert (bad.returncode, problem["status"]) == (2, 422)
    assert [error["pointer"] for error in problem["errors"]] == ["/ball/weight"]
    for arguments in (
        ("check", "no such file", "--json"),
        ("rules", "--json", "--timeout", "0"),
        ("check", "-", "--format", "json", "--url", "http://127.0.0.1:9"),
    ):
        done = run(*arguments, given=made_only())
        assert done.returncode in (2, 3)
        assert json.loads(done.stdout)["detail"]
        assert "status" not in json.loads(done.stdout)


def test_fields_are_those_of_the_contract(asked: Any) -> None:
    ball = {each["field"]: each for each in json.loads(run("fields", "--json").stdout)}
    assert (ball["weight"]["kind"], ball["weight"]["range"]) == ("lb", "4 to 20")
    hole = {each["field"]: each for each in json.loads(run("fields", "hole", "--json").stdout)}
    assert hole["pitch_forward"]["default"] == 0
    assert [name for name, each in hole.items() if each["required"]] == ["role", "diameter", "depth"]
    names = run("fields").stdout
    for name in fields.names():
        assert name in names
        assert fields.of(name) is not None
    assert run("fields", "Bal").returncode == 2


def test_the_guide_is_printed_chapter_by_chapter() -> None:
    """Against what the pages are made of."""
    listed = [line.split()[0] for line in run("guide").stdout.splitlines()]
    assert listed == list(guide.ORDER)
    assert run("guide", "errors").stdout == guide.source("errors").rstrip() + "\n"
    assert run("guide", "error").returncode == 2


def test_a_record_is_signed_printed_read_and_verified(tmp_path: Path, conforming: dict[str, Any]) -> None:
    (tmp_path / "ball.json").write_text(json.dumps(conforming))
    (tmp_path / "keys.json").write_text(run("key", "2026-a").stdout)
    (tmp_path / "keys.json").chmod(0o600)
    keys = ("--keys", str(tmp_path / "keys.json"))
    record, page = str(tmp_path / "record.jws"), str(tmp_path / "page.pdf")
    given = ("--player", "J. Doe", "--issued-on", "2026-05-02")
    signed = run("sign", str(tmp_path / "ball.json"), *keys, *given, "-o", record)
    assert (signed.returncode, signed.stdout) == (0, ""), signed.stderr
    assert run("print", record, *keys, "-o", page).returncode == 0
    for file in (record, page):
        told = json.loads(run("verify", file, *keys, "--json").stdout)
        assert (told["state"], told["content"]["player"]) == ("genuine", "J. Doe")


@pytest.mark.parametrize(
    ("words", "completed"),
    [
        ("ballgauge ch", {"check"}),
        ("ballgauge check --body ", {"usbc", "ibf"}),
        ("ballgauge check --stage p", {"play"}),
        ("ballgauge check --format n", {"ndjson"}),
        ("ballgauge example dri", {"drilled", "drilling"}),
        ("ballgauge fields Hol", {"Hole", "HolesSeen"}),
    ],
)
def test_a_shell_completes_words(words: str, completed: set[str]) -> None:
    done = run(_BALLGAUGE_COMPLETE="bash_complete", COMP_WORDS=words, COMP_CWORD=str(words.count(" ")))
    assert completed <= {line.rpartition(",")[2] for line in done.stdout.splitlines()}
