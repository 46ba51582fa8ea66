"""Rules of one's own: the commands that write and check their files, and the option that names them."""

from __future__ import annotations

import os
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import Any

import click

from ballgauge import _check, _engine
from ballgauge._command import paper

_EXAMPLE = "city_open_2026.toml"


class Rules(click.Group):
    """A group that lists the rules where no other command of it is named."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """See `click.Group`."""
        named = args[:1] and (args[0] in self.commands or args[0] in ctx.help_option_names)
        return super().parse_args(ctx, args if named else ["list", *args])


@click.command()
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
def validate(file: Path) -> None:
    """Say whether FILE, a rulebook or an overlay (TOML), can be used; every fault is listed with its line."""
    found = _engine.rule_files().file_faults(file)
    if isinstance(found, list):
        raise click.ClickException(paper.clean_lines("\n".join(found)))
    over = f"overlay {found.body} over {found.base}" if found.base else f"rulebook of {found.body}"
    click.echo(f"{file}: {over}, {len(found.rules)} rules; nothing is wrong with it.")


@click.command()
def new() -> None:
    """Print a file with comments to start your own rules from."""
    text = files("ballgauge_schemas").joinpath("example_overlays", _EXAMPLE).read_text(encoding="utf-8")
    quantities = _engine.rule_files().quantities.items()
    units = (f"# {name}" + (f" [{unit}]" if unit != "1" else "") for name, unit in quantities)
    click.echo(
        "\n".join(
            (
                text,
                "# Quantities, with the unit of their limits (without one: a count, or 1 for yes):",
                *units,
            )
        )
    )


def _overlay(_context: click.Context, _option: click.Parameter, given: tuple[str, ...]) -> list[Any]:
    return [_read(each) if each.endswith(".toml") else each for each in given]


def _read(path: str) -> dict[str, Any]:
    try:
        return _check.read_overlay(path)
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else error
        raise click.BadParameter(f"{os.path.basename(path)}: {reason}", param_hint="--overlay") from None


def overlay_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the option that lays overlays over the rules."""
    return click.option(
        "--overlay",
        "overlays",
        multiple=True,
        metavar="NAME|FILE",
        callback=_overlay,
        help="Overlay laid over the rules, in place of the request's: the name of one that the service "
        "knows, or a .toml file; may be given several times.",
    )(command)
