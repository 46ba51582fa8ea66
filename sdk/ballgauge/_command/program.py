"""The groups and commands, their help, and what their exit codes mean."""

from __future__ import annotations

import errno
import io
import json
import math
import os
import sys
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from functools import partial, wraps
from importlib.resources import files as resources
from pathlib import Path
from typing import Any, BinaryIO, TextIO

import click

from ballgauge import (
    AccessRefused,
    BallgaugeError,
    Client,
    InvalidRequest,
    Problem,
    RateLimited,
    _check,
    _engine,
    _files,
    _lot,
    _motion,
)
from ballgauge._command import (
    access,
    designs,
    fields,
    lineups,
    lots,
    motions,
    paper,
    report,
    requests_in,
    rule_files,
    several,
)
from ballgauge._command import verify as records
from ballgauge_schemas.shared import words
from ballgauge_schemas.shared.text import utf8

CONFORMING, NOT_CONFORMING, BAD_INPUT, UNREACHABLE = range(4)
UNFORESEEN = 70
"""As EX_SOFTWARE of sysexits.h: says nothing of a ball."""
_INTERRUPTED = 130
_LONGEST_TIMEOUT = 86_400.0
"""Seconds (ours)."""
_PATIENCE = 4.0
"""Seconds after which the command says why it is slow (ours)."""
_PIPE_CLOSED = 141
_KEY, _QUIET = "ballgauge.key", "ballgauge.quiet"
"""Names of what the options keep in the context of a command."""

FIRST_EXAMPLE = "drilled"
EXAMPLE_LOT = "lot"

_EXIT_CODES = """\b
Exit codes:
  0  conforming, or the numbers asked for
  1  nonconforming, inconclusive or not_assessed
  2  bad input; every bad field is listed
  3  the service cannot be reached, failed, or asks for an access key or to wait
  70 the output cannot be written, or a failure that was not foreseen
"""


def run(arguments: list[str] | None = None) -> int:
    """Run the command; give its exit code."""
    for stream in (sys.stdout, sys.stderr):
        # What a code page cannot hold is replaced: no report ends half way for want of a sign.
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    try:
        code = program.main(arguments, prog_name="ballgauge", standalone_mode=False)
    except click.exceptions.Exit as leave:
        return leave.exit_code
    except Exception as error:  # noqa: BLE001 - whatever it is, its exit code says nothing of a ball
        given = sys.argv[1:] if arguments is None else arguments
        if _wants_json(given) and not isinstance(error, _OutputError):
            click.echo(json.dumps(_problem(error).to_dict(), ensure_ascii=False))
        return _told(error)
    except KeyboardInterrupt:
        return _INTERRUPTED
    return code if isinstance(code, int) else CONFORMING


def _told(error: Exception) -> int:
    """Say what went wrong; give the exit code."""
    if isinstance(error, click.Abort):
        return _INTERRUPTED
    if isinstance(error, click.ClickException):
        error.show()
        return BAD_INPUT
    if isinstance(error, (InvalidRequest, AccessRefused, RateLimited)):
        _show_problem(error.problem)
        return UNREACHABLE if isinstance(error, (AccessRefused, RateLimited)) else BAD_INPUT
    if isinstance(error, BallgaugeError):
        click.echo(f"ballgauge: {paper.clean_lines(str(error))}", err=True)
        return UNREACHABLE
    if isinstance(error, _OutputError):
        # What is still buffered has nowhere to go; without this the interpreter complains at its end.
        with suppress(OSError, ValueError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        if error.errno == errno.EPIPE:
            return _PIPE_CLOSED
        click.echo(f"ballgauge: the output cannot be written: {error.strerror}", err=True)
        return UNFORESEEN
    words = paper.clean(f"{type(error).__name__}: {error}".partition("\n")[0])
    click.echo(f"ballgauge: unforeseen, please report it: {words}", err=True)
    return UNFORESEEN


def _wants_json(arguments: Sequence[str]) -> bool:
    return (
        "--json" in arguments or "--format=json" in arguments or " --format json" in f" {' '.join(arguments)}"
    )


def _problem(error: Exception) -> Problem:
    """What went wrong as problem details, for programs: those of the service, or ours without a status."""
    told: Problem | None = getattr(error, "problem", None)
    if told is not None:
        return told
    if isinstance(error, click.ClickException):
        return Problem(0, "The command was not understood", error.format_message(), None, ())
    if isinstance(error, BallgaugeError):
        return Problem(0, type(error).__name__, str(error), None, ())
    return Problem(0, "Unforeseen", f"{type(error).__name__}: {error}", None, ())


def _show_problem(problem: Problem) -> None:
    click.echo(f"ballgauge: {paper.clean_lines(problem.detail)}", err=True)
    for error in problem.errors:
        click.echo(paper.clean_lines(f"  {error.pointer or '(the whole body)'}: {error.detail}"), err=True)


class _Seconds(click.FloatRange):
    """More than 0, and a day at most."""

    def __init__(self) -> None:
        super().__init__(0, _LONGEST_TIMEOUT, min_open=True)

    def convert(self, value: Any, param: click.Parameter | None, context: click.Context | None) -> Any:
        found = super().convert(value, param, context)
        if math.isnan(found):
            self.fail(f"{value!r} is no number of seconds.", param, context)
        return found


@dataclass(frozen=True)
class _Service:
    """Who answers, and how an answer is written: what the options beside a command say of both."""

    url: str | None
    timeout: float
    as_json: bool
    scheduler: str | None = None
    approved_list: str | None = None

    def client(self) -> Client:
        """Its client."""
        if self.url is not None and self.scheduler is not None:
            raise click.BadParameter("the service at --url has its own", param_hint="--scheduler")
        if self.url is None:
            try:
                return Client.embedded(scheduler=self.scheduler, approved_list=self.approved_list)
            except ValueError as error:
                raise click.ClickException(str(error)) from None
        try:
            return Client(self.url, timeout=self.timeout, key=click.get_current_context().meta.get(_KEY))
        except ValueError as error:
            raise click.BadParameter(str(error), param_hint="--url or --key") from None

    def approved_rows(self) -> list[Mapping[str, Any]] | None:
        """The approved list, where it goes with the request: an engine in here is given its file."""
        if not self.approved_list or not self.url:
            return None
        return requests_in.approved_rows(self.approved_list)

    def form(self, form: str | None) -> str:
        """How an answer is written; `_QUIET` goes before all."""
        if click.get_current_context().meta.get(_QUIET):
            return several.QUIET
        return "json" if self.as_json else form or "table"

    def show(
        self, answer: bytes | Mapping[str, Any], tell: Callable[[paper.Paper, Mapping[str, Any]], None]
    ) -> Mapping[str, Any]:
        """Write an answer, in words unless JSON is asked for; gives its document."""
        document: Mapping[str, Any] = json.loads(answer) if isinstance(answer, bytes) else answer
        form = self.form(None)
        if form == "json":
            click.echo(answer if isinstance(answer, bytes) else several.plain(answer))
        elif form != several.QUIET:
            tell(paper.choose(), document)
        return document

    @contextmanager
    def patience(self, *, quiet: bool = False) -> Iterator[None]:
        """Say after a while why the first answer on a machine takes long."""
        words = (
            "ballgauge: compiling for this machine; it happens once and takes half a minute to two minutes"
        )
        timer = threading.Timer(_PATIENCE, click.echo, (words,), {"err": True})
        if self.url is None and not quiet and sys.stderr.isatty():
            timer.daemon = True
            timer.start()
        try:
            yield
        finally:
            timer.cancel()


def _connected(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options that say where the service is and what the answer looks like: a `service`."""

    @wraps(command)
    def connected(
        *,
        url: str | None,
        timeout: float,
        as_json: bool,
        scheduler: str | None = None,
        approved_list: str | None = None,
        **given: Any,
    ) -> Any:
        return command(service=_Service(url, timeout, as_json, scheduler, approved_list), **given)

    for option in (
        click.option("--json", "as_json", is_flag=True, help="Print the service's own JSON, for programs."),
        click.option("--timeout", default=30.0, show_default=True, type=_Seconds(),
                     help="Seconds to wait for an answer of the service at --url."),
        click.option("--url", envvar="BALLGAUGE_URL", show_envvar=True, metavar="URL",
                     help="A running service. Without it the engine runs inside this command."),
        click.option("--key", envvar="BALLGAUGE_KEY", show_envvar=True, metavar="KEY", expose_value=False,
                     callback=_keep_key, help="Access key for the service at --url. Other users of this "
                     "machine can see an option, but not a variable."),
        click.option("-q", "--quiet", is_flag=True, expose_value=False, callback=_keep_quiet,
                     help="Print no report; the exit code is the answer."),
    ):  # fmt: skip
        connected = option(connected)
    return connected


_written = partial(click.option, type=click.Path(dir_okay=False), metavar="FILE")
_read = partial(click.option, type=click.Path(exists=True, dir_okay=False), metavar="FILE")
"""Options that name a file to write, and one to read."""


def _files_given(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add what names the files of a command, and how their answers are written."""
    for option in (
        click.option("--format", "form", type=click.Choice(several.FORMATS),
                     help="Output: table (default), json, ndjson (a line for each ball) or csv (a "
                     "line for each finding)."),
        click.argument("files", nargs=-1, required=True, metavar="FILE..."),
    ):  # fmt: skip
        command = option(command)
    return command


def _words(*words: str) -> Callable[..., list[str]]:
    """What completes an option's value in a shell; the service alone says what it takes."""
    return lambda _context, _option, begun: [word for word in words if word.startswith(begun)]


def _keep_quiet(context: click.Context, _option: click.Parameter, quiet: bool) -> None:
    context.meta[_QUIET] = quiet


def _keep_key(context: click.Context, _option: click.Parameter, key: str | None) -> None:
    context.meta[_KEY] = key or None


def _listed(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the option that names an approved list."""
    return click.option(
        "--approved-list",
        type=click.Path(exists=True, dir_okay=False),
        metavar="CSV",
        help="The governing body's approved list (brand, model, approved_on, withdrawn_on, made_from, "
        "made_to) to look each ball's name up on; a list in the request takes precedence.",
    )(command)


def _scheduled(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the option that says who does bulk work."""
    return click.option(
        "--scheduler",
        metavar="ADDRESS",
        help="Dask scheduler whose workers do bulk work, such as tcp://10.0.0.5:8786; without it, threads "
        "do it. The answer is the same. Whoever reaches a scheduler can run code on its workers.",
    )(command)


class _OutputError(Exception):
    """What was to be written to standard output cannot be: its reader has stopped, or the disk is full."""

    def __init__(self, error: OSError) -> None:
        super().__init__(error)
        self.errno, self.strerror = error.errno, error.strerror


_OUTPUT_ENDS = (errno.EPIPE, errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO)


class _Program(click.Group):
    """The command; what it writes is out, or known not to be, when it ends."""

    def invoke(self, context: click.Context) -> Any:
        try:
            found = super().invoke(context)
            sys.stdout.flush()
        except OSError as error:
            if error.errno in _OUTPUT_ENDS:
                raise _OutputError(error) from None
            raise
        return found


@click.group(
    cls=_Program,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110},
    epilog=_EXIT_CODES,
)
@click.version_option(package_name="ballgauge", prog_name="ballgauge")
def program() -> None:
    """Check a ten-pin bowling ball against the published equipment rules.

    \b
    Print an example request, check it, and see why:
      ballgauge example > ball.json
      ballgauge check ball.json

    A result never says that a ball is approved: only the governing body approves.
    """


@program.command(epilog=_EXIT_CODES)
@_files_given
@click.option(
    "--body",
    metavar="BODY",
    help="Rulebook in place of the request's: usbc or ibf.",
    shell_complete=_words(*words.BODIES),
)
@click.option("--on", metavar="DATE", help="Date of use in place of the request's: 2026-05-01.")
@click.option(
    "--stage",
    metavar="STAGE",
    help="approval (as made) or play, in place of the request's.",
    shell_complete=_words(*words.STAGES),
)
@click.option("--all", "everything", is_flag=True, help="Report every rule, hole, number and assumption.")
@click.option(
    "--detail",
    type=click.Choice(words.DETAILS),
    help="How much to answer: full (default), the findings alone, or in brief the rules not met.",
)
@click.option(
    "--also-on",
    multiple=True,
    metavar="DATE",
    help="A further day of use to judge on: the outcome then, and which rules change it; may be repeated.",
)
@rule_files.overlay_option
@_listed
@_connected
def check(
    files: tuple[str, ...],
    form: str | None,
    everything: bool,
    detail: str | None,
    also_on: tuple[str, ...],
    service: _Service,
    **rules: Any,
) -> int:
    """Check a ball: what is not met first, and what mends it.

    FILE holds one request, or {"checks": [...]} with up to 1,000; .ndjson holds any number, a line each; -
    reads standard input, and patterns such as 'balls/*.json' stand for files. With several balls each gets a
    line, and one that is refused does not stop the others. A quantity is a number in the trade's unit, a text
    with a unit ("6.85 kg"), or {"value", "unit", "uncertainty"}.

    \b
    Examples:
      ballgauge check ball.json
      ballgauge check ball.json --body ibf --on 2019-03-01
      echo '{"ball": {"weight": "6.85 kg", "rg": 2.5}}' | ballgauge check -
      ballgauge check ball.json --overlay city_open_2026.toml
      ballgauge check balls.json --also-on 2018-07-31 --also-on 2020-08-01
      ballgauge check balls.json --approved-list list.csv
      ballgauge check balls.json --detail brief --json > results.json
      ballgauge check 'shop/*.json' --format csv > findings.csv
      ballgauge check balls.ndjson --detail brief --format ndjson > results.ndjson
    """
    given = {name: value for name, value in rules.items() if value not in (None, [])}
    rows = service.approved_rows()
    form = service.form(form)
    names = several.expand(files)
    if not several.is_one_document(names) or form in ("ndjson", "csv"):
        options = {"detail": detail, "approved_list": rows}
        options = {name: value for name, value in options.items() if value is not None}

        def lay(request: Any) -> Any:
            request.pop("detail", None)
            return requests_in.lay(request, given, also_on)

        with service.client() as client:
            outcomes = several.tell(several.ask(client, names, "checks", lay, **options), form)
        return _exit_code(outcomes)
    body = requests_in.read(several.contents(names[0]), "checks", given, detail, also_on, rows)
    tell = partial(report.check, everything=everything)
    document = _ask(service, "checks", body, form, tell)
    return _exit_code([result["outcome"] for result in document.get("results", [document])])


@program.command(epilog=_EXIT_CODES)
@_files_given
@_written("--sheet", metavar="PDF", help="Write the sheet for the driller here.")
@click.option("--owner", metavar="NAME", help="Of the sheet: whose ball it is.")
@click.option("--paper", type=click.Choice(words.PAPERS), help="Of the sheet: its size; a4 if not told.")
@click.option("--language", type=click.Choice(words.REPORT_LANGUAGES), help="Of the sheet: its language.")
@click.option("--units", type=click.Choice(words.REPORT_UNITS), help="Of the sheet: its units.")
@_connected
def drill(
    files: tuple[str, ...],
    form: str | None,
    sheet: str | None,
    service: _Service,
    **written: str | None,
) -> int:
    """Compute what drilling does: weight, balance, RGs and axes.

    FILE holds one request with a ball and a drilling, or {"drillings": [...]} with up to 1,000; .ndjson holds
    any number, a line each; - reads standard input, and patterns stand for files.

    \b
    Examples:
      ballgauge drill ball.json
      ballgauge example drilling | ballgauge drill - --json
      ballgauge drill drillings.ndjson --format ndjson > drilled.ndjson
      ballgauge drill ball.json --sheet ball.pdf --owner "J. Doe" --paper letter
    """
    form, names = service.form(form), several.expand(files)
    if sheet is not None:
        if not several.is_one_document(names):
            raise click.UsageError("--sheet is of one ball: give one file")
        asked: Any = {name: value for name, value in written.items() if value is not None}
        asked["check"] = json.loads(requests_in.read(several.contents(names[0]), "drillings", {}))
        with service.client() as client:
            records.write(sheet, client.print_sheet(asked))
        return CONFORMING
    if any(value is not None for value in written.values()):
        raise click.UsageError("--owner, --paper, --language and --units are those of a --sheet")
    if not several.is_one_document(names) or form in ("ndjson", "csv"):
        with service.client() as client:
            outcomes = several.tell(several.ask(client, names, "drillings", lambda asked: asked), form)
        return BAD_INPUT if "refused" in outcomes else CONFORMING
    body = requests_in.read(several.contents(names[0]), "drillings", {})
    _ask(service, "drillings", body, form, report.drilling)
    return CONFORMING


def _exit_code(outcomes: Sequence[str]) -> int:
    if "refused" in outcomes:
        return BAD_INPUT
    return CONFORMING if all(outcome == "conforming" for outcome in outcomes) else NOT_CONFORMING


@program.group(cls=rule_files.Rules, epilog=_EXIT_CODES)
def rules() -> None:
    """List the rules of every rulebook, or of BODY alone; write rules of your own.

    \b
    Examples:
      ballgauge rules
      ballgauge rules usbc --on 2019-03-01
      ballgauge rules diff usbc --from 2018-07-31 --to 2020-08-01
      ballgauge rules new > city_open_2026.toml
      ballgauge rules validate city_open_2026.toml
    """


rules.add_command(rule_files.new)
rules.add_command(rule_files.validate)


@rules.command("list", epilog=_EXIT_CODES)
@click.argument("body", required=False)
@click.option("--on", metavar="DATE", help="Only the rules in force on this date: 2026-05-01.")
@click.option("--overlay", metavar="NAME", help="With this overlay laid over them.")
@_connected
def list_rules(service: _Service, **asked: str | None) -> int:
    """List the rules of every rulebook, or of BODY alone: what `ballgauge rules` does.

    Each with its limits, the dates it is in force, and its basis. Sources, clauses and notes are in the JSON.
    """
    with service.client() as client:
        service.show(client._http.run(_check.rulebooks(**asked)), report.rulebooks)
    return CONFORMING


@rules.command(epilog=_EXIT_CODES)
@click.argument("body")
@click.option("--from", "start", metavar="DATE", required=True, help="First day: 2018-07-31.")
@click.option("--to", "end", metavar="DATE", required=True, help="Second day: 2020-08-01.")
@click.option("--overlay", metavar="NAME", help="With this overlay laid over them.")
@_connected
def diff(body: str, start: str, end: str, overlay: str | None, service: _Service) -> int:
    """Show what BODY's rules change between two days.

    A rule that binds by the day of approval, or of make, changes for balls approved or made on the other day.

    \b
    Examples:
      ballgauge rules diff usbc --from 2018-07-31 --to 2020-08-01
      ballgauge rules diff ibf --overlay australia --from 2018-12-31 --to 2019-01-01 --json
    """
    with service.client() as client:
        found = client._http.run(_check.rule_changes(body, start, end, overlay))
    service.show(found, report.rule_changes)
    return CONFORMING


_LOT = (
    click.option("--lot-size", "sampling__lot_size", type=int, metavar="N",
                 help="Balls in the lot; the rows are then a sample of it."),
    click.option("--plan", "sampling__plan__kind",
                 type=click.Choice(words.PLAN_KINDS),
                 help="Where the plan comes from: the tables of ISO 2859-1 (as with --aql alone), a plan "
                 "that accepts on zero, or one made from two points."),
    click.option("--aql", "sampling__plan__aql", type=float, metavar="PERCENT",
                 help="Acceptable quality limit, such as 0.65."),
    click.option("--limiting-quality", "sampling__plan__limiting_quality", type=float, metavar="PERCENT",
                 help="Quality the plan keeps out."),
    click.option("--level", "sampling__plan__level", metavar="LEVEL",
                 help="Inspection level: I, II (default), III, S-1 to S-4."),
    click.option("--inspection", "sampling__plan__inspection", metavar="WORD",
                 help="normal (default), tightened or reduced."),
    click.option("--measured", "scope", flag_value="measured", default=None,
                 help="Judge the lot only by the rules on what the file measures."),
    click.option("--body", "rules__body", metavar="BODY", help="Rulebook: usbc or ibf."),
    click.option("--on", "rules__on", metavar="DATE", help="Date of use: 2026-05-01."),
    click.option("--stage", "rules__stage", metavar="STAGE",
                 help="approval (balls as made; default) or play."),
    click.option("--guarded", "decision__risk", type=float, metavar="RISK",
                 help="Decide by the uncertainties, with this risk of error."),
    click.option("--confidence", type=float, metavar="PART", help="Confidence of bounds, such as 0.95."),
    click.option("--seed", "draw__seed", type=int, metavar="N",
                 help="Draw the plan's sample from the file's serials."),
    click.option("--draw", "draw__sample_size", type=int, metavar="N",
                 help="Balls to draw, in place of the plan's sample."),
    click.option("--sample-seed", "sampling__seed", type=int, metavar="N",
                 help="Seed by which the plan's sample is drawn from more balls than it asks for."),
    click.option("--every-ball", "sampling__rows", flag_value="every_ball", default=None,
                 help="The rows are every ball of the lot."),
    click.option("--history", type=click.File("rb"), metavar="JSON",
                 help="The last lot's answer (--json), or its sampling.state: severity follows the series."),
    click.option("--identity", type=click.File("rb"), metavar="JSON",
                 help="File with what the lot is: supplier, model, lot, order, inspected_on, gauges, ..."),
    click.option("--mapping", type=click.File("rb"), metavar="JSON",
                 help="File of headings to field names."),
    click.option("--options", type=click.File("rb"), metavar="JSON",
                 help="File with all options of a request."),
    click.option("--format", "file__format", metavar="WORD", help="csv, ndjson, xlsx or parquet."),
    click.option("--encoding", "file__encoding", metavar="NAME", help="Encoding of a text file: cp1252."),
    click.option("--separator", "file__separator", metavar="MARK", help="Mark between CSV cells: ; or tab."),
    click.option("--decimal", "file__decimal", metavar="MARK", help="Decimal mark: , or a point."),
    click.option("--sheet", "file__sheet", metavar="NAME", help="Sheet of a workbook."),
    click.option("--header-row", "file__header_row", type=int, metavar="N", help="Row of the headings."),
    click.option("--dates", "file__dates", metavar="ORDER", help="day_first or month_first: 03/04/2024."),
    click.option("--readings", "file__readings", metavar="WORD",
                 help="mean: a ball has the mean of its columns hardness 1, hardness 2, ..."),
    click.option("--unknown-columns", "file__unknown_columns", metavar="WORD",
                 help="ignore (default; the report names them) or refuse."),
    click.option("--ignore-row", "file__rows_ignored", type=int, multiple=True, metavar="N",
                 help="A row of the file that is not a ball; may be repeated."),
    click.option("--judge-row", "file__rows_judged", type=int, multiple=True, metavar="N",
                 help="A row that is a ball though it does not look like one; may be repeated."),
)  # fmt: skip
"""Options of a lot's request; two underlines stand between a member and one of its own."""


def _lot_options(command: Callable[..., Any]) -> Callable[..., Any]:
    for option in reversed(_LOT):
        command = option(command)
    return command


@program.command(epilog=_EXIT_CODES)
@click.argument("files", nargs=-1, required=True, type=click.Path(exists=True, dir_okay=False))
@_lot_options
@_written("--report", "report_file", help="Write the report here: .html or .pdf.")
@_written("--sign", "signed_file", help="Sign the decision, into FILE.")
@click.option("--issued-on", metavar="DAY", help="Date of the signed record; today without it.")
@click.option("--language", "report__language", metavar="CODE", help="The report's language: en or de.")
@click.option("--units", "report__units", metavar="KIND", help="The report's units: trade or metric.")
@click.option("--paper", "report__paper", metavar="SIZE", help="The report's pages: a4 or letter.")
@_written("--rows", help="Write every ball here: .csv, .ndjson or .parquet.")
@click.option("--progress", is_flag=True, help="Show how far it is, on standard error.")
@_scheduled
@_listed
@_connected
def lot(
    files: tuple[str, ...],
    service: _Service,
    report_file: str | None,
    signed_file: str | None,
    issued_on: str | None,
    rows: str | None,
    progress: bool,
    options: BinaryIO | None,
    mapping: BinaryIO | None,
    history: BinaryIO | None,
    identity: BinaryIO | None,
    **given: Any,
) -> int:
    """Judge a lot from the measurements of its balls: accepted or not, the risk, and what failed.

    FILE is CSV, NDJSON, XLSX or Parquet with a ball a row. Its columns are the fields of a ball, "weight",
    "hardness", "serial", perhaps with a unit: "diameter [mm]", or common words for them in English, German,
    Spanish and French; --mapping renames others: {"Netto": "weight [kg]", "Remarks": null}. Several FILEs are
    lots of one model in time order: their drift is charted. A row that cannot be read as a ball is left out
    and counts against the lot; rows of means and totals are set apart. The report says what was found.

    \b
    Examples:
      ballgauge lot lot.csv --lot-size 1000 --aql 1.0 --report lot.pdf
      ballgauge lot lot.xlsx --measured --mapping map.json --rows balls.csv
      ballgauge lot lot.parquet --lot-size 5000 --plan two_point --aql 0.65 --limiting-quality 4
      ballgauge lot lot.csv --lot-size 1000 --aql 1.0 --guarded 0.05 --options uncertainties.json
      ballgauge lot delivery.csv --seed 7 --draw 80 --json
      ballgauge lot may.csv june.csv july.csv --measured --report drift.html
    """
    if given["decision__risk"] is not None:
        given["decision__rule"] = "guarded"
    asked: Any = lots.request(options, {"file__mapping": mapping, "lot": identity, "history": history}, given)
    approved = service.approved_rows()
    if approved is not None and isinstance(asked.setdefault("rules", {}), dict):
        asked["rules"].setdefault("approved_list", approved)
    with service.client() as client, paper.progress(progress, "judging") as tell:
        try:
            if signed_file is not None and len(files) > 1:
                raise click.UsageError("--sign takes one file")
            if signed_file is not None:
                _files.require_place(signed_file)
            by_path = client._http.transport.reads_paths
            steps = _lot.documents(list(files), asked, report_file, rows, tell, by_path=by_path)
            document, _ = client._http.run(steps)
            if signed_file is not None:
                record = client.sign_lot(files[0], asked, issued_on=issued_on).record
                Path(signed_file).write_text(f"{record}\n", encoding="utf-8")
        except (ValueError, OSError) as error:
            raise click.ClickException(str(error)) from None
    service.show(document, lots.tell)
    outcome = document["outcome"] if "lots" in document else document["acceptance"]["outcome"]
    return CONFORMING if outcome == "conforming" else NOT_CONFORMING


@program.command(epilog=designs.EXIT_CODES)
@click.argument("file", type=click.Path(exists=True, dir_okay=False))
@_read("--compare", metavar="FILE2", help="A second design, or drilling, to set beside the first.")
@click.option("--solve", is_flag=True, help="Of what FILE asks, find designs that meet its targets.")
@click.option("--family", is_flag=True, help="Of what FILE asks, the design in other weights.")
@click.option("--set", is_flag=True, help="Of what FILE asks, the variants side by side.")
@click.option("--layout-map", is_flag=True, help="Of what FILE asks, what each layout leaves.")
@click.option("--production", is_flag=True, help="Of what FILE asks, the tolerance study.")
@click.option("--report", metavar="FILE", help="Write the report here: .html or .pdf.")
@click.option("--drawing", metavar="FILE", help="Write the dimensioned drawing here: .svg or .pdf.")
@click.option("--model", metavar="FILE", help="Write the solids here: .3mf, .stl or .step.")
@click.option("--language", metavar="CODE", help="The report's language: en or de.")
@click.option("--units", metavar="KIND", help="The report's units: trade or metric.")
@click.option("--paper", "paper_size", metavar="SIZE", help="The report's pages: a4 or letter.")
@click.option("--map", "map_file", metavar="FILE", help="Write the map of layouts here, drawn as SVG.")
@click.option("--seed", type=int, metavar="N", help="Seed in place of FILE's.")
@click.option("--progress", is_flag=True, help="Show how far it is, on standard error.")
@_scheduled
@_connected
def design(
    file: str,
    compare: str | None,
    report: str | None,
    drawing: str | None,
    model: str | None,
    language: str | None,
    units: str | None,
    paper_size: str | None,
    map_file: str | None,
    seed: int | None,
    progress: bool,
    service: _Service,
    **jobs: bool,
) -> int:
    """Compute a layered design: mass properties, what each solid adds, the rules, and what FILE asks besides.

    FILE holds a design, or a request with a "design", and perhaps a "drilling", "solve", "family", "set",
    "layout_map" and "production"; all that it asks for is done, or only what the options of these names
    select. Mesh files are named relative to FILE's folder.

    \b
    Examples:
      ballgauge example skarn > skarn.json
      ballgauge design skarn.json
      ballgauge example skarn_disc_below > below.json
      ballgauge design skarn.json --compare below.json
      ballgauge example skarn_targets > targets.json
      ballgauge design targets.json --solve --seed 7 --progress
      ballgauge example skarn_set > set.json
      ballgauge design set.json --map layouts.svg
      ballgauge design set.json --report set.pdf --language de --units metric
      ballgauge design targets.json --solve --drawing best.svg --model best.3mf
      ballgauge design skarn.json --json > skarn-result.json
    """
    asked: Any = designs.request(file, compare, [job for job, wanted in jobs.items() if wanted], seed)
    for name, value in (("language", language), ("units", units), ("paper", paper_size)):
        if value is not None:
            asked.setdefault("report", {})[name] = value
    folder = os.path.dirname(os.path.abspath(file))
    with _working(service, progress) as (client, tell):
        try:
            if map_file is not None:
                _files.require_place(map_file)
            document = client.design(
                asked, folder=folder, progress=tell, report=report, drawing=drawing, model=model
            ).raw
        except (ValueError, OSError) as error:
            raise click.ClickException(str(error)) from None
    if map_file is not None:
        designs.write_map(map_file, document)
    service.show(document, designs.tell)
    return CONFORMING if designs.is_sound(document) else NOT_CONFORMING


@program.command(epilog=motions.EXIT_CODES)
@click.argument("file", type=click.File("rb"))
@_written(
    "--picture",
    metavar="PAGE",
    help="Write what FILE asks here: the line map, the squad's lane, or lane and ball; `picture` chooses. "
    "HTML, or of a squad SVG where the name ends with .svg.",
)
@click.option(
    "--shots",
    type=click.File("r", encoding="utf-8-sig"),
    metavar="CSV",
    help="Calibrate the ball's friction by these shots: shot, distance, time, speed, board, release.*.",
)
@_scheduled
@_connected
def motion(
    file: BinaryIO,
    picture: str | None,
    shots: TextIO | None,
    service: _Service,
) -> int:
    """Compute what a ball does on the lane: phases, breakpoint, entry, flare, and what FILE asks besides.

    FILE holds a ball ("ball" by its box numbers and layout, or "drilled" with its drilling), who throws it
    ("bowler" by name, or a "release") and a "lane" (a "pattern" of oil, or a "film" all over); - reads
    standard input. "spread" scatters the deliveries, "line_map" sets the ball beside others, "squad" lets
    bowlers take turns on the lane, "explain" tells which difference to a second ball causes how many boards.
    Boards count from the bowler's own side, in
    a pattern from the right edge.

    \b
    Examples:
      ballgauge example motion > motion.json
      ballgauge motion motion.json --picture motion.html
      ballgauge example motion_explain | ballgauge motion -
      ballgauge example motion_squad | ballgauge motion - --picture lane.svg
      ballgauge example motion_line_map | ballgauge motion - --json > map.json
      ballgauge motion motion.json --shots shots.csv
    """
    asked = utf8(file.read())
    body = asked if shots is None else motions.with_shots(asked, shots.read())
    with service.client() as client, service.patience():
        if picture is not None:
            motions.require_place(picture)
        answer = client._http.run(_motion.sent(body, "application/json")).content
        if picture is not None:
            wanted = _motion.PICTURES["svg" if picture.lower().endswith(".svg") else "html"]
            motions.write(picture, client._http.run(_motion.sent(body, wanted)).content)
    service.show(answer, motions.tell)
    return CONFORMING


@program.command(epilog=motions.EXIT_CODES)
@click.argument("file", type=click.File("rb"))
@_written("--report", help="Write the sheet here: .html, .pdf or .svg.")
@click.option("--language", metavar="CODE", help="The sheet's language: en or de.")
@click.option("--paper", "page", metavar="SIZE", help="The sheet's page: a4 or letter.")
@click.option("--progress", is_flag=True, help="Show how far it is, on standard error.")
@_scheduled
@_connected
def lineup(
    file: BinaryIO,
    report: str | None,
    language: str | None,
    page: str | None,
    progress: bool,
    service: _Service,
) -> int:
    """Set balls beside one another: where each reads, what it covers, for several bowlers and lanes.

    FILE holds "balls" (each by its "box" numbers, "drilled", or a "design"), "bowlers" by name and release,
    and "lanes" with their volumes of oil; - reads standard input. All balls are thrown alike, so that their
    differences to the "reference" are known well; each says what it comes from.

    \b
    Examples:
      ballgauge example lineup > lineup.json
      ballgauge lineup lineup.json
      ballgauge lineup lineup.json --report lineup.pdf --progress
      ballgauge lineup lineup.json --report blatt.html --language de
      ballgauge example lineup | ballgauge lineup - --json > lineup-result.json
    """
    asked: Any = lineups.request(file.read(), {"language": language, "paper": page})
    with _working(service, progress) as (client, tell):
        try:
            document = client.lineup(asked, report=report, progress=tell).raw
        except (ValueError, OSError) as error:
            raise click.ClickException(str(error)) from None
    shown = {name: member for name, member in document.items() if name != "sheets"} if report else document
    service.show(shown, lineups.tell)
    return CONFORMING


@program.command(epilog=records.EXIT_CODES)
@click.argument(
    "files", nargs=-1, required=True, metavar="FILE...", type=click.Path(exists=True, dir_okay=False)
)
@click.option("--on", metavar="DATE", help="Compare with the rules of this day: 2026-05-01.")
@_read("--keys", help="Public keys (a JWK set) of whoever signed; without --url only.")
@_listed
@_connected
def verify(
    files: tuple[str, ...],
    on: str | None,
    keys: str | None,
    service: _Service,
) -> int:
    """Say whether a signed record is genuine and unaltered, and whether the rules have changed since.

    FILE holds the record, a label's text, a picture of the code (PNG, JPEG) or the printed PDF. Each of
    several FILEs gets a line, with its outcome by the rules of --on.

    \b
    Examples:
      ballgauge verify record.pdf --url http://127.0.0.1:8000
      ballgauge verify label.png --keys public-keys.json
      ballgauge verify record.jws --on 2026-05-01 --json
      ballgauge verify records/*.jws --on 2027-08-01
    """
    if keys is not None and service.url is not None:
        raise click.BadParameter("the service at --url has its own keys", param_hint="--keys")
    if service.approved_list is not None and service.url is not None:
        raise click.BadParameter("the service at --url has its own list", param_hint="--approved-list")
    records.use_keys(keys)
    with service.client() as client:
        answers = [records.ask(client._http, file, on, several=len(files) > 1) for file in files]
    if len(files) == 1:
        return records.exit_code(service.show(answers[0], records.report))
    told = records.several(files, answers)
    service.show(told, records.report_several)
    return max(map(records.exit_code, told["records"]))


@program.command(epilog=_EXIT_CODES)
@click.argument("file", type=click.File("rb"))
@click.option("--issued-on", metavar="DAY", help="Date of the record, 2026-05-01; today without it.")
@click.option("--player", metavar="NAME", help="Whose ball it is, for the reader.")
@click.option("--event", metavar="NAME", help="Where the record is used, for the reader.")
@_written("--output", "-o", help="Write the record here.")
@_read("--keys", metavar="JSON", help="Keys to sign with (`ballgauge key`); without --url only.")
@_connected
def sign(
    file: BinaryIO,
    output: str | None,
    keys: str | None,
    service: _Service,
    **told: str | None,
) -> int:
    """Check the ball in FILE and sign the verdict: prints the record, which `verify` and `print` read.

    \b
    Examples:
      ballgauge sign ball.json --keys keys.json --player "J. Doe" > record.jws
      ballgauge sign ball.json --url http://127.0.0.1:8000 --issued-on 2026-05-01 -o record.jws
      ballgauge print record.jws --url http://127.0.0.1:8000 -o record.pdf
    """
    records.require_own_keys(keys, service.url)
    try:
        asked: Any = {"check": requests_in.json_object(file.read())}
    except ValueError as error:
        raise click.BadParameter(f"the file {error}", param_hint="FILE") from None
    asked |= {name: value for name, value in told.items() if value is not None}
    with service.client() as client:
        made = client.sign(asked)
    text = json.dumps(made.to_dict(), ensure_ascii=False) if service.as_json else made.record
    if output is not None:
        records.write(output, f"{text}\n".encode())
    elif not click.get_current_context().meta.get(_QUIET):
        click.echo(text)
    return CONFORMING


@program.command("print", epilog=_EXIT_CODES)
@click.argument("file", type=click.Path(exists=True, dir_okay=False))
@click.option(
    "--form",
    type=click.Choice(words.PRINT_FORMS),
    default="a4",
    show_default=True,
    help="A page or a label (PDF), or the code alone (PNG).",
)
@_written("--output", "-o", help="Write it here.", required=True)
@_read("--keys", metavar="JSON", help="Keys of whoever signed; without --url only.")
@_connected
def print_record(file: str, form: Any, output: str, keys: str | None, service: _Service) -> int:
    """Print the genuine record in FILE as a page, a label, or a code.

    \b
    Examples:
      ballgauge print record.jws --keys keys.json -o record.pdf
      ballgauge print record.jws --form label -o label.pdf --url http://127.0.0.1:8000
    """
    records.require_own_keys(keys, service.url)
    with service.client() as client:
        records.write(output, client.print_record(records.read(file, client._http), form))
    if service.as_json:
        click.echo(json.dumps({"file": output, "form": form}))
    return CONFORMING


@program.command()
@click.argument("kid")
def key(kid: str) -> int:
    """Make a key to sign records with, as a JWK set; KID is its name on every record.

    Keep the file to the service alone, and name it in BALLGAUGE_KEYS_FILE. To rotate, put the new key first
    and keep the old ones without their "d". Others verify with /v1/records/keys.

    \b
    Examples:
      (umask 077; ballgauge key 2026-a > keys.json)
      BALLGAUGE_KEYS_FILE=keys.json ballgauge serve
    """
    try:
        made = json.dumps(_engine.new_signing_key(kid), indent=2)
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="KID") from None
    click.echo(made)
    return CONFORMING


program.add_command(access.access)


def _example_names(_context: click.Context, _option: click.Parameter, begun: str) -> list[str]:
    return [name for name in _examples() if name.startswith(begun)]


def _examples() -> dict[str, tuple[str, str]]:
    """Folder and file of every example, by its name."""
    from ballgauge_schemas.shared.documents import EXAMPLES

    found = [{name: (each.folder, f"{name}.json") for name in each.names()} for each in EXAMPLES]
    found.insert(1, {EXAMPLE_LOT: ("example_lots", "ostrel_tarn_48.csv")})
    return {name: place for places in found for name, place in places.items()}


@program.command("fields")
@click.argument("schema", required=False, shell_complete=lambda *given: fields.names(given[-1]))
@click.option("--json", "as_json", is_flag=True, help="Print JSON, for programs.")
def fields_of(schema: str | None, as_json: bool) -> int:
    """List the fields of a request: unit, range, default, what each means.

    SCHEMA is that of a request or of a part of it, such as Ball, Drilling, Hole, Rules or LotRequest;
    without SCHEMA, the fields of a ball to be checked and the names of all schemas.

    \b
    Examples:
      ballgauge fields
      ballgauge fields Hole
      ballgauge fields LotRequest --json
    """
    found = fields.of(schema)
    if as_json:
        click.echo(json.dumps(found, ensure_ascii=False))
    else:
        fields.tell(paper.choose(), found, schema)
    return CONFORMING


@program.command()
@click.argument("name", required=False, shell_complete=_example_names)
def example(name: str | None) -> int:
    """Print an example request, ready to edit.

    Without NAME, a ball drilled for a right-hander; a wrong NAME lists the right ones.

    \b
    Examples:
      ballgauge example > ball.json
      ballgauge example drilling | ballgauge drill -
      ballgauge example lot > lot.csv
      ballgauge example skarn > skarn.json
      ballgauge example motion > motion.json
    """
    places = _examples()
    if name is not None and name not in places:
        raise click.BadParameter(f"there is no {name!r}; there are {', '.join(places)}", param_hint="NAME")
    text = resources("ballgauge_schemas").joinpath(*places[name or FIRST_EXAMPLE])
    click.echo(text.read_text(encoding="utf-8").rstrip())
    return CONFORMING


@program.command()
@click.argument("chapter", required=False)
def guide(chapter: str | None) -> int:
    """Print a chapter of the guide as Markdown.

    Without CHAPTER, the names and titles of all. A running service has them at /guide.

    \b
    Examples:
      ballgauge guide
      ballgauge guide first-check
      ballgauge guide errors | less
    """
    chapters = _engine.guide()
    if chapter is None:
        titles = {
            name: chapters.source(name).partition("\n")[0].removeprefix("# ") for name in chapters.ORDER
        }
        click.echo("\n".join(f"{name:13}{title}" for name, title in titles.items()))
    elif chapter in chapters.ORDER:
        click.echo(chapters.source(chapter).rstrip())
    else:
        known = ", ".join(chapters.ORDER)
        raise click.BadParameter(f"there is no {chapter!r}; there are {known}", param_hint="CHAPTER")
    return CONFORMING


@program.command()
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option(
    "--port", default=8000, show_default=True, type=click.IntRange(1, 65535), help="Port to listen on."
)
@click.option("--workers", default=1, show_default=True, type=click.IntRange(1, 64), help="Processes.")
@_scheduled
@access.serving_options
def serve(host: str, port: int, workers: int, **given: Any) -> int:
    """Run the service until interrupted.

    The log is JSON on standard error. The interface is described at /docs and /openapi.json. On addresses
    that other machines reach, the service starts only with a file of access keys, or with --open-to-anyone.
    TLS is a proxy's. Further settings are variables BALLGAUGE_...; /guide/operations lists them.

    \b
    Examples:
      ballgauge serve
      ballgauge serve --port 9000 --workers 2
      ballgauge serve --host 0.0.0.0 --access-keys access.toml --requests-per-minute 600
      curl -s http://127.0.0.1:9000/readyz
    """
    try:
        access.settings(host, workers, given).set_environment(os.environ)
        _engine.serving().serve(host, port, workers)
    except OSError as error:
        raise click.ClickException(f"cannot listen on {host}, port {port}: {error.strerror}") from None
    except _engine.serving().BadSettings as bad:
        raise click.ClickException(str(bad)) from None
    return CONFORMING


def _ask(
    service: _Service,
    member: str,
    body: bytes,
    form: str,
    tell: Callable[[paper.Paper, Mapping[str, Any]], None],
) -> Mapping[str, Any]:
    with service.client() as client, service.patience():
        answer = client._http.post(f"/v1/{member}", body)
    return replace(service, as_json=form == "json").show(answer, tell)


@contextmanager
def _working(
    service: _Service, progress: bool
) -> Iterator[tuple[Client, Callable[[float, str], None] | None]]:
    """A client for long work, and what its progress is told to: a share and what is done; None without."""
    with (
        service.client() as client,
        service.patience(quiet=progress),
        paper.progress(progress, "starting") as bar,
    ):
        yield client, bar and (lambda share, doing: bar(share, 1.0, doing))
