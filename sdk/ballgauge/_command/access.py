"""The command `access`: makes, lists and revokes the keys by which a service knows who may ask."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, date, datetime
from typing import Any

import click

from ballgauge import _engine
from ballgauge._command import paper
from ballgauge_schemas.shared.access import SCOPES

_FILE = click.option(
    "--file",
    "path",
    envvar="BALLGAUGE_ACCESS_KEYS",
    show_envvar=True,
    required=True,
    type=click.Path(dir_okay=False),
    metavar="FILE",
    help="The file of access keys.",
)


@click.group()
def access() -> None:
    """Make, list and revoke access keys: they say who may ask a service, and for what.

    The keys that sign records are others; `ballgauge key` makes those.

    \b
    Examples:
      ballgauge access add shop-7 --file access.toml --scope check --until 2027-06-30
      ballgauge access list --file access.toml
      ballgauge access revoke shop-7 --file access.toml
      ballgauge serve --host 0.0.0.0 --access-keys access.toml
    """


@access.command()
@click.argument("name", metavar="ID")
@_FILE
@click.option(
    "--scope",
    "scopes",
    multiple=True,
    required=True,
    type=click.Choice(SCOPES),
    help="What the key is for; may be given several times. check: balls, drillings and rules; lot: lots; "
    "design: designs and motions; sign: signing and printing records; operate: metrics. Any key verifies "
    "records.",
)
@click.option(
    "--until",
    required=True,
    type=click.DateTime(["%Y-%m-%d"]),
    metavar="DATE",
    help="Its last day (UTC): 2027-06-30.",
)
def add(name: str, path: str, scopes: tuple[str, ...], until: datetime) -> int:
    """Make an access key for ID and print it once. FILE keeps only its hash, and is created if need be.

    A running service takes the change up within seconds.
    """
    if until.date() < _today():
        raise click.BadParameter("must not be in the past", param_hint="--until")
    with _faults() as keys:
        made = keys.add(path, name, list(scopes), until.date())
    click.echo(made)
    told = f"{path} knows {name} until {until.date()}, for {', '.join(dict.fromkeys(scopes))}."
    click.echo(f"{told} Keep the key now: it is not shown again.", err=True)
    return 0


@access.command("list")
@_FILE
def show(path: str) -> int:
    """List the keys in FILE by id; the keys themselves are not stored there."""
    with _faults() as keys:
        known = keys.read(path)
    page = paper.choose()
    page.table(
        ("id", "scopes", "until", "state"),
        [(key.id, _scopes(key.scopes), str(key.until), _state(key.until)) for key in known.values()],
    )
    if not known:
        page.notes([f"{path} holds no key."])
    return 0


@access.command()
@click.argument("name", metavar="ID")
@_FILE
def revoke(name: str, path: str) -> int:
    """Take the key ID out of FILE. A running service takes the change up within seconds."""
    with _faults() as keys:
        left = keys.revoke(path, name)
    click.echo(f"Revoked {name}; {path} has {len(left)} left.", err=True)
    return 0


def _scopes(scopes: frozenset[str]) -> str:
    return ", ".join(scope for scope in SCOPES if scope in scopes)


def _state(until: date) -> str:
    return "valid" if until >= _today() else "ended"


def _today() -> date:
    return datetime.now(UTC).date()


@contextmanager
def _faults() -> Iterator[Any]:
    """Give what reads and writes the file; its faults end the command."""
    keys = _engine.access_keys()
    try:
        yield keys
    except keys.BadAccessKeys as bad:
        raise click.ClickException(str(bad)) from None


def serving_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add to `serve` the options that say who may ask, and how much."""
    for option in reversed((
        click.option("--access-keys", type=click.Path(dir_okay=False), metavar="FILE",
                     help="Ask for the access keys of this file (BALLGAUGE_ACCESS_KEYS)."),
        click.option("--open-to-anyone", is_flag=True, envvar="BALLGAUGE_OPEN_TO_ANYONE",
                     help="Serve other machines without access keys (BALLGAUGE_OPEN_TO_ANYONE)."),
        click.option("--requests-per-minute", type=click.IntRange(0), metavar="N",
                     help="Limit for each key, or each address without keys (BALLGAUGE_REQUESTS_PER_MINUTE); "
                     "0, as without, sets none. A large body counts as several requests."),
        click.option("--trusted-proxies", type=click.IntRange(0), metavar="N",
                     help="Reverse proxies in front whose X-Forwarded-For is believed "
                     "(BALLGAUGE_TRUSTED_PROXIES)."),
        click.option("--rulebooks", type=click.Path(file_okay=False), metavar="DIR",
                     help="Rulebooks and overlays (TOML) beside the shipped ones (BALLGAUGE_RULEBOOKS)."),
        click.option("--approved-list", type=click.Path(dir_okay=False), metavar="CSV",
                     help="The governing body's approved list: brand, model, approved_on, withdrawn_on, "
                     "made_from, made_to (BALLGAUGE_APPROVED_LIST)."),
        click.option("--cors-origin", "cors_origins", multiple=True, metavar="ORIGIN",
                     help="Origin whose pages may call, such as https://shop.example; may be given several "
                     "times (BALLGAUGE_CORS_ORIGINS)."),
    )):  # fmt: skip
        command = option(command)
    return command


_PATHS = ("access_keys", "rulebooks", "approved_list")


def settings(host: str, workers: int, given: Mapping[str, Any]) -> Any:
    """The settings of a server: those of the environment, and before them the options given.

    Ends the command where they cannot be used, or where other machines could ask without a key.
    """
    serving = _engine.serving()
    paths = {name: given[name] and os.path.abspath(given[name]) for name in _PATHS}
    named = {**given, **paths, "processes": workers}
    del named["open_to_anyone"]
    try:
        read = serving.Settings.from_environment()
        found = replace(read, **{name: value for name, value in named.items() if value not in (None, ())})
        serving.require_guarded(host, found, open_to_anyone=given["open_to_anyone"])
    except serving.BadSettings as bad:
        raise click.ClickException(str(bad)) from None
    return found
