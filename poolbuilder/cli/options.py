"""Options that several commands share, and what they stand for."""

from __future__ import annotations

import datetime
import os
from collections.abc import Callable
from itertools import zip_longest
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from poolbuilder.errors import SettingsError
from poolbuilder.places.sites import WATER_TYPES
from poolbuilder.settings import Settings, read_calibration

if TYPE_CHECKING:
    from poolbuilder.job import Job
    from poolbuilder.places.sites import Site

F = TypeVar("F", bound=Callable[..., Any])


def day(value: str | datetime.date) -> datetime.date:
    """A day as YYYY-MM-DD."""
    if isinstance(value, datetime.date):
        return value
    try:
        return datetime.date.fromisoformat(value)
    except ValueError:
        raise click.BadParameter(f"{value!r} is not a day (write it as 2026-06-30)") from None


def _apply(function: F, *options: Callable[[F], F]) -> F:
    for option in reversed(options):
        function = option(function)
    return function


def store_option(function: F) -> F:
    """``--store``."""
    text = "Record store. [default: $POOLBUILDER_STORE, else data_cache]"
    return click.option("--store", type=click.Path(path_type=Path), help=text)(function)


def store_path(store: Path | None) -> Path:
    """The store named, else the one of the environment, else ``data_cache``."""
    return store or Path(os.environ.get("POOLBUILDER_STORE") or "data_cache")


def as_of_option(function: F) -> F:
    """``--as-of``, today by default."""
    return click.option(
        "--as-of",
        type=day,
        metavar="DATE",
        default=datetime.date.today,
        show_default="today",
        help="The day that counts as today.",
    )(function)


def out_option(function: F) -> F:
    """``--out``."""
    text = "Folder for the result; written whole or not at all."
    return click.option("--out", type=click.Path(path_type=Path), help=text)(function)


def water_type_option(function: F) -> F:
    """``--water-type``."""
    text = "Kind of water, where it is known; lake fishes are rare in streams. A reservoir is a lake."
    return click.option("--water-type", type=click.Choice(WATER_TYPES), help=text)(function)


KM_PER_MILE = 1.609344

radius_options = (
    click.option("--radius-km", type=float, help="What counts as near. [default: 40 km, 25 mi]"),
    click.option("--radius-mi", type=float, help="The same in miles."),
)


def radius_of(radius_km: float | None, radius_mi: float | None) -> float:
    """The radius in kilometres, given in either unit."""
    if radius_km is not None and radius_mi is not None:
        raise click.UsageError("give --radius-km or --radius-mi, not both")
    if radius_mi is not None:
        return radius_mi * KM_PER_MILE
    return 40.0 if radius_km is None else radius_km


def format_option(*shapes: str) -> Callable[[F], F]:
    """``--format``, the same in every command: a table to read, and csv or json to go on with."""
    return click.option(
        "--format",
        "shape",
        type=click.Choice(shapes or ("table", "csv", "json")),
        default="table",
        show_default=True,
        help="What stdout gets; csv and json hold every row and column.",
    )


def place_options(function: F) -> F:
    """``--lat``, ``--lon``, ``--name``, ``--radius-km``, ``--radius-mi``, ``--water-type``."""
    return _apply(
        function,
        click.option("--lat", type=float, required=True, help="Latitude, decimal degrees, north positive."),
        click.option("--lon", type=float, required=True, help="Longitude, decimal degrees, east positive."),
        click.option("--name", default="", help="What the water is called."),
        *radius_options,
        water_type_option,
    )


def layer_options(function: F) -> F:
    """``--water``, ``--basins``, ``--streams``, ``--barriers``."""
    return _apply(
        function,
        click.option("--water", metavar="FILE[:LAYER]", help="Outlines of lakes, ponds and reservoirs."),
        click.option("--basins", metavar="FILE[:LAYER]", help="Nested watershed polygons."),
        click.option("--streams", metavar="FILE[:LAYER]", help="Flow lines."),
        click.option("--barriers", metavar="FILE[:LAYER]", help="Dams and falls, as points."),
    )


def regions_option(function: F) -> F:
    """``--regions``, which belongs to ``--region-list``."""
    return click.option(
        "--regions",
        multiple=True,
        metavar="FILE[:LAYER]",
        help="Polygons of the regions of each --region-list in turn; states and units need none.",
    )(function)


def settings_option(text: str = "TOML file with numbers of the model.") -> Callable[[F], F]:
    """``--settings``, with its help."""
    return click.option("--settings", "settings_file", type=click.Path(path_type=Path), help=text)


def pool_options(function: F) -> F:
    """``--checklist``, ``--ranges``, ``--region-list``, ``--regions``, ``--settings`` and ``--as-of``."""
    return _apply(
        function,
        click.option(
            "--checklist",
            default="lepomis",
            show_default=True,
            help="A list that ships with poolbuilder (lepomis, leuciscids), a CSV file, or a genus.",
        ),
        click.option(
            "--ranges",
            multiple=True,
            metavar="FILE[:LAYER]",
            help="Native and introduced range polygons, or a table of regions with the layer of its regions "
            "behind it (TABLE.csv:FILE); repeatable.",
        ),
        click.option(
            "--region-list",
            "region_list",
            multiple=True,
            metavar="FILE",
            help="A list of what is native and introduced: table or checklist archive of states, hydrologic "
            "units or other regions, or an agency's own without regions; repeatable.",
        ),
        regions_option,
        settings_option(),
        click.option(
            "--constants",
            type=click.Path(path_type=Path),
            help="Constants of the model, as calibrate fits them. [default: those that ship]",
        ),
        as_of_option,
    )


def say(text: str) -> None:
    """Tell the reader something on stderr."""
    click.echo(text, err=True)


def map_options(function: F) -> F:
    """``--map`` and ``--date-order``."""
    return _apply(
        function,
        click.option(
            "--map",
            "mapping",
            multiple=True,
            metavar="GIVEN=TERM",
            help="Read column GIVEN as Darwin Core TERM; repeatable.",
        ),
        click.option(
            "--date-order",
            type=click.Choice(["mdy", "dmy", "ymd"]),
            help="How dates such as 5/6/2017 are ordered; needed only where two orders fit the whole column.",
        ),
    )


def record_options(function: F) -> F:
    """``--store``, ``--records`` and ``--map``."""
    return _apply(
        function,
        store_option,
        click.option(
            "--records",
            multiple=True,
            type=click.Path(path_type=Path),
            help="Tables, spreadsheets, Darwin Core Archives or layers of points to use in place of "
            "the store; repeatable.",
        ),
        map_options,
    )


def knowledge_options(function: F) -> F:
    """``--known`` and ``--catch``."""
    kind = click.Path(path_type=Path)
    return _apply(
        function,
        click.option(
            "--known",
            multiple=True,
            type=kind,
            metavar="FILE",
            help="CSV of what is known here: scientificName, what (present, absent, stocked, listed: on the "
            "agency's list), date, source, waterBody; repeatable.",
        ),
        click.option(
            "--catch",
            multiple=True,
            type=kind,
            metavar="FILE",
            help="CSV of what was caught here: scientificName, individualCount (0: looked for, not caught), "
            "date, gear; repeatable.",
        ),
    )


def renames(mapping: tuple[str, ...], date_order: str | None = None) -> dict[str, str]:
    """``("Latitude=decimalLatitude",)`` and the order of dates as the mapping that `read_records` takes."""
    found = {"date order": date_order} if date_order else {}
    for item in mapping:
        given, sign, term = item.partition("=")
        if not (sign and given.strip() and term.strip()):
            raise click.BadParameter(
                f"{item!r} is not GIVEN=TERM (such as Latitude=decimalLatitude)", param_hint="--map"
            )
        found[given.strip()] = term.strip()
    return found


def read_settings(path: Path | None) -> Settings:
    """The settings of a file, or the defaults."""
    if path is None:
        return Settings()
    if not path.exists():
        raise SettingsError(f"{path}: there is no such file (check the path)")
    return Settings.from_toml(path)


def paired_lists(lists: tuple[str, ...], layers: tuple[str, ...]) -> tuple[tuple[str, str | None], ...]:
    """Each ``--region-list`` with its ``--regions``."""
    if len(layers) > len(lists):
        raise click.UsageError("--regions belongs to a --region-list before it")
    return tuple(zip_longest(lists, layers))


def make_job(
    site: Site,
    *,
    store: Path | None,
    settings_file: Path | None,
    mapping: tuple[str, ...] = (),
    date_order: str | None = None,
    region_list: tuple[str, ...] = (),
    regions: tuple[str, ...] = (),
    constants: Path | None = None,
    **given: Any,
) -> Job:
    """The job that the shared options of a command ask for; *given* are fields of Job."""
    from poolbuilder.job import Job

    return Job(
        region_lists=paired_lists(region_list, regions),
        site=site,
        store=store_path(store),
        settings=read_settings(settings_file),
        constants=constants,
        calibration=None if settings_file is None else read_calibration(settings_file),
        renames=renames(mapping, date_order),
        **given,
    )
