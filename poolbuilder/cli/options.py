"""Options of the commands, and what they stand for.

Which arguments and options a command takes stands in ``commands.csv``, what each takes in
``options.csv``, and what ``--help`` says of it in ``words/options.txt``.
"""

from __future__ import annotations

import csv
import datetime
import inspect
import os
from collections.abc import Callable
from itertools import zip_longest
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import click

from poolbuilder.errors import Sentences, SettingsError
from poolbuilder.settings import Settings, read_calibration

if TYPE_CHECKING:
    from poolbuilder.job import Job
    from poolbuilder.places.sites import Site

HELP = Sentences("options.txt").texts


class Given(SimpleNamespace):
    """What was given to a command: the value of each argument and option under its name."""


def rows(name: str) -> dict[str, dict[str, str]]:
    """The rows of a table beside this module, by their first cell."""
    with Path(__file__).with_name(name).open(encoding="utf-8", newline="") as stream:
        return {next(iter(row.values())): row for row in csv.DictReader(stream)}


TAKES = {name: row["takes"].split() for name, row in rows("commands.csv").items()}
"""What each command takes, and the lists of options that several commands share."""
COMMANDS = {name: row for name, row in rows("commands.csv").items() if row["group"]}
OPTIONS = rows("options.csv")


def day(value: str | datetime.date) -> datetime.date:
    """A day as YYYY-MM-DD, or ``today``."""
    if isinstance(value, datetime.date):
        return value
    if value == "today":
        return datetime.date.today()
    try:
        return datetime.date.fromisoformat(value)
    except ValueError:
        raise click.BadParameter(f"{value!r} is not a day (write it as 2026-06-30)") from None


def _listed(known: list[str]) -> Callable[[click.Context, click.Parameter, tuple[str, ...]], tuple[str, ...]]:
    """Read words of a few, in one list or several."""

    def read(
        _context: click.Context, _parameter: click.Parameter, values: tuple[str, ...]
    ) -> tuple[str, ...]:
        words = [word.strip() for word in ",".join(values).split(",") if word.strip()]
        if wrong := [word for word in words if word not in known]:
            raise click.BadParameter(f"{wrong[0]!r} is none of {', '.join(known)}")
        return tuple(dict.fromkeys(words))

    return read


_TYPES = {
    "text": str,
    "number": float,
    "whole": int,
    "flag": bool,
    "day": day,
    "path": click.Path(path_type=Path),
    "file": click.Path(path_type=Path, dir_okay=False),
    "folder": click.Path(path_type=Path, file_okay=False),
}


def _type(takes: str) -> Any:
    """What an option takes: a kind of value, ``1..20`` or ``one|of|these``."""
    if ".." in takes:
        low, high = map(int, takes.split(".."))
        return click.IntRange(low, high)
    return click.Choice(takes.split("|")) if "|" in takes else _TYPES[takes]


def _parameter(command: str, name: str) -> click.Parameter:
    """An argument or option of a command, as its row, or the row of all commands, has it."""
    row = OPTIONS.get(f"{command} {name}") or OPTIONS[name]
    several, required = "several" in row["how"], "required" in row["how"]
    about: dict[str, Any] = {
        "type": _type(row["takes"]),
        "required": required,
        "metavar": row["called"] or None,
    }
    if not name.startswith("--"):
        return click.Argument([name.lower()], nargs=-1 if several else 1, **about)
    if "listed" in row["how"]:
        about |= {"type": str, "callback": _listed(row["takes"].split("|"))}
    if name.endswith("-url"):
        about["envvar"] = f"POOLBUILDER_{name[2:].replace('-', '_').upper()}"
    if row["default"] or "/" in name:  # neither of two flags stands for neither
        about["default"] = row["default"] or None
    return click.Option(
        [name],
        help=HELP.get(f"{command} {name}") or HELP[name],
        is_flag=row["takes"] == "flag" or None,
        multiple=several,
        show_default=row["how"] == "shown",
        **about,
    )


def made_command(name: str, function: Callable[[Given], Any]) -> click.Command:
    """A command of the command line, which gives *function* what was given to it."""
    names = [each for word in TAKES[name] for each in TAKES.get(word, [word])]
    return click.Command(
        name,
        callback=lambda **given: function(Given(**given)),
        params=[_parameter(name, each) for each in names],
        help=inspect.getdoc(function),
    )


def store_path(store: Path | None) -> Path:
    """The store named, else the one of the environment, else ``data_cache``."""
    return store or Path(os.environ.get("POOLBUILDER_STORE") or "data_cache")


def radius_of(given: Given) -> float:
    """The radius in kilometres, given in either unit."""
    if given.radius_km is not None and given.radius_mi is not None:
        raise click.UsageError("give --radius-km or --radius-mi, not both")
    if given.radius_mi is not None:
        from poolbuilder.words import KM_PER_MILE

        return float(given.radius_mi * KM_PER_MILE)
    return 40.0 if given.radius_km is None else float(given.radius_km)


def renames(given: Given) -> dict[str, str]:
    """``--map`` and ``--date-order`` as the mapping that `read_records` takes."""
    found = {"date order": given.date_order} if given.date_order else {}
    for item in given.map:
        name, sign, term = (part.strip() for part in item.partition("="))
        if not (sign and name and term):
            fact = f"{item!r} is not GIVEN=TERM (such as Latitude=decimalLatitude)"
            raise click.BadParameter(fact, param_hint="--map")
        found[name] = term
    return found


def read_settings(path: Path | None) -> Settings:
    """The settings of a file, or the defaults."""
    if path is None:
        return Settings()
    if not path.exists():
        raise SettingsError(f"{path}: there is no such file (check the path)")
    return Settings.from_toml(path)


def paired_lists(given: Given) -> tuple[tuple[str, str | None], ...]:
    """Each ``--region-list`` with its ``--regions``."""
    if len(given.regions) > len(given.region_list):
        raise click.UsageError("--regions belongs to a --region-list before it")
    return tuple(zip_longest(given.region_list, given.regions))


_OF_JOB = (
    "checklist", "ranges", "water", "basins", "streams", "barriers", "outlines", "records", "known", "catch",
    "constants", "as_of",
)  # fmt: skip
"""Options that are fields of a Job under the same name."""


def make_job(site: Site, given: Given, **more: Any) -> Job:
    """The job that the options of a command ask for; *more* are fields of Job."""
    from poolbuilder.job import Job

    return Job(
        site=site,
        region_lists=paired_lists(given),
        store=store_path(given.store),
        settings=read_settings(given.settings),
        calibration=None if given.settings is None else read_calibration(given.settings),
        renames=renames(given) if "map" in vars(given) else {},
        **{name: value for name, value in vars(given).items() if name in _OF_JOB},
        **more,
    )
