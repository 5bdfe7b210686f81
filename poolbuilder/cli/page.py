"""``poolbuilder page``: the local web page."""

from __future__ import annotations

from pathlib import Path

import click

from poolbuilder.cli.options import (
    layer_options,
    paired_lists,
    read_settings,
    regions_option,
    settings_option,
    store_path,
)
from poolbuilder.records.service.client import DEFAULT_URL
from poolbuilder.water.hydrography import HYDROGRAPHY_URL

__all__ = ["page"]


@click.command()
@click.option(
    "--store",
    "stores",
    multiple=True,
    type=click.Path(path_type=Path),
    help="Record store; repeatable, the first is taken unless another is chosen. "
    "[default: $POOLBUILDER_STORE, else data_cache]",
)
@click.option(
    "--folder",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("pools"),
    show_default=True,
    help="Where lists and waters.toml go.",
)
@click.option(
    "--checklist",
    "checklists",
    multiple=True,
    help="A CSV file to offer beside the lists that ship; repeatable.",
)
@click.option(
    "--ranges", multiple=True, metavar="FILE[:LAYER]", help="Range polygons to choose from; repeatable."
)
@click.option(
    "--region-list",
    "region_list",
    multiple=True,
    metavar="FILE",
    help="A list of what is native and introduced to choose from; repeatable.",
)
@regions_option
@layer_options
@settings_option()
@click.option(
    "--service-url",
    envvar="POOLBUILDER_SERVICE_URL",
    default=DEFAULT_URL,
    show_default=True,
    help="Occurrence service to fetch from. [env: POOLBUILDER_SERVICE_URL]",
)
@click.option(
    "--water-url",
    envvar="POOLBUILDER_WATER_URL",
    default=HYDROGRAPHY_URL,
    show_default=True,
    help="Hydrography service to fetch a water's outline from. [env: POOLBUILDER_WATER_URL]",
)
@click.option(
    "--port", type=click.IntRange(0, 65535), default=0, help="Port on 127.0.0.1. [default: any free one]"
)
@click.option("--open/--no-open", "opened", default=True, help="Open the page in the browser.")
def page(
    stores: tuple[Path, ...],
    folder: Path,
    checklists: tuple[str, ...],
    ranges: tuple[str, ...],
    region_list: tuple[str, ...],
    regions: tuple[str, ...],
    water: str | None,
    basins: str | None,
    streams: str | None,
    barriers: str | None,
    settings_file: Path | None,
    service_url: str,
    water_url: str,
    port: int,
    opened: bool,
) -> None:
    """Choose a water on a map and see its list build, in this machine's browser."""
    from poolbuilder.names.checklist import SHIPPED
    from poolbuilder.web import serve
    from poolbuilder.web.workspace import Workspace

    layers = {"water": water, "basins": basins, "streams": streams, "barriers": barriers}
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
        click.echo(f"open {address} (stop with Ctrl-C)", err=True)
        if opened:
            click.launch(address)

    serve(workspace, port=port, ready=ready)
