"""Options of the commands, and what they stand for; what is said of each stands in ``words/options.txt``."""

from __future__ import annotations

import datetime
import os
from collections.abc import Callable
from itertools import zip_longest
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from poolbuilder.errors import Sentences, SettingsError
from poolbuilder.places.sites import WATER_TYPES
from poolbuilder.settings import Settings, read_calibration

if TYPE_CHECKING:
    from poolbuilder.job import Job
    from poolbuilder.places.sites import Site

F = TypeVar("F", bound=Callable[..., Any])

HELP = Sentences("options.txt").texts
FILE = click.Path(path_type=Path)
LAYER = "FILE[:LAYER]"
KM_PER_MILE = 1.609344


def option(*flags: str, of: str = "", **kind: Any) -> Callable[[F], F]:
    """An option with what is said of its flag, or of the flag *of* one command."""
    flag = next(flag for flag in flags if flag.startswith("--"))
    return click.option(*flags, help=HELP[f"{of} {flag}".strip()], **kind)


def together(*options: Callable[[F], F]) -> Callable[[F], F]:
    """Several options as one, in their order."""

    def apply(function: F) -> F:
        for one in reversed(options):
            function = one(function)
        return function

    return apply


def day(value: str | datetime.date) -> datetime.date:
    """A day as YYYY-MM-DD."""
    if isinstance(value, datetime.date):
        return value
    try:
        return datetime.date.fromisoformat(value)
    except ValueError:
        raise click.BadParameter(f"{value!r} is not a day (write it as 2026-06-30)") from None


def listed(*known: str) -> Callable[[click.Context, click.Parameter, tuple[str, ...]], tuple[str, ...]]:
    """Read words of a few, in one list or several."""

    def read(
        _context: click.Context, _parameter: click.Parameter, values: tuple[str, ...]
    ) -> tuple[str, ...]:
        words = [word.strip() for word in ",".join(values).split(",") if word.strip()]
        if wrong := [word for word in words if word not in known]:
            raise click.BadParameter(f"{wrong[0]!r} is none of {', '.join(known)}")
        return tuple(dict.fromkeys(words))

    return read


def format_option(*shapes: str) -> Callable[[F], F]:
    """``--format``, the same in every command: a table to read, and csv or json to go on with."""
    choice = click.Choice(shapes or ("table", "csv", "json"))
    return option("--format", "shape", type=choice, default="table", show_default=True)


def settings_option(of: str = "") -> Callable[[F], F]:
    """``--settings``."""
    return option("--settings", "settings_file", type=FILE, of=of)


store_option = option("--store", type=FILE)
out_option = option("--out", type=FILE)
water_type_option = option("--water-type", type=click.Choice(WATER_TYPES))
as_of_option = option("--as-of", type=day, metavar="DATE", default=datetime.date.today, show_default="today")
regions_option = option("--regions", multiple=True, metavar=LAYER)
place_options = together(
    option("--lat", type=float, required=True),
    option("--lon", type=float, required=True),
    option("--name", default=""),
    option("--radius-km", type=float),
    option("--radius-mi", type=float),
    water_type_option,
)
layer_options = together(
    *(option(f"--{kind}", metavar=LAYER) for kind in ("water", "basins", "streams", "barriers"))
)
map_options = together(
    option("--map", "mapping", multiple=True, metavar="GIVEN=TERM"),
    option("--date-order", type=click.Choice(["mdy", "dmy", "ymd"])),
)
record_options = together(store_option, option("--records", multiple=True, type=FILE), map_options)
knowledge_options = together(
    option("--known", multiple=True, type=FILE, metavar="FILE"),
    option("--catch", multiple=True, type=FILE, metavar="FILE"),
)
pool_options = together(
    option("--checklist", default="lepomis", show_default=True),
    option("--ranges", multiple=True, metavar=LAYER),
    option("--region-list", multiple=True, metavar="FILE"),
    regions_option,
    settings_option(),
    option("--constants", type=FILE),
    as_of_option,
)


def store_path(store: Path | None) -> Path:
    """The store named, else the one of the environment, else ``data_cache``."""
    return store or Path(os.environ.get("POOLBUILDER_STORE") or "data_cache")


def radius_of(radius_km: float | None, radius_mi: float | None) -> float:
    """The radius in kilometres, given in either unit."""
    if radius_km is not None and radius_mi is not None:
        raise click.UsageError("give --radius-km or --radius-mi, not both")
    if radius_mi is not None:
        return radius_mi * KM_PER_MILE
    return 40.0 if radius_km is None else radius_km


def renames(mapping: tuple[str, ...], date_order: str | None = None) -> dict[str, str]:
    """``("Latitude=decimalLatitude",)`` and the order of dates as the mapping that `read_records` takes."""
    found = {"date order": date_order} if date_order else {}
    for item in mapping:
        given, sign, term = (part.strip() for part in item.partition("="))
        if not (sign and given and term):
            fact = f"{item!r} is not GIVEN=TERM (such as Latitude=decimalLatitude)"
            raise click.BadParameter(fact, param_hint="--map")
        found[given] = term
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
    **given: Any,
) -> Job:
    """The job that the shared options of a command ask for; *given* are fields of Job."""
    from poolbuilder.job import Job

    return Job(
        site=site,
        region_lists=paired_lists(region_list, regions),
        store=store_path(store),
        settings=read_settings(settings_file),
        calibration=None if settings_file is None else read_calibration(settings_file),
        renames=renames(mapping, date_order),
        **given,
    )
