"""Commands of many waters: ``many``, ``introduced``, ``refresh``, and ``compare`` for what changed in one."""

from __future__ import annotations

import datetime
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from poolbuilder.cli.options import Given, make_job
from poolbuilder.cli.output import emit, fitted, leave, no_progress, progress_line, say, tell
from poolbuilder.places.sites import Site, read_waters
from poolbuilder.words.introduced_words import NEWS

if TYPE_CHECKING:
    from poolbuilder.introduced import Run

NEW = ("new-in-water", "new-near")
"""What `--fail-on new` means."""


def _read(waters: Path, **given: Any) -> tuple[tuple[Site, ...], list[str]]:
    """The waters of a table, and what was said of rows that are set aside."""
    aside: list[str] = []
    sites = read_waters(waters, aside=aside, **given)
    for line in aside:
        tell(f"note: {line}")
    return sites, aside


def many(given: Given) -> None:
    """Build the pools of many waters: a table with name, latitude and longitude.

    It may give radius_km and water_type, too.  Each pool is the one that build gives for the
    water alone.  A run that was stopped goes on where it stood when it is started again with
    the same folder.
    """
    from poolbuilder.many import build_many

    sites, _ = _read(given.waters, radius_km=given.radius_km, water_type=given.water_type)
    job, out = make_job(sites[0], given), given.out
    if given.dask is not None:
        tell(f"note: the scheduler at {given.dask} is trusted wholly: it can run code here")
    result = build_many(
        sites,
        job,
        out,
        workers=given.workers,
        dask=given.dask,
        counts=given.counts,
        progress=progress_line,
    )
    name = "records" if given.counts else "recordedSpecies"
    rows = zip(result["water"].to_pylist(), result[name].to_pylist(), strict=True)
    recorded = len({water for water, count in rows if count > 0})
    click.echo(f"{len(sites):,} waters, {recorded:,} with a candidate recorded in them or near")
    written = (
        "counts.csv holds all counts"
        if given.counts
        else "waters.csv is the summary; pools and pairs are Parquet"
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


def introduced(given: Given) -> None:
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

    previous = _last(given.out) if given.since_last else given.previous
    if given.fail_on and given.since is None and previous is None and not given.since_last:
        raise click.UsageError("--fail-on needs --previous or --since to compare with")
    sites, aside = _read(given.waters, radius_km=given.radius_km)
    season = Season(
        since=given.since,
        before=None if previous is None else read_run(previous),
        reviewed=Reviewed() if given.reviewed is None else Reviewed.read(given.reviewed),
    )
    run = find_introduced(
        sites,
        make_job(sites[0], given),
        group=given.group,
        season=season,
        workers=given.workers,
        notes=aside,
        progress=no_progress if given.quiet else progress_line,
    )
    _show(run, given.format, quiet=given.quiet)
    if given.out is not None:
        folder = write_run(run, given.out)
        if not given.quiet:
            tell(f"wrote {folder} (open introduced.html in a browser)")
    kinds = [kind for word in given.fail_on for kind in (NEW if word == "new" else (word,))]
    leave(run.found(tuple(dict.fromkeys(kinds))), quiet=given.quiet)


def refresh(given: Given) -> None:
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

    what = read_plan(given.plan).with_service(given.service_url)
    now = datetime.datetime.now().astimezone()
    if given.as_of is not None:
        now = datetime.datetime.combine(given.as_of, datetime.time(12), now.tzinfo)
    with Client(what.service_url, settings=what.settings, offline=given.offline) as client:
        progress = no_progress if given.quiet else progress_line
        run = run_plan(what, client, now=now, workers=given.workers, progress=progress)
    if given.prune_days is not None:
        Runs(what.out).prune(now.date() - datetime.timedelta(days=given.prune_days))
    document = json.loads((run.folder / "summary.json").read_text(encoding="utf-8"))
    if given.quiet:
        say(run_lines(document, "changed"))
    else:
        lines = [*_table(document), *run_lines(document)]
        emit(given.format, lines=lambda: lines, document=lambda: document)
        tell(f"wrote {run.folder} (open summary.html in a browser)")
    leave(run.found(given.fail_on), missing=run.missing, quiet=given.quiet)


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


def compare(given: Given) -> None:
    """Say what changed between two pool folders of one water, and why.

    Each species that was gained, lost or moved is shown with its causes; they add up to
    its whole change in log-odds.
    """
    from poolbuilder.compare import compare as compare_pools
    from poolbuilder.folder import read_pool
    from poolbuilder.words import lines

    result = compare_pools(read_pool(given.old), read_pool(given.new))
    emit(
        given.format, lines=lambda: lines("refresh.txt", "comparison", found=result), document=result.as_dict
    )
    asked = {question: result.found(question) for question in given.fail_on}
    leave([f"{question}: {', '.join(names)}" for question, names in asked.items() if names])
