"""Commands of many waters: ``many``, ``introduced``, ``refresh``, and ``compare`` for what changed in one."""

from __future__ import annotations

import datetime
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from poolbuilder.cli.options import (
    FILE,
    day,
    format_option,
    layer_options,
    listed,
    make_job,
    option,
    out_option,
    pool_options,
    store_option,
    together,
    water_type_option,
)
from poolbuilder.cli.output import emit, fitted, leave, no_progress, progress_line, say, tell
from poolbuilder.compare import QUESTIONS
from poolbuilder.places.sites import Site, read_waters
from poolbuilder.words.introduced_words import NEWS

if TYPE_CHECKING:
    from poolbuilder.introduced import Run

waters_options = together(
    click.argument("waters", type=FILE, metavar="WATERS.csv"),
    option("--radius-km", of="waters", type=float, default=40.0, show_default=True),
)
NEW = ("new-in-water", "new-near")
"""What `--fail-on new` means."""
workers_option = option("--workers", type=click.IntRange(1, 1024), default=1, show_default=True)


def _read(waters: Path, **given: Any) -> tuple[tuple[Site, ...], list[str]]:
    """The waters of a table, and what was said of rows that are set aside."""
    aside: list[str] = []
    sites = read_waters(waters, aside=aside, **given)
    for line in aside:
        tell(f"note: {line}")
    return sites, aside


@click.command()
@waters_options
@water_type_option
@pool_options
@layer_options
@store_option
@option("--out", of="many", type=FILE, required=True)
@workers_option
@option("--counts", is_flag=True)
@option("--dask", metavar="ADDRESS")
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
        tell(f"note: the scheduler at {dask} is trusted wholly: it can run code here")
    result = build_many(sites, job, out, workers=workers, dask=dask, counts=counts, progress=progress_line)
    name = "records" if counts else "recordedSpecies"
    rows = zip(result["water"].to_pylist(), result[name].to_pylist(), strict=True)
    recorded = len({water for water, count in rows if count > 0})
    click.echo(f"{len(sites):,} waters, {recorded:,} with a candidate recorded in them or near")
    written = (
        "counts.csv holds all counts" if counts else "waters.csv is the summary; pools and pairs are Parquet"
    )
    tell(f"wrote {out} ({written})")


def _last(out: Path | None) -> Path | None:
    """The folder of the last run at the place of this one; None on the first run."""
    if out is None:
        raise click.UsageError("--since-last needs --out: the last run stands there")
    return out if (out / "introduced.json").is_file() else None


def _show(run: Run, shape: str, *, quiet: bool) -> None:
    """Print a run, or with *quiet* only its news."""
    from poolbuilder.introduced.report import introduced_table, run_lines

    if quiet:
        for line in run.found(tuple(NEWS)):
            click.echo(line)
        return
    emit(
        shape,
        lines=lambda: run_lines(run, fitted),
        table=lambda: introduced_table(run),
        document=lambda: run.document,
    )


@click.command()
@waters_options
@option("--group", of="introduced", metavar="NAME")
@option("--since", type=day, metavar="DATE")
@option("--previous", type=click.Path(path_type=Path, file_okay=False))
@option("--since-last", is_flag=True)
@option("--reviewed", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE")
@option("--fail-on", of="introduced", multiple=True, metavar="KIND[,KIND]", callback=listed("new", *NEWS))
@option("--quiet", is_flag=True)
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
            tell(f"wrote {folder} (open introduced.html in a browser)")
    kinds = [kind for word in fail_on for kind in (NEW if word == "new" else (word,))]
    leave(run.found(tuple(dict.fromkeys(kinds))), quiet=quiet)


@click.command()
@click.argument("plan", type=FILE, metavar="PLAN.toml")
@option("--service-url", of="refresh", envvar="POOLBUILDER_SERVICE_URL")
@option("--offline", of="refresh", is_flag=True)
@option("--as-of", of="refresh", type=day, metavar="DATE")
@option(
    "--fail-on",
    "questions",
    of="refresh",
    multiple=True,
    metavar="KIND[,KIND]",
    callback=listed(*QUESTIONS, *NEWS),
)
@option("--since-last", of="refresh", is_flag=True, expose_value=False)
@option("--quiet", of="refresh", is_flag=True)
@workers_option
@option("--prune-days", type=click.IntRange(1, 100_000), metavar="N")
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
    from poolbuilder.refresh import refresh as run_plan
    from poolbuilder.refresh import run_lines
    from poolbuilder.refresh.plan import read_plan
    from poolbuilder.refresh.runs import Runs

    what = read_plan(plan).with_service(service_url)
    now = datetime.datetime.now().astimezone()
    if as_of is not None:
        now = datetime.datetime.combine(as_of, datetime.time(12), now.tzinfo)
    with Client(what.service_url, settings=what.settings, offline=offline) as client:
        progress = no_progress if quiet else progress_line
        run = run_plan(what, client, now=now, workers=workers, progress=progress)
    if prune_days is not None:
        Runs(what.out).prune(now.date() - datetime.timedelta(days=prune_days))
    document = json.loads((run.folder / "summary.json").read_text(encoding="utf-8"))
    if quiet:
        say(run_lines(document, "changed"))
    else:
        emit(shape, lines=lambda: [*_table(document), *run_lines(document)], document=lambda: document)
        tell(f"wrote {run.folder} (open summary.html in a browser)")
    leave(run.found(questions), missing=run.missing, quiet=quiet)


def _table(document: dict[str, Any]) -> list[str]:
    """The waters of a run, a row each."""
    from poolbuilder.refresh import CHANGES, STATES

    rows = [
        (
            water["name"],
            STATES[water["state"]],
            "" if water["pool"] is None else str(water["pool"]["recorded"]),
            *(str(len(water[change])) for change in CHANGES),
            (water["fetched"] or "never")[:10],
        )
        for water in document["waters"]
    ]
    return fitted(("water", "state", "recorded", *CHANGES, "fetched"), rows, right=(2, 3, 4, 5))


@click.command()
@click.argument("old", type=FILE)
@click.argument("new", type=FILE)
@option("--fail-on", "questions", multiple=True, type=click.Choice(QUESTIONS))
@format_option("table", "json")
def compare(old: Path, new: Path, questions: tuple[str, ...], shape: str) -> None:
    """Say what changed between two pool folders of one water, and why.

    Each species that was gained, lost or moved is shown with its causes; they add up to
    its whole change in log-odds.
    """
    from poolbuilder.compare import compare as compare_pools
    from poolbuilder.folder import read_pool
    from poolbuilder.words import lines

    result = compare_pools(read_pool(old), read_pool(new))
    emit(shape, lines=lambda: lines("refresh.txt", "comparison", found=result), document=result.as_dict)
    found = [f"{question}: {', '.join(names)}" for question in questions if (names := result.found(question))]
    leave(found)
