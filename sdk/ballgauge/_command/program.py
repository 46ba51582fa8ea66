"""The groups and commands, their help, and what their exit codes mean."""

from __future__ import annotations

import json
import os
import sys
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from importlib.resources import files
from typing import Any, BinaryIO

import click

from ballgauge import BallgaugeError, Client, InvalidRequest, Problem, __version__, _engine
from ballgauge._command import paper, report, requests_in

CONFORMING, NOT_CONFORMING, BAD_INPUT, UNREACHABLE = range(4)
_INTERRUPTED = 130
_PATIENCE = 4.0
"""Seconds after which the command says why it is slow (ours)."""
_PIPE_CLOSED = 141

FIRST_EXAMPLE = "drilled"

_EXIT_CODES = """\b
Exit codes:
  0  conforming, or the numbers asked for
  1  nonconforming, inconclusive or not_assessed
  2  bad input; every bad field is listed
  3  the service cannot be reached, or failed
"""


def run(arguments: list[str] | None = None) -> int:
    """Run the command; give its exit code."""
    try:
        code = program.main(arguments, prog_name="ballgauge", standalone_mode=False)
    except click.exceptions.Exit as leave:
        return leave.exit_code
    except click.ClickException as error:
        error.show()
        return BAD_INPUT
    except InvalidRequest as error:
        _show_problem(error.problem)
        return BAD_INPUT
    except BallgaugeError as error:
        click.echo(f"ballgauge: {paper.clean_lines(str(error))}", err=True)
        return UNREACHABLE
    except (click.Abort, KeyboardInterrupt):
        return _INTERRUPTED
    except _ReaderGoneError:
        # What is still buffered has nowhere to go; without this the interpreter complains at its end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return _PIPE_CLOSED
    return code if isinstance(code, int) else CONFORMING


def _show_problem(problem: Problem) -> None:
    click.echo(f"ballgauge: {paper.clean_lines(problem.detail)}", err=True)
    for error in problem.errors:
        click.echo(paper.clean_lines(f"  {error.pointer or '(the whole body)'}: {error.detail}"), err=True)


def _connected(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options that say where the service is and what the answer looks like."""
    for option in (
        click.option("--json", "as_json", is_flag=True, help="Print the service's own JSON, for programs."),
        click.option("--timeout", default=30.0, show_default=True, help="Seconds to wait for an answer."),
        click.option("--url", envvar="BALLGAUGE_URL", show_envvar=True, metavar="URL",
                     help="A running service. Without it the engine runs inside this command."),
    ):  # fmt: skip
        command = option(command)
    return command


def _client(url: str | None, timeout: float) -> Client:
    if url is None:
        return Client.embedded()
    try:
        return Client(url, timeout=timeout)
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="--url") from None


@click.group(
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110}, epilog=_EXIT_CODES
)
@click.version_option(__version__, prog_name="ballgauge")
def program() -> None:
    """Check a ten-pin bowling ball against the published equipment rules.

    \b
    Print an example request, check it, and see why:
      ballgauge example > ball.json
      ballgauge check ball.json

    A result never says that a ball is approved: only the governing body approves.
    """


@program.command(epilog=_EXIT_CODES)
@click.argument("file", type=click.File("rb"))
@click.option("--body", metavar="BODY", help="Rulebook in place of the request's: usbc or ibf.")
@click.option("--on", metavar="DATE", help="Date of use in place of the request's: 2026-05-01.")
@click.option("--stage", metavar="STAGE", help="approval (as made) or play, in place of the request's.")
@_connected
def check(file: BinaryIO, url: str | None, timeout: float, as_json: bool, **rules: str | None) -> int:
    """Check a ball: the findings, worst first, and what mends it.

    FILE holds one request, or {"checks": [...]} with up to 1,000; - reads standard input. A quantity is a
    number in the trade's unit, a text with a unit ("6.85 kg"), or {"value", "unit", "uncertainty"}.

    \b
    Examples:
      ballgauge check ball.json
      ballgauge check ball.json --body ibf --on 2019-03-01
      echo '{"ball": {"weight": "6.85 kg", "rg": 2.5}}' | ballgauge check -
      ballgauge check balls.json --json > results.json
    """
    given = {name: value for name, value in rules.items() if value is not None}
    document = _ask(url, timeout, "checks", requests_in.read(file, "checks", given), as_json, report.check)
    results = document.get("results", [document])
    return CONFORMING if all(result["outcome"] == "conforming" for result in results) else NOT_CONFORMING


@program.command(epilog=_EXIT_CODES)
@click.argument("file", type=click.File("rb"))
@_connected
def drill(file: BinaryIO, url: str | None, timeout: float, as_json: bool) -> int:
    """Compute what drilling does: weight, balance, RGs and axes.

    FILE holds one request with a ball and a drilling, or {"drillings": [...]} with up to 1,000; - reads
    standard input.

    \b
    Examples:
      ballgauge drill ball.json
      ballgauge example drilling | ballgauge drill - --json
    """
    _ask(url, timeout, "drillings", requests_in.read(file, "drillings", {}), as_json, report.drilling)
    return CONFORMING


@program.command(epilog=_EXIT_CODES)
@click.argument("body", required=False)
@click.option("--on", metavar="DATE", help="Only the rules in force on this date: 2026-05-01.")
@_connected
def rules(body: str | None, on: str | None, url: str | None, timeout: float, as_json: bool) -> int:
    """List the rules of every rulebook, or of BODY alone.

    Each with its limits, the dates it is in force, and its basis. Sources, clauses and notes are in the JSON.

    \b
    Examples:
      ballgauge rules
      ballgauge rules usbc --on 2019-03-01
      ballgauge rules ibf --json
    """
    with _client(url, timeout) as client:
        _show(client._rulebooks(body, on), as_json, report.rulebooks)
    return CONFORMING


@program.command()
@click.argument("name", required=False)
def example(name: str | None) -> int:
    """Print an example request, ready to edit.

    Without NAME, a ball drilled for a right-hander; a wrong NAME lists the right ones.

    \b
    Examples:
      ballgauge example > ball.json
      ballgauge example drilling | ballgauge drill -
    """
    from ballgauge_schemas import example_names

    names = example_names()
    if name is not None and name not in names:
        raise click.BadParameter(f"there is no {name!r}; there are {', '.join(names)}", param_hint="NAME")
    text = files("ballgauge_schemas").joinpath("examples", f"{name or FIRST_EXAMPLE}.json")
    with _writing():
        click.echo(text.read_text(encoding="utf-8").rstrip())
    return CONFORMING


@program.command()
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option(
    "--port", default=8000, show_default=True, type=click.IntRange(1, 65535), help="Port to listen on."
)
@click.option("--workers", default=1, show_default=True, type=click.IntRange(1, 64), help="Processes.")
def serve(host: str, port: int, workers: int) -> int:
    """Run the service until interrupted.

    The log is JSON on standard error. The interface is described at /docs and /openapi.json. The service has
    no login: listen on other addresses than this machine's only behind something that has.

    \b
    Examples:
      ballgauge serve
      ballgauge serve --port 9000 --workers 2
      curl -s http://127.0.0.1:9000/readyz
    """
    with _engine.required():
        from ballgauge_service.api import server
    try:
        server.serve(host, port, workers)
    except OSError as error:
        raise click.ClickException(f"cannot listen on {host}, port {port}: {error.strerror}") from None
    return CONFORMING


def _ask(
    url: str | None,
    timeout: float,
    member: str,
    body: bytes,
    as_json: bool,
    tell: Callable[[paper.Paper, Mapping[str, Any]], None],
) -> Mapping[str, Any]:
    with _client(url, timeout) as client, _patience(url is None and sys.stderr.isatty()):
        answer = client._send("POST", f"/v1/{member}", body)
    return _show(answer, as_json, tell)


@contextmanager
def _patience(told: bool) -> Iterator[None]:
    """Say after a while why the first answer on a machine takes long."""
    words = "ballgauge: compiling the engine for this machine; it happens once and takes about half a minute"
    timer = threading.Timer(_PATIENCE, click.echo, (words,), {"err": True})
    if told:
        timer.daemon = True
        timer.start()
    try:
        yield
    finally:
        timer.cancel()


def _show(
    answer: bytes, as_json: bool, tell: Callable[[paper.Paper, Mapping[str, Any]], None]
) -> Mapping[str, Any]:
    document: Mapping[str, Any] = json.loads(answer)
    with _writing():
        if as_json:
            click.echo(answer)
        else:
            tell(paper.choose(), document)
    return document


class _ReaderGoneError(Exception):
    """Whoever read standard output has stopped."""


@contextmanager
def _writing() -> Iterator[None]:
    """Write inside; a closed pipe gets its own exit code instead of one that says something of a ball."""
    try:
        yield
        sys.stdout.flush()
    except BrokenPipeError:
        raise _ReaderGoneError from None
