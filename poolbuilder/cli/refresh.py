"""``poolbuilder refresh`` and ``poolbuilder compare``: the seasonal run, and what changed."""

from __future__ import annotations

import datetime
import json
import os
from pathlib import Path
from typing import TYPE_CHECKING

import click

from poolbuilder.cli.options import day, format_option
from poolbuilder.cli.output import emit, say
from poolbuilder.cli.store import progress_line
from poolbuilder.compare import QUESTIONS

if TYPE_CHECKING:
    from poolbuilder.refresh import SeasonalRun

__all__ = ["compare", "refresh"]

fail_on_option = click.option(
    "--fail-on",
    "questions",
    multiple=True,
    type=click.Choice(QUESTIONS),
    help="End with exit code 4 when this is found; repeatable.",
)


def questions_of(
    _context: click.Context, _parameter: click.Parameter, values: tuple[str, ...]
) -> tuple[str, ...]:
    """Kinds of change and of news, in one list or several."""
    known = (*QUESTIONS, "new-in-water", "new-near", "more-records", "disputed")
    words = [word.strip() for word in ",".join(values).split(",") if word.strip()]
    if wrong := [word for word in words if word not in known]:
        raise click.BadParameter(f"{wrong[0]!r} is none of {', '.join(known)}")
    return tuple(dict.fromkeys(words))


@click.command()
@click.argument("plan", type=click.Path(path_type=Path), metavar="PLAN.toml")
@click.option(
    "--service-url",
    envvar="POOLBUILDER_SERVICE_URL",
    help="Occurrence service in place of the plan's. [env: POOLBUILDER_SERVICE_URL]",
)
@click.option("--offline", is_flag=True, help="Ask nobody; build from what the store holds.")
@click.option(
    "--as-of",
    type=day,
    metavar="DATE",
    help="The day that counts as today and names the run. [default: today]",
)
@click.option(
    "--fail-on",
    "questions",
    multiple=True,
    metavar="KIND[,KIND]",
    callback=questions_of,
    help=f"End with exit code 4 when this is found: {', '.join(QUESTIONS)}; of introduced species "
    "new-in-water, new-near, more-records, disputed. Several, or repeated.",
)
@click.option(
    "--since-last",
    is_flag=True,
    expose_value=False,
    help="Compare with the last run of the plan, as refresh always does.",
)
@click.option("--quiet", is_flag=True, help="Print only what changed or failed; nothing when nothing did.")
@click.option(
    "--workers", type=click.IntRange(1), default=1, show_default=True, help="Processes on this machine."
)
@click.option(
    "--prune-days",
    type=click.IntRange(1),
    metavar="N",
    help="Afterwards remove runs older than N days, never what a younger run refers to.",
)
@format_option("table", "json")
def refresh(
    plan: Path,
    service_url: str | None,
    offline: bool,
    as_of: datetime.date | None,
    questions: tuple[str, ...],
    quiet: bool,
    workers: int,
    prune_days: int | None,
    shape: str,
) -> None:
    """Refresh the pools of many waters, and say what changed and why.

    Fetches what is new, builds every pool, compares it with the last run, and writes a
    dated folder with summary.json and summary.html; `latest` points to it. Running it
    twice changes nothing. A water that fails stops no other; the exit code is then 3.
    """
    from poolbuilder.records.service.client import Client
    from poolbuilder.refresh import read_plan
    from poolbuilder.refresh import refresh as run_plan
    from poolbuilder.refresh.runs import Runs
    from poolbuilder.words.season_words import changed_lines, summary_lines

    what = read_plan(plan).with_service(service_url)
    now = datetime.datetime.now().astimezone()
    if as_of is not None:
        now = datetime.datetime.combine(as_of, datetime.time(12), now.tzinfo)
    with Client(what.service_url, settings=what.settings, offline=offline) as client:
        progress = (lambda *_: None) if quiet else progress_line
        run = run_plan(what, client, now=now, workers=workers, progress=progress)
    if prune_days is not None:
        Runs(what.out).prune(now.date() - datetime.timedelta(days=prune_days))
    document = json.loads((run.folder / "summary.json").read_text(encoding="utf-8"))
    if quiet:
        say(changed_lines(document))
    else:
        emit(shape, lines=lambda: summary_lines(document), document=lambda: document)
        click.echo(f"wrote {os.fspath(run.folder)} (open summary.html in a browser)", err=True)
    _end(run, questions, quiet=quiet)


def _end(run: SeasonalRun, questions: tuple[str, ...], *, quiet: bool) -> None:
    """Say what was asked about and what is missing, and leave with their exit code."""
    found = run.found(questions)
    for line in () if quiet else found:
        click.echo(f"found: {line}", err=True)
    if run.missing and not quiet:
        click.echo(f"not refreshed: {', '.join(run.missing)}", err=True)
    if found or run.missing:
        click.get_current_context().exit(4 if found else 3)


@click.command()
@click.argument("old", type=click.Path(path_type=Path))
@click.argument("new", type=click.Path(path_type=Path))
@fail_on_option
@format_option("table", "json")
def compare(old: Path, new: Path, questions: tuple[str, ...], shape: str) -> None:
    """Say what changed between two pool folders of one water, and why.

    Each species that was gained, lost or moved is shown with its causes; they add up to
    its whole change in log-odds.
    """
    from poolbuilder.compare import compare as compare_pools
    from poolbuilder.folder import read_pool
    from poolbuilder.words.season_words import comparison_lines

    result = compare_pools(read_pool(old), read_pool(new))
    emit(shape, lines=lambda: comparison_lines(result), document=result.as_dict)
    found = [f"{question}: {', '.join(names)}" for question in questions if (names := result.found(question))]
    for line in found:
        click.echo(f"found: {line}", err=True)
    if found:
        click.get_current_context().exit(4)
