"""Native or introduced by the table that comes with the package: by drainage, else by state or country.

``native_lepomis.csv`` and ``native_leuciscids.csv`` hold one statement a row: scientificName, region,
establishmentMeans, extent, basis, source, year of the source and note. A region is a prefix of the
hydrologic unit codes of the US Geological Survey (the longest wins), a state, province or country
(``US-MO``, ``CA-ON``, ``DE``), or ``basin`` and its name. Extent is ``part`` where only a part of the
region is meant (the note says which), ``not reported`` outside the native range where no introduction
is known to the compilers. A species and region without a row are not stated, which is not absent.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping
from functools import cache
from importlib import resources
from typing import Any, NamedTuple

from poolbuilder.status.decision import Statement
from poolbuilder.status.regions import region_name, regions_at

TABLES = ("native_lepomis", "native_leuciscids")


class Drainage(NamedTuple):
    """The watershed that holds a water: its hydrologic unit code (empty if unknown) and basin names."""

    code: str = ""
    names: tuple[str, ...] = ()


def drainage_of(basins: Any) -> Drainage:
    """The drainage of a site, from the watersheds given; a code of digits is a hydrologic unit.

    Parameters
    ----------
    basins : poolbuilder.water.basins.Basins or None
    """
    if basins is None or basins.home is None:
        return Drainage()
    code, name = basins.codes[basins.home], basins.names[basins.home]
    text = str(code or "")
    return Drainage(text if text.isdigit() and len(text) <= 12 else "", (str(name),) if name else ())


@cache
def _rows() -> dict[str, dict[str, Mapping[str, str]]]:
    found: dict[str, dict[str, Mapping[str, str]]] = {}
    folder = resources.files("poolbuilder") / "status"
    for name in TABLES:
        text = (folder / f"{name}.csv").read_text(encoding="utf-8")
        for row in csv.DictReader(io.StringIO(text)):
            found.setdefault(row["scientificName"], {})[row["region"]] = row
    return found


def shipped_statements(
    species: Iterable[str], longitude: float, latitude: float, drainage: Drainage | None = None
) -> dict[str, Statement]:
    """What the shipped table says of each species at a point.

    Parameters
    ----------
    species : iterable of str
        Accepted names.
    longitude, latitude : float
        Degrees.
    drainage : Drainage, optional
        Decides before the state; without it, or where it has no row, the state's row speaks.

    Returns
    -------
    dict
        Species to statement; a species of which nothing is stated here is not in it.

    Examples
    --------
    >>> said = shipped_statements(["Lepomis auritus"], -76.5, 39.0)["Lepomis auritus"]
    >>> said.means, said.region
    ('native', 'US-MD')
    """
    code = str(regions_at(longitude, latitude)[0])
    found = {}
    for name in species:
        row = _row(_rows().get(name, {}), code, drainage or Drainage())
        if row is not None:
            found[name] = _statement(row)
    return found


def _row(rows: Mapping[str, Mapping[str, str]], state: str, drainage: Drainage) -> Mapping[str, str] | None:
    if drainage.code and state.startswith("US-"):
        for length in range(len(drainage.code), 1, -1):
            if drainage.code[:length] in rows:
                return rows[drainage.code[:length]]
    basins = [region for region in rows if region.startswith("basin ")]
    for region in basins:
        wanted = region.removeprefix("basin ").casefold()
        if any(wanted in name.casefold().split() for name in drainage.names):
            return rows[region]
    return rows.get(state)


def _statement(row: Mapping[str, str]) -> Statement:
    region = row["region"]
    where = f"drainage {region}" if region[0].isdigit() else region_name(region)
    return Statement(
        source="shipped",
        means=row["establishmentMeans"],
        who=f"the table of the package for {where}",
        region=region,
        extent=row["extent"],
        citation=row["source"],
        year=int(row["year"]) if row["year"] else None,
        note=row["note"],
    )
