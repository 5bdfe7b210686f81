"""``add``, ``fetch``, ``restore`` and ``rules``: records into the store, and what rejects them."""

from __future__ import annotations

import datetime
import os
import textwrap
import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from poolbuilder.cli.options import Given, read_settings, renames, store_path
from poolbuilder.cli.output import WIDE, progress_line, tell
from poolbuilder.places.sites import Site
from poolbuilder.records.store import AddResult, Findings, RemoveResult, Store

if TYPE_CHECKING:
    from poolbuilder.intake import Intake, Wanted
    from poolbuilder.records.service.client import Client

CITED = 5
"""Data sets whose citation is printed; all of them stand in the manifest."""


def add(given: Given) -> int:
    """Read Darwin Core tables, archives and Parquet files into the record store.

    A file that was added before, by its content, is left out; a newer version of a record
    replaces the older one.  All files are added, or none when one cannot be read.
    """
    if not (given.files or given.compact or given.check or given.remove) and given.share is None:
        raise click.UsageError("name a FILE to add, or --compact, --check, --remove or --share")
    settings, renamed = read_settings(given.settings), renames(given)
    store = Store(store_path(given.store), waiting=tell)
    code = _report_check(store.check(progress=progress_line)) if given.check else 0
    for source in given.remove:
        code = max(code, _report_remove(store.remove(source)))
    if given.files:
        today = datetime.date.today().isoformat()
        result = store.add(
            given.files, rename=renamed, settings=settings, added=today, progress=progress_line
        )
        _report_add(result, store)
    if given.compact:
        index = store.compact(progress=progress_line)
        click.echo(f"{index.records:,} records in {len(index.files)} files")
    if given.share is not None:
        store.share(everyone=given.share)
        click.echo(
            f"{store.path}: read by {'everyone on this computer' if given.share else 'its owner alone'}"
        )
    return code


def _report_add(result: AddResult, store: Store) -> None:
    for source in result.skipped:
        click.echo(f"{source['path']}: was added before; left out")
    for source in result.sources:
        click.echo(f"{source['path']}: {source['rows']:,} records")
    if result.sources:
        parts = [f"{result.placed:,} with coordinates", f"{result.unplaced:,} without"]
        if result.replaced:
            parts.append(f"{result.replaced:,} older versions replaced")
        if result.outdated:
            parts.append(f"{result.outdated:,} repeated or older than what is known")
        click.echo(f"read {result.read:,} records: {', '.join(parts)}")
    for note in result.notes:
        click.echo(f"note: {note}")
    click.echo(f"the store holds {store.records:,} records")


def _report_remove(found: RemoveResult) -> int:
    for source in found.sources:
        click.echo(f"{source['path']}: taken out")
    if found.left:
        click.echo("note: its bytes are still in files that hold others too (--compact deletes them)")
    for source in found.again:
        click.echo(f"add again: {source['path']}")
    click.echo(f"the store holds {found.after:,} records, before {found.before:,}")
    return 3 if found.again else 0


def _report_check(found: Findings) -> int:
    for problem in found.problems:
        click.echo(problem)
    for source in found.again:
        click.echo(f"add again: {source['path']}")
    state = "sound" if not found.problems else "repaired"
    click.echo(f"{state}: {found.files} files, {found.records:,} records")
    return 3 if found.again else 0


def fetch(given: Given) -> None:
    """Bring records around a water from the open occurrence service into the store.

    The records are asked for out to the reach of the model and a margin for their
    uncertainty. A fetch that broke off goes on where it stopped; the answers are kept, so
    that the records can be had again without network.

    A download reads the account from POOLBUILDER_SERVICE_USER and
    POOLBUILDER_SERVICE_PASSWORD.
    """
    if given.finer_map:
        from poolbuilder.places.base_map import fetch_finer, finer_folder

        for path in fetch_finer(finer_folder()):
            click.echo(f"{path}: lakes and rivers of the map, checked; a picture, not for measuring")
        return
    if given.lat is None or given.lon is None or not (given.taxon or given.water):
        raise click.UsageError("give --lat, --lon and --taxon or --water")
    from poolbuilder.intake import Wanted
    from poolbuilder.records.service.client import Client
    from poolbuilder.records.service.search import read_filter

    site = Site(longitude=given.lon, latitude=given.lat, radius_km=given.radius_km)
    store = store_path(given.store)
    if given.water:
        _bring_water(site, store, given.water_url)
    if not given.taxon:
        return
    wanted = Wanted(
        site=site,
        taxa=given.taxon,
        group=given.group,
        licences=read_filter(given.licence) if given.licence else (),
        shape=given.shape,
        accept_doubtful=given.accept_match,
    )
    with Client(
        given.service_url,
        settings=read_settings(given.settings),
        offline=given.offline,
        account_over_http=given.account_over_http,
    ) as client:
        _bring(client, wanted, store, given)


def _bring(client: Client, wanted: Wanted, store: Path, given: Given) -> None:
    """Fetch the records, page by page or as an archive, and say what came."""
    from poolbuilder.intake import bring, bring_archive

    now = datetime.datetime.now(datetime.UTC)
    if given.download:
        lines = bring_archive(
            client,
            wanted,
            store=store,
            settings=client.settings,
            now=now,
            environ=os.environ,
            sleep=time.sleep,
            progress=tell,
        )
        click.echo("\n".join(lines))
        return
    intake = bring(
        client,
        wanted,
        store=store,
        settings=client.settings,
        now=now,
        update=given.update,
        progress=progress_line,
    )
    _say(intake, wanted, store, now)
    if not intake.complete:
        click.get_current_context().exit(3)


def _bring_water(site: Site, store: Path, url: str) -> None:
    """Fetch the water's own layers, and say what lies at the point."""
    from poolbuilder.water.hydrography import fetch_water

    kept = fetch_water(site, store, today=datetime.datetime.now(datetime.UTC).date(), url=url)
    for note in kept.notes:
        click.echo(note)
    layers = ", ".join(kept.uses) or "no layer"
    click.echo(f"the store {store} keeps {layers} of this water, fetched {kept.fetched}")


def _say(intake: Intake, wanted: Wanted, store: Path, now: datetime.datetime) -> None:
    """What came, under which licence, whom to cite, and what to mind."""
    for match in intake.matches:
        click.echo(match.words())
    for item, names in zip(intake.fetches, (wanted.taxa, wanted.group), strict=False):
        since = item.query.changed_since
        kind = "records" if since is None else f"records changed since {since.isoformat()}"
        click.echo(
            f"{', '.join(names)}: {item.rows:,} {kind} within {item.query.distance_km:,} km, "
            f"{item.counts['promised']:,} promised, {item.counts['repeated']:,} repeats left out; "
            f"{item.age_words(now)}"
        )
    click.echo(
        f"the store {store} took up {intake.added:,}, of which {intake.replaced:,} replace an older version"
    )
    click.echo(f"most restrictive licence: {intake.licence_words()}")
    datasets = intake.datasets()
    for dataset in datasets[:CITED]:
        click.echo(f"cite: {dataset['citation']}")
    if len(datasets) > CITED:
        click.echo(
            f"cite {len(datasets) - CITED:,} more data sets; a pool built from the records lists them all"
        )
    for note in intake.notes():
        click.echo(f"note: {note}")


def restore(given: Given) -> None:
    """Restore the records of a pool, as they were, into a store of their own.

    The service is not asked: its answers are kept beside the store, each with its hash. Of a pool
    that refresh made, lists, layers and settings are kept as well: it is built again, and compared.
    """
    from poolbuilder.refresh.runs import restored

    for line in restored(given.pool, store=given.store, usual=store_path(None), into=given.out):
        click.echo(line)


def rules(_given: Given) -> None:
    """List the rules by which a record is rejected or lowered, with their reasons."""
    from poolbuilder.records.rules import RULES

    for rule in RULES:
        click.echo(f"{rule.key}  ({rule.effect})")
        body = f"{rule.title}: {rule.reason}" + (f" [{rule.test}]" if rule.test else "")
        click.echo(textwrap.fill(body, WIDE, initial_indent="    ", subsequent_indent="    "))
        click.echo(f"    reads {', '.join(rule.terms)}\n")
