"""``fetch`` and ``page``: records from the open service into the store, and the local web page."""

from __future__ import annotations

import datetime
import os
import time
from pathlib import Path

import click

from poolbuilder.cli.options import (
    FILE,
    LAYER,
    layer_options,
    option,
    paired_lists,
    read_settings,
    regions_option,
    settings_option,
    store_option,
    store_path,
    together,
)
from poolbuilder.cli.output import progress_line, tell
from poolbuilder.errors import MissingExtraError
from poolbuilder.intake import Intake, Wanted, bring, bring_archive
from poolbuilder.places.base_map import fetch_finer, finer_folder
from poolbuilder.places.sites import Site
from poolbuilder.records.service.client import DEFAULT_URL, Client
from poolbuilder.records.service.search import read_filter
from poolbuilder.water.hydrography import HYDROGRAPHY_URL, fetch_water

CITED = 5
"""Data sets whose citation is printed; all of them stand in the manifest."""

addresses = together(
    option("--service-url", envvar="POOLBUILDER_SERVICE_URL", default=DEFAULT_URL, show_default=True),
    option("--water-url", envvar="POOLBUILDER_WATER_URL", default=HYDROGRAPHY_URL, show_default=True),
)


@click.command()
@option("--lat", type=float)
@option("--lon", type=float)
@option("--radius-km", of="fetch", type=float, default=40.0, show_default=True)
@option("--taxon", "taxa", multiple=True)
@option("--group", multiple=True)
@option("--licence")
@option("--finer-map", is_flag=True)
@option("--water", of="fetch", is_flag=True)
@option("--accept-match", is_flag=True)
@option("--update", is_flag=True)
@option("--download", is_flag=True)
@option("--account-over-http", is_flag=True)
@option("--shape", type=click.Choice(["distance", "polygon"]), default="distance", show_default=True)
@settings_option()
@store_option
@addresses
@option("--offline", is_flag=True)
def fetch(
    lat: float | None,
    lon: float | None,
    radius_km: float,
    taxa: tuple[str, ...],
    group: tuple[str, ...],
    licence: str | None,
    shape: str,
    settings_file: Path | None,
    store: Path | None,
    service_url: str,
    water_url: str,
    **flags: bool,
) -> None:
    """Bring records around a water from the open occurrence service into the store.

    The records are asked for out to the reach of the model and a margin for their
    uncertainty. A fetch that broke off goes on where it stopped; the answers are kept, so
    that the records can be had again without network.

    A download reads the account from POOLBUILDER_SERVICE_USER and
    POOLBUILDER_SERVICE_PASSWORD.
    """
    if flags["finer_map"]:
        for path in fetch_finer(finer_folder()):
            click.echo(f"{path}: lakes and rivers of the map, checked; a picture, not for measuring")
        return
    if lat is None or lon is None or not (taxa or flags["water"]):
        raise click.UsageError("give --lat, --lon and --taxon or --water")
    site, where = Site(longitude=lon, latitude=lat, radius_km=radius_km), store_path(store)
    if flags["water"]:
        _bring_water(site, where, water_url)
    if not taxa:
        return
    wanted = Wanted(
        site=site,
        taxa=taxa,
        group=group,
        licences=read_filter(licence) if licence else (),
        shape=shape,
        accept_doubtful=flags["accept_match"],
    )
    settings = read_settings(settings_file)
    offline, open_account = flags["offline"], flags["account_over_http"]
    with Client(service_url, settings=settings, offline=offline, account_over_http=open_account) as client:
        _bring(client, wanted, where, update=flags["update"], download=flags["download"])


def _bring(client: Client, wanted: Wanted, store: Path, *, update: bool, download: bool) -> None:
    """Fetch the records, page by page or as an archive, and say what came."""
    now = datetime.datetime.now(datetime.UTC)
    if download:
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
        client, wanted, store=store, settings=client.settings, now=now, update=update, progress=progress_line
    )
    _say(intake, wanted, store, now)
    if not intake.complete:
        click.get_current_context().exit(3)


def _bring_water(site: Site, store: Path, url: str) -> None:
    """Fetch the water's own layers, and say what lies at the point."""
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


@click.command()
@option("--store", "stores", of="page", multiple=True, type=FILE)
@option(
    "--folder", type=click.Path(path_type=Path, file_okay=False), default=Path("pools"), show_default=True
)
@option("--checklist", "checklists", of="page", multiple=True)
@option("--ranges", of="page", multiple=True, metavar=LAYER)
@option("--region-list", of="page", multiple=True, metavar="FILE")
@regions_option
@layer_options
@settings_option()
@addresses
@option("--port", type=click.IntRange(0, 65535), default=0)
@option("--open/--no-open", "opened", default=True)
def page(
    stores: tuple[Path, ...],
    folder: Path,
    checklists: tuple[str, ...],
    ranges: tuple[str, ...],
    region_list: tuple[str, ...],
    regions: tuple[str, ...],
    settings_file: Path | None,
    service_url: str,
    water_url: str,
    port: int,
    opened: bool,
    **layers: str | None,
) -> None:
    """Choose a water on a map and see its list build, in this machine's browser."""
    from poolbuilder.names.checklist import SHIPPED

    try:
        from poolbuilder.web.views import serve
        from poolbuilder.web.workspace import Workspace
    except ImportError as error:
        raise MissingExtraError.of("page_needs_starlette") from error
    workspace = Workspace(
        store=store_path(stores[0] if stores else None),
        more_stores=stores[1:],
        folder=folder,
        checklists=(*SHIPPED, *checklists),
        ranges=ranges,
        region_lists=paired_lists(region_list, regions),
        layers={key: value for key, value in layers.items() if value},
        settings=read_settings(settings_file),
        service_url=service_url,
        water_url=water_url,
    )

    def ready(address: str) -> None:
        tell(f"open {address} (stop with Ctrl-C)")
        if opened:
            click.launch(address)

    serve(workspace, port=port, ready=ready)
