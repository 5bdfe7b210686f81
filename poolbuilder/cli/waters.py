"""Commands of many waters: ``many``, ``introduced``, ``refresh``, and ``compare`` for what changed in one."""

from __future__ import annotations

import datetime
import json
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from poolbuilder.cli.options import (
    day,
    format_option,
    layer_options,
    make_job,
    out_option,
    pool_options,
    store_option,
    water_type_option,
)
from poolbuilder.cli.output import emit, say
from poolbuilder.cli.record_store import progress_line
from poolbuilder.compare import QUESTIONS
from poolbuilder.places.sites import Site, read_waters

if TYPE_CHECKING:
    from poolbuilder.introduced import Run
    from poolbuilder.refresh import SeasonalRun

waters_argument = click.argument("waters", type=click.Path(path_type=Path), metavar="WATERS.csv")
radius_option = click.option(
    "--radius-km", type=float, default=40.0, show_default=True, help="For rows without a radius."
)
workers_option = click.option(
    "--workers", type=click.IntRange(1), default=1, show_default=True, help="Processes on this machine."
)


def _read(waters: Path, **given: Any) -> tuple[tuple[Site, ...], list[str]]:
    """The waters of a table, and what was said of rows that are set aside."""
    aside: list[str] = []
    sites = read_waters(waters, aside=aside, **given)
    for line in aside:
        click.echo(f"note: {line}", err=True)
    return sites, aside


@click.command()
@waters_argument
@radius_option
@water_type_option
@pool_options
@layer_options
@store_option
@click.option(
    "--out", type=click.Path(path_type=Path), required=True, help="Folder for the pools and their summary."
)
@workers_option
@click.option(
    "--counts", is_flag=True, help="Only count the records of each candidate within the radius; quick."
)
@click.option(
    "--dask",
    metavar="ADDRESS",
    help="Dask scheduler to use in their place, such as tcp://host:8786. It is trusted wholly: it and its "
    "workers can run code here and read the store. Use one that you run, in a network that is yours.",
)
def many(
    waters: Path,
    radius_km: float,
    water_type: str | None,
    out: Path,
    workers: int,
    dask: str | None,
    counts: bool,
    **given: Any,
) -> None:
    """Build the pools of many waters: a table with name, latitude and longitude.

    It may give radius_km and water_type, too.  Each pool is the one that build gives for the
    water alone.  A run that was stopped goes on where it stood when it is started again with
    the same folder.
    """
    from poolbuilder.many import build_many

    sites, _ = _read(waters, radius_km=radius_km, water_type=water_type)
    job = make_job(sites[0], **given)
    if dask is not None:
        click.echo(f"note: the scheduler at {dask} is trusted wholly: it can run code here", err=True)
    result = build_many(sites, job, out, workers=workers, dask=dask, counts=counts, progress=progress_line)
    name = "records" if counts else "recordedSpecies"
    rows = zip(result["water"].to_pylist(), result[name].to_pylist(), strict=True)
    recorded = len({water for water, count in rows if count > 0})
    click.echo(f"{len(sites):,} waters, {recorded:,} with a candidate recorded in them or near")
    what = (
        "counts.csv holds all counts" if counts else "waters.csv is the summary; pools and pairs are Parquet"
    )
    click.echo(f"wrote {out} ({what})", err=True)


def no_progress(_doing: str, _done: int, _total: int | None) -> None:
    """Say nothing of what is being done."""


def kinds_of_news(
    _context: click.Context, _parameter: click.Parameter, values: tuple[str, ...]
) -> tuple[str, ...]:
    """The kinds of news in a list, with ``new`` for those of a species."""
    from poolbuilder.introduced.season import NEWS

    kinds: list[str] = []
    for word in ",".join(values).split(","):
        if word.strip() in {"", *NEWS, "new"}:
            kinds += ["new-in-water", "new-near"] if word.strip() == "new" else [word.strip()]
        else:
            raise click.BadParameter(f"{word!r} is none of new, {', '.join(NEWS)}")
    return tuple(dict.fromkeys(filter(None, kinds)))


def _last(out: Path | None) -> Path | None:
    """The folder of the last run at the place of this one; None on the first run."""
    if out is None:
        raise click.UsageError("--since-last needs --out: the last run stands there")
    return out if (out / "introduced.json").is_file() else None


def _show(run: Run, shape: str, *, quiet: bool) -> None:
    """Print a run, or with *quiet* only its news."""
    from poolbuilder.introduced.report import introduced_table, run_lines
    from poolbuilder.introduced.season import NEWS

    if quiet:
        for line in run.found(NEWS):
            click.echo(line)
        return
    emit(
        shape,
        lines=lambda: run_lines(run),
        table=lambda: introduced_table(run),
        document=lambda: run.document,
    )


@click.command()
@waters_argument
@radius_option
@click.option("--group", metavar="NAME", help="Genus, family or class to look for, in place of a checklist.")
@click.option(
    "--since", type=day, metavar="DATE", help="Species first recorded on or after this day are new."
)
@click.option(
    "--previous",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder of an earlier run; what it did not have is new.",
)
@click.option(
    "--since-last", is_flag=True, help="Compare with the run that --out holds, before its place is taken."
)
@click.option(
    "--reviewed",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="CSV of what somebody looked at: verdict (false, true, seen), date, and record or species, water.",
)
@click.option(
    "--fail-on",
    multiple=True,
    metavar="KIND[,KIND]",
    callback=kinds_of_news,
    help="Exit with 4 on news of these kinds: new-in-water, new-near, more-records, disputed; new is the "
    "first two.",
)
@click.option("--quiet", is_flag=True, help="Print only what is new; nothing when nothing is.")
@format_option()
@pool_options
@layer_options
@store_option
@out_option
@workers_option
def introduced(
    waters: Path,
    radius_km: float,
    group: str | None,
    since: datetime.date | None,
    previous: Path | None,
    since_last: bool,
    reviewed: Path | None,
    fail_on: tuple[str, ...],
    quiet: bool,
    shape: str,
    out: Path | None,
    workers: int,
    **given: Any,
) -> None:
    """Find introduced species near each of many waters, and what is new.

    Native or introduced is taken from the agency's own list, the lists of a water's regions, the
    records near it, range polygons, and the checklist, in this order; a disagreement is said.
    What nobody says is listed apart and never guessed.

    Records may be wrong or old: verify before acting.  Legal status and duties to report are
    set by local law and the agency in charge, which this tool does not know.
    """
    from poolbuilder.introduced import find_introduced
    from poolbuilder.introduced.report import write_run
    from poolbuilder.introduced.season import Reviewed, Season, read_run

    previous = _last(out) if since_last else previous
    if fail_on and since is None and previous is None and not since_last:
        raise click.UsageError("--fail-on needs --previous or --since to compare with")
    sites, aside = _read(waters, radius_km=radius_km)
    season = Season(
        since=since,
        before=None if previous is None else read_run(previous),
        reviewed=Reviewed() if reviewed is None else Reviewed.read(reviewed),
    )
    job = make_job(sites[0], **given)
    run = find_introduced(
        sites,
        job,
        group=group,
        season=season,
        workers=workers,
        notes=aside,
        progress=no_progress if quiet else progress_line,
    )
    _show(run, shape, quiet=quiet)
    if out is not None:
        folder = write_run(run, out)
        if not quiet:
            click.echo(f"wrote {folder} (open introduced.html in a browser)", err=True)
    found = run.found(fail_on)
    for line in () if quiet else found:
        click.echo(f"found: {line}", err=True)
    if found:
        click.get_current_context().exit(4)


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
@workers_option
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
