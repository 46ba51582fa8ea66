"""The commands of signed records: `verify` reads one from a file, `key` makes a key to sign with."""

from __future__ import annotations

import io
import json
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import click

from ballgauge import _files, _record
from ballgauge._command import paper
from ballgauge._command.report import limits
from ballgauge._failures import InvalidRequest
from ballgauge._http import Http
from ballgauge_schemas.shared.limits import RECORD_FILE_MAXIMUM
from ballgauge_schemas.shared.text import utf8

EXIT_CODES = """\b
Exit codes:
  0  genuine, and the rules have not changed
  1  altered, unknown key, demonstration key, or the rules have changed since
  2  the file holds no record
  3  the service cannot be reached, failed, or asks for an access key or to wait
"""

_STATES = {
    "genuine": "genuine: signed by the key {kid}, unaltered",
    "altered": "altered: this is not what the key {kid} signed",
    "unknown_key": "unknown key: nothing here can say who signed this (it names {kid})",
}


def read(path: str, http: Http) -> str:
    """Give the record's text in a file; a picture or PDF is read by the service."""
    data = Path(path).read_bytes()
    if len(data) > RECORD_FILE_MAXIMUM:
        raise click.ClickException(f"{path} is larger than {RECORD_FILE_MAXIMUM >> 20} MiB")
    if _record.media_type(data) is not None:
        return http.run(_record.read(data))
    try:
        return utf8(data).decode("utf-8").strip()
    except UnicodeDecodeError:
        raise click.ClickException(f"{path} is neither text, nor a PNG or JPEG picture, nor a PDF") from None


def require_own_keys(path: str | None, url: str | None) -> None:
    """Use the keys of a file. Raises click.BadParameter where a service at `url` has its own."""
    if path is not None and url is not None:
        raise click.BadParameter("the service at --url has its own keys", param_hint="--keys")
    use_keys(path)


def write(path: str, data: bytes) -> None:
    """Write a file. Raises click.ClickException where that cannot be done."""
    try:
        _files.write(path, io.BytesIO(data))
    except OSError as error:
        raise click.ClickException(f"cannot write {path}: {error.strerror}") from None


def use_keys(path: str | None) -> None:
    """Let the engine inside this command verify with the keys of a file."""
    if path is not None:
        os.environ.pop("BALLGAUGE_KEYS", None)
        os.environ["BALLGAUGE_KEYS_FILE"] = path


def report(page: paper.Paper, answer: Mapping[str, Any]) -> None:
    """Report what has become of a record."""
    page.heading(_STATES[answer["state"]].format(kid=answer["kid"] or "no key"))
    content, lot = answer["content"], answer.get("lot")
    if lot is not None:
        _lot(page, answer, lot)
        return
    if content is None:
        page.notes(["Nothing of its content is shown: it cannot be relied on."])
        return
    if answer["demo"]:
        page.notes(["Signed with the demonstration key, which is published: this record proves nothing."])
    page.notes(_told(content))
    recheck = answer["recheck"]
    words = "have changed since" if recheck["rules_changed"] else "have not changed since"
    page.heading(
        f"The rules {words}; judged for {recheck['on']}: {recheck['outcome'] or 'no longer possible'}"
    )
    page.table(
        ("rule", "in the record", "now"),
        [(change["title"], _short(change["then"]), _short(change["now"])) for change in recheck["changes"]],
    )


def _lot(page: paper.Paper, answer: Mapping[str, Any], lot: Mapping[str, Any]) -> None:
    """Report what was signed of a lot."""
    if answer["demo"]:
        page.notes(["Signed with the demonstration key, which is published: this record proves nothing."])
    named = [f"{name}: {text}" for name, text in lot["lot"].items() if isinstance(text, str)]
    file, rules = lot["file"], lot["rules"]
    page.notes(
        [
            f"outcome: {lot['outcome']}",
            f"issued on: {lot['issued_on']}",
            *named,
            f"file: {file['name'] or 'without a name'}, {file['size']} bytes, SHA-256 {file['sha256']}",
            f"rules: {rules['body'].upper()}, {rules['on']}",
            *lot["reasons"],
        ]
    )


def several(files: Sequence[str], answers: Sequence[bytes]) -> dict[str, Any]:
    """The service's answers on several files, each with its name."""
    return {
        "records": [{"file": file, **json.loads(each)} for file, each in zip(files, answers, strict=True)]
    }


def report_several(page: paper.Paper, told: Mapping[str, Any]) -> None:
    """Report what has become of several records, a line each."""
    page.table(
        ("state", "file", "outcome", "now", "on", "what changed"), [_line(each) for each in told["records"]]
    )


def _line(answer: Mapping[str, Any]) -> tuple[str, ...]:
    recheck, state = answer["recheck"], paper.words(answer["state"])
    if answer.get("lot") is not None:
        return state, answer["file"], answer["lot"]["outcome"], "", "", ""
    if recheck is None:
        return state, answer["file"], "", "", "", ""
    now = recheck["outcome"] or "no longer possible"
    changed = "; ".join(change["title"] for change in recheck["changes"])
    return state, answer["file"], answer["content"]["outcome"], now, recheck["on"], changed


def _told(content: Mapping[str, Any]) -> list[str]:
    ball, rules = content["check"]["ball"], content["rules"]
    told = {
        "outcome": content["outcome"],
        "player": content.get("player"),
        "event": content.get("event"),
        "ball": ball.get("name"),
        "serial": ball.get("serial"),
        "date of the record, as stated": content["issued_on"],
        "rules": f"{rules['body'].upper()}, {rules['stage']}, {rules['on']}",
    }
    return [f"{name}: {value}" for name, value in told.items() if value]


def _short(finding: Mapping[str, Any] | None) -> str:
    if finding is None:
        return "no such rule"
    limit = {"min": finding.get("min"), "max": finding.get("max")}
    return ", ".join(filter(None, (finding["outcome"], limits(limit, None))))


def ask(http: Http, path: str, on: str | None, *, several: bool = False) -> bytes:
    """What the service answers of the record in a file, as it is; several: an error names the file."""
    try:
        return http.run(_record.verified(read(path, http), on))
    except InvalidRequest as refused:
        if several:
            raise click.ClickException(f"{path}: {paper.clean_lines(str(refused))}") from None
        raise


def exit_code(answer: Mapping[str, Any]) -> int:
    """Give 0 for a record that can be relied on as it stands, 1 for all else."""
    changed = answer["recheck"] is not None and answer["recheck"]["rules_changed"]
    sound = answer["state"] == "genuine" and not answer["demo"] and not changed
    return 0 if sound else 1
