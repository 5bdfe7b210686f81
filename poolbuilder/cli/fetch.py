"""``poolbuilder fetch``: records around a water, from the open service into the store."""

from __future__ import annotations

import datetime
import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from poolbuilder.cli.options import read_settings, settings_option, store_option, store_path
from poolbuilder.cli.record_store import progress_line
from poolbuilder.intake import Intake, Wanted, bring, bring_archive
from poolbuilder.places.base_map import fetch_finer, finer_folder
from poolbuilder.places.sites import Site
from poolbuilder.records.service.client import DEFAULT_URL, Client
from poolbuilder.records.service.search import read_filter
from poolbuilder.water.hydrography import HYDROGRAPHY_URL, fetch_water

__all__ = ["fetch", "service_options"]

F = TypeVar("F", bound=Callable[..., Any])

CITED = 5
"""Data sets whose citation is printed; all of them stand in the manifest."""


def service_options(function: F) -> F:
    """``--service-url`` and ``--offline``."""
    address = click.option(
        "--service-url",
        envvar="POOLBUILDER_SERVICE_URL",
        default=DEFAULT_URL,
        show_default=True,
        help="Occurrence service, or a mirror of it. [env: POOLBUILDER_SERVICE_URL]",
    )
    offline = click.option("--offline", is_flag=True, help="Ask nobody; use what the store holds.")
    return address(offline(function))


@click.command()
@click.option("--lat", type=float, help="Latitude, decimal degrees, north positive.")
@click.option("--lon", type=float, help="Longitude, decimal degrees, east positive.")
@click.option("--radius-km", type=float, default=40.0, show_default=True, help="What counts as near.")
@click.option(
    "--taxon",
    "taxa",
    multiple=True,
    help="Taxon of the candidates, such as Lepomis; repeatable.",
)
@click.option(
    "--group",
    multiple=True,
    help="Wider group that the same gear catches, such as Centrarchidae: where people looked; repeatable.",
)
@click.option(
    "--licence", help="Only records under these licences: CC0, CC-BY, CC-BY-NC, separated by commas."
)
@click.option(
    "--finer-map",
    is_flag=True,
    help="Download finer lakes and rivers for the maps, once; asks for nothing else.",
)
@click.option(
    "--water",
    is_flag=True,
    help="Bring the water's own layers (US): outline, flow lines, dams, watersheds. Alone or with --taxon.",
)
@click.option(
    "--water-url",
    envvar="POOLBUILDER_WATER_URL",
    default=HYDROGRAPHY_URL,
    show_default=True,
    help="Hydrography service, or a mirror of it. [env: POOLBUILDER_WATER_URL]",
)
@click.option("--accept-match", is_flag=True, help="Take a fuzzy match of a name, or one to a higher taxon.")
@click.option("--update", is_flag=True, help="Ask only for what changed since the last fetch.")
@click.option(
    "--download",
    is_flag=True,
    help="Let the service prepare an archive; for very many records. Needs an account in the environment.",
)
@click.option(
    "--account-over-http",
    is_flag=True,
    help="Send the account over a connection that is not encrypted; only where nobody can listen.",
)
@click.option(
    "--shape",
    type=click.Choice(["distance", "polygon"]),
    default="distance",
    show_default=True,
    help="How the area is asked for.",
)
@settings_option()
@store_option
@service_options
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
    if flags["water"]:
        _bring_water(Site(longitude=lon, latitude=lat, radius_km=radius_km), store_path(store), water_url)
        if not taxa:
            return
    settings = read_settings(settings_file)
    wanted = Wanted(
        site=Site(longitude=lon, latitude=lat, radius_km=radius_km),
        taxa=taxa,
        group=group,
        licences=read_filter(licence) if licence else (),
        shape=shape,
        accept_doubtful=flags["accept_match"],
    )
    now = datetime.datetime.now(datetime.UTC)
    where = store_path(store)
    with Client(
        service_url,
        settings=settings,
        offline=flags["offline"],
        account_over_http=flags["account_over_http"],
    ) as client:
        if flags["download"]:
            lines = bring_archive(
                client,
                wanted,
                store=where,
                settings=settings,
                now=now,
                environ=os.environ,
                sleep=time.sleep,
                progress=lambda words: click.echo(words, err=True),
            )
            click.echo("\n".join(lines))
            return
        intake = bring(
            client,
            wanted,
            store=where,
            settings=settings,
            now=now,
            update=flags["update"],
            progress=progress_line,
        )
    _say(intake, wanted, where, now)
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
