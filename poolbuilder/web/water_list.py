"""The list of waters: a plan file that a person may also edit, and that `refresh` reads."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from poolbuilder.errors import PlanError
from poolbuilder.files import whole_file
from poolbuilder.places.sites import Site
from poolbuilder.refresh.plan import read_plan
from poolbuilder.settings import parsed_toml

HEADER = "# Waters to build pools of; `poolbuilder refresh` reads this file, and you may edit it.\n"
_TABLE = "[[water]]"


@dataclass(frozen=True, kw_only=True)
class Waters:
    """The waters of a plan file; the rest of the file, comments too, stays as it is.

    Parameters
    ----------
    path : Path
        The file; it need not exist.
    start : dict
        What the section ``[refresh]`` of a new file says.
    """

    path: Path
    start: dict[str, Any]

    def sites(self) -> list[Site]:
        """Every water of the list.

        Raises
        ------
        PlanError
            When the file is not such a list.
        """
        values = _parsed(self._text(), self.path)
        radius = values.get("refresh", {}).get("radiusKm", 40)
        sites = []
        for number, row in enumerate(values.get("water", []), start=1):
            try:
                sites.append(
                    Site(
                        longitude=row["lon"],
                        latitude=row["lat"],
                        radius_km=row.get("radiusKm", radius),
                        name=str(row.get("name", "")),
                        water_type=row.get("waterType"),
                    )
                )
            except (KeyError, ValueError, TypeError, AttributeError) as error:
                raise PlanError(
                    f"water {number} cannot be used: {error}", file=self.path, remedy="give name, lat and lon"
                ) from error
        return sites

    def add(self, site: Site) -> bool:
        """Put a water at the end of the list; False when it stands there already."""
        sites = self.sites()
        if any(_same(site, other) for other in sites):
            return False
        if not site.name:
            raise PlanError("a water in the list needs a name", file=self.path, remedy="give it one")
        if any(site.name == other.name for other in sites):
            raise PlanError(
                f"there is a water named {site.name!r} already", file=self.path, remedy="choose another name"
            )
        text = self._text() or self._head()
        block = (
            f"\n{_TABLE}\nname = {_quoted(site.name)}\nlat = {site.latitude!r}\nlon = {site.longitude!r}\n"
            f"radiusKm = {site.radius_km!r}\n"
        )
        if site.water_type is not None:
            block += f"waterType = {_quoted(site.water_type)}\n"
        self._write(text.rstrip("\n") + "\n" + block, whole=True)
        return True

    def remove(self, name: str) -> bool:
        """Take a water off the list by its name; False when it is not there."""
        sites = self.sites()
        numbers = [number for number, site in enumerate(sites) if site.name == name]
        if not numbers:
            return False
        lines = self._text().splitlines(keepends=True)
        heads = [at for at, line in enumerate(lines) if line.split("#")[0].strip() == _TABLE]
        if len(heads) != len(sites):
            raise PlanError(
                "is written in a way that the page cannot edit",
                file=self.path,
                remedy=f"write each water under a line {_TABLE}, or edit the file by hand",
            )
        start = heads[numbers[0]]
        later = [at for at in range(start + 1, len(lines)) if lines[at].lstrip().startswith("[")]
        stop = later[0] if later else len(lines)
        self._write("".join(lines[:start] + lines[stop:]))
        return True

    def _head(self) -> str:
        rows = "".join(f"{key} = {_quoted(value)}\n" for key, value in self.start.items())
        return f"{HEADER}\n[refresh]\n{rows}"

    def _text(self) -> str:
        try:
            return self.path.read_text(encoding="utf-8")
        except FileNotFoundError:
            return ""
        except (OSError, UnicodeDecodeError) as error:
            raise PlanError(f"cannot be read: {error}", file=self.path, remedy="check the file") from error

    def _write(self, text: str, *, whole: bool = False) -> None:
        """Write the file whole or not at all; a *whole* plan must be one that `refresh` can read."""
        _parsed(text, self.path)
        try:
            with whole_file(self.path, PlanError) as beside:
                beside.write_text(text, encoding="utf-8", newline="\n")
                if whole:
                    read_plan(beside)
        except PlanError as error:
            raise PlanError(error.fact, file=self.path, remedy=error.remedy) from error


def _parsed(text: str, path: Path) -> dict[str, Any]:
    try:
        return parsed_toml(text)
    except (ValueError, RecursionError) as error:
        raise PlanError(f"is not TOML: {error}", file=path, remedy="mend the file or move it away") from error


def _same(one: Site, other: Site) -> bool:
    return (one.longitude, one.latitude, one.name) == (other.longitude, other.latitude, other.name)


def _quoted(value: Any) -> str:
    """A text, number or list of texts as TOML; JSON's escapes are TOML's, but for DEL."""
    text = json.dumps(value, ensure_ascii=False)
    return text.replace("\x7f", "\\u007f")
