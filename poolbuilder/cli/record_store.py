"""``add``, ``fetch``, ``restore`` and ``rules``: records into the store, and what rejects them."""

from __future__ import annotations

import datetime
import os
import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from poolbuilder.cli.options import Given, read_settings, renames, store_path
from poolbuilder.cli.output import progress_line, tell, tell_of
from poolbuilder.places.sites import Site
from poolbuilder.records.store import Store

if TYPE_CHECKING:
    from poolbuilder.intake import Wanted
    from poolbuilder.records.service.client import Client


def add(given: Given) -> int:
    """Read Darwin Core tables, archives and Parquet files into the record store.

    A file that was added before, by its content, is left out; a newer version of a record
    replaces the older one.  All files are added, or none when one cannot be read.
    """
    if not (given.files or given.compact or given.check or given.remove) and given.share is None:
        raise click.UsageError("name a FILE to add, or --compact, --check, --remove or --share")
    settings, renamed = read_settings(given.settings), renames(given)
    store = Store(store_path(given.store), waiting=tell)
    again = False
    if given.check:
        found = store.check(progress=progress_line)
        tell_of("checked", found)
        again = bool(found.again)
    for source in given.remove:
        removed = store.remove(source)
        tell_of("removed", removed)
        again = again or bool(removed.again)
    if given.files:
        today = datetime.date.today().isoformat()
        result = store.add(
            given.files, rename=renamed, settings=settings, added=today, progress=progress_line
        )
        tell_of("added", result, store)
    if given.compact:
        index = store.compact(progress=progress_line)
        click.echo(f"{index.records:,} records in {len(index.files)} files")
    if given.share is not None:
        store.share(everyone=given.share)
        click.echo(
            f"{store.path}: read by {'everyone on this computer' if given.share else 'its owner alone'}"
        )
    return 3 if again else 0


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
        brought = bring_archive(
            client,
            wanted,
            store=store,
            settings=client.settings,
            now=now,
            environ=os.environ,
            sleep=time.sleep,
            progress=tell,
        )
        click.echo("\n".join(brought))
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
    tell_of("fetched", intake, (wanted.taxa, wanted.group), store, now)
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

    tell_of("rules", RULES)
