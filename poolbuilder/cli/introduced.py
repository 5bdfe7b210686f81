"""``poolbuilder introduced``: introduced species near many waters, and what is new."""

from __future__ import annotations

import datetime
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
)
from poolbuilder.cli.output import emit
from poolbuilder.cli.store import progress_line

if TYPE_CHECKING:
    from poolbuilder.introduced import Run

__all__ = ["introduced"]


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
@click.argument("waters", type=click.Path(path_type=Path), metavar="WATERS.csv")
@click.option("--radius-km", type=float, default=40.0, show_default=True, help="For rows without a radius.")
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
@click.option(
    "--workers", type=click.IntRange(1), default=1, show_default=True, help="Processes on this machine."
)
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
    from poolbuilder.places.sites import read_waters

    previous = _last(out) if since_last else previous
    if fail_on and since is None and previous is None and not since_last:
        raise click.UsageError("--fail-on needs --previous or --since to compare with")
    aside: list[str] = []
    sites = read_waters(waters, radius_km=radius_km, aside=aside)
    for line in aside:
        click.echo(f"note: {line}", err=True)
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
