"""Every number of the model, each with its unit, bounds, default and reason.

A settings file is TOML with the camelCase names, flat or under ``[settings]``::

    [settings]
    reachKm = 60
    statusFirst = "region"

The settings that a pool was built with are printed in its result.
"""

from __future__ import annotations

import dataclasses
import difflib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

from poolbuilder.errors import SettingsError


def camel_case(name: str) -> str:
    """``reach_km`` as ``reachKm``."""
    head, *rest = name.split("_")
    return head + "".join(part.capitalize() for part in rest)


def _number(default: float, unit: str, reason: str, *, low: float, high: float) -> Any:
    return field(default=default, metadata={"unit": unit, "reason": reason, "low": low, "high": high})


def _share(default: float, reason: str) -> Any:
    return _number(default, "0-1", reason, low=0.0, high=1.0)


def _choice(default: str, reason: str, *choices: str) -> Any:
    return field(default=default, metadata={"unit": "choice", "reason": reason, "choices": choices})


def parsed_toml(text: str) -> dict[str, Any]:
    """The values of a TOML text.

    Raises
    ------
    ValueError
        When it is not TOML, is nested too deep, or has a whole number of more than 64 bits, which TOML
        1.0 does not promise to hold.
    """
    try:
        document = tomllib.loads(text)
    except RecursionError as error:
        raise ValueError("nested too deep") from error
    waiting: list[Any] = [document]
    while waiting:
        value = waiting.pop()
        if isinstance(value, dict | list):
            waiting.extend(value.values() if isinstance(value, dict) else value)
        elif isinstance(value, int) and not -(2**63) <= value < 2**63:
            raise ValueError("a whole number has more than 64 bits")
    return document


def _read_toml(path: str | Path) -> dict[str, Any]:
    try:
        return parsed_toml(Path(path).read_text(encoding="utf-8"))
    except OSError as error:
        raise SettingsError(f"{path}: cannot be read: {error.strerror} (check the path)") from error
    except (ValueError, RecursionError) as error:
        raise SettingsError(f"{path}: is not TOML: {error} (one `name = number` a line)") from error


def read_calibration(path: str | Path) -> dict[str, Any] | None:
    """How the settings of a file were calibrated: its ``[calibration]`` table, None without one."""
    found = _read_toml(path).get("calibration")
    if found is not None and not isinstance(found, dict):
        raise SettingsError(f"{path}: calibration is not a table (write [calibration] on a line of its own)")
    return found


LARGEST = 1e15
"""No number of the settings is as large."""


@dataclass(frozen=True, kw_only=True)
class Settings:
    """The numbers of the model.

    Attributes are snake_case; files, results and messages use camelCase.  See
    :meth:`explain` for unit, bounds and reason of each.

    Raises
    ------
    SettingsError
        For a value that is not a number, is out of bounds or is not among the choices.

    Examples
    --------
    >>> Settings(reach_km=60).as_dict()["reachKm"]
    60.0
    """

    # location
    uncertainty_quantile: float = _number(
        0.95,
        "0-1",
        "share of locations within coordinateUncertaintyInMeters; the term is a bound, so high",
        low=0.3,
        high=0.9999,
    )
    obscured_uncertainty_m: float = _number(
        28_000,
        "m",
        "diagonal of a 0.2 degree cell near 40 degrees latitude, for generalised coordinates",
        low=1,
        high=1_000_000,
    )
    default_uncertainty_specimen_m: float = _number(
        5_000,
        "m",
        "a specimen georeferenced from its label, no uncertainty given; a start value",
        low=1,
        high=1_000_000,
    )
    default_uncertainty_observation_m: float = _number(
        1_000,
        "m",
        "an observation placed on a map or by GPS, no uncertainty given; a start value",
        low=1,
        high=1_000_000,
    )
    unknown_datum_shift_m: float = _number(
        300,
        "m",
        "added when no datum is given or known; regional shifts to WGS84 are mostly smaller",
        low=0,
        high=10_000,
    )
    # quality of a record
    quality_specimen: float = _share(1.0, "preserved specimen: can be checked again")
    quality_observation: float = _share(0.9, "human or machine observation")
    quality_material_sample: float = _share(
        0.7, "material sample, environmental DNA among them: water carries it"
    )
    quality_citation: float = _share(0.7, "occurrence taken from literature or of unknown basis")
    quality_qualifier: float = _share(0.4, "identification qualified by cf., aff. or a question mark")
    quality_misspelt: float = _share(0.8, "name matched by edit distance")
    quality_suspect_place: float = _share(0.5, "the service flags the coordinates as suspicious")
    hybrid_parent_weight: float = _share(0.3, "a hybrid record as evidence for each parent that it names")
    undated_age_years: float = _number(30, "years", "age taken for a record without a date", low=0, high=500)
    # crosses
    hybrid_pair_boost: float = _number(
        3.0,
        "1",
        "most that hybrid records add to their pair's prior, which is 1 where both parents surely live; one faultless record in this water adds 63 % of it; a start value, for parents named in the field are often wrong",
        low=0,
        high=100,
    )
    partial_viability: float = _share(
        0.5, "a direction of cross whose offspring are partly lethal, against one that is not; a start value"
    )
    cross_floor: float = _number(
        0.05,
        "0-1",
        "no pair's factor falls below this: what failed in one laboratory is not impossible in a water",
        low=1e-6,
        high=1,
    )
    f1_share: float = _number(
        0.05,
        "0-1",
        "share of first-generation hybrids when pure species are hypotheses too; it depends on why the fish is asked about, so it is always shown",
        low=0,
        high=1,
    )
    # events
    event_cell_degrees: float = _number(
        0.01, "degrees", "cell that counts as one place for events without eventID", low=1e-5, high=1
    )
    status_first: str = _choice(
        "agency",
        "which source of native or introduced is heard first; the others follow in their usual order",
        "agency",
        "region",
        "record",
        "polygon",
        "checklist",
        "shipped",
    )
    # distance
    reach_km: float = _number(100, "km", "evidence beyond this distance is not weighed", low=1, high=5000)
    # leaks by range class
    # the water itself
    water_snap_m: float = _number(
        500, "m", "a site on land this close to a shore is taken as in that water", low=0, high=10_000
    )
    stream_snap_m: float = _number(
        500,
        "m",
        "a precise record, or the site, this close to a flow line is taken as on it",
        low=0,
        high=10_000,
    )
    stream_snap_uncertainty_m: float = _number(
        2_000,
        "m",
        "a record less certain than this is put on no flow line: it could lie on any of dozens",
        low=0,
        high=100_000,
    )
    stream_join_m: float = _number(
        1,
        "m",
        "ends of flow lines this close are joined where no node identifiers join them",
        low=0,
        high=100,
    )
    network_reach_km: float = _number(
        300, "km", "by-water distances are followed this far", low=1, high=20_000
    )
    barrier_snap_m: float = _number(
        200, "m", "a dam or fall this close to a flow line stands in it", low=0, high=10_000
    )
    barrier_up: float = _share(
        0.2, "passability upstream of a barrier without the attribute: few fish climb a dam; a start value"
    )
    barrier_down: float = _share(
        0.7, "passability downstream of a barrier without the attribute: many are carried over; a start value"
    )
    barrier_floor: float = _number(
        0.1,
        "0-1",
        "no barrier passes less: people carry fish past dams, and fish were there before the dam; a start value",
        low=1e-4,
        high=1,
    )
    divide_factor: float = _share(
        0.4,
        "the weight of evidence from across a watershed divide: fish do not cross it, but people carry them; a start value",
    )
    # starting shares by status, where no site around was looked at
    prior_native: float = _share(
        0.35, "native here: share of waters that hold it before anybody looked; judgement"
    )
    prior_introduced: float = _share(0.25, "introduced here; judgement")
    prior_doubtful: float = _share(0.08, "presence here is doubtful or past; judgement")
    prior_outside: float = _share(0.01, "far outside every polygon of the species; judgement")
    prior_not_stated: float = _share(
        0.08,
        "status unknown; the mean share of thirteen sunfishes in surveys of streams and lakes is .05 to .15",
    )
    range_edge_km: float = _number(
        50,
        "km",
        "scale by which the share falls with the distance to a polygon; polygons are this coarse",
        low=1,
        high=5000,
    )
    # sampling events
    list_max_uncertainty_m: float = _number(
        5_000, "m", "lists placed more roughly than this are not learnt from", low=1, high=1_000_000
    )
    same_water_km: float = _number(
        1.0,
        "km",
        "without an outline, lists made this near the site are taken as of the same water",
        low=0,
        high=50,
    )
    # surroundings and fish community
    region_km: float = _number(
        300, "km", "lists within this distance teach the model of the region", low=10, high=3000
    )
    region_max_records: float = _number(
        400_000,
        "records",
        "with more records than this in the region a smaller one is taken",
        low=1000,
        high=1e9,
    )
    community_min_sites: float = _number(
        200,
        "sites",
        "with fewer sampling sites with lists in the region, the fish community is not used",
        low=20,
        high=10_000,
    )
    effort_gap_km: float = _number(
        2,
        "km",
        "sampling sites nearer than this are not used to learn from each other; nearer ones weigh no more",
        low=0,
        high=100,
    )
    community_axes: float = _number(
        12, "axes", "gradients of the fish community that are used; fitted on stream surveys", low=0, high=60
    )
    # files
    max_unpacked_mib: float = _number(
        2048, "MiB", "an archive that would unpack to more is refused", low=1, high=1e7
    )

    # one fish against the pool
    range_share: float = _number(
        0.95,
        "0-1",
        "share of a species' fish within the range that sources give; handbooks give usual, not extreme, counts",
        low=0.5,
        high=0.999,
    )
    range_widening: float = _number(
        1.25,
        "1",
        "how much wider than a key's range the fish of other waters spread, in characters of which no fish were measured; "
        "measured: 1.24 in lateral-line scales over five forms of longear, 1.13 in rakers of bluegill over 14 lakes",
        low=1,
        high=3,
    )
    trait_error_floor: float = _number(
        0.03,
        "0-1",
        "share of observations that fit no table: one odd character never rules a hypothesis out; a start value",
        low=0,
        high=0.5,
    )
    observer_sure: float = _number(
        0.95, "0-1", "how sure the observer is where the notes do not say; a start value", low=0.05, high=1
    )
    f1_intermediate: float = _share(
        0.6,
        "share of first-generation hybrids halfway in a character; the rest is like one parent or the other; a start value",
    )
    f1_documented: float = _share(
        0.8, "share that shows a character the way a source reports for hybrids; a start value"
    )
    backcross_share: float = _share(
        0.1,
        "share of hybrids that are later crosses than the first, for the caution about them; a start value",
    )
    character_correlation: float = _number(
        0.5,
        "0-1",
        "correlation within a group of characters where the table lists none; a start value",
        low=0,
        high=1,
    )
    misfit_factor: float = _number(
        16,
        "1",
        "how many times as often a hybrid fits no species as a fish of one species does; 0.8 against 0.05, assumed",
        low=1,
        high=1000,
    )
    together_weight: float = _number(
        20,
        "fish",
        "how many fish the pool's weights are worth where several fish of one water are weighed together; a start value",
        low=0.1,
        high=1e6,
    )
    young_mm: float = _number(
        60, "mm", "standard length below which a fish is taken as young", low=5, high=1000
    )
    young_reliability: float = _share(0.4, "how much the marks of adults say on a young fish; a start value")
    plain_reliability: float = _share(
        0.5, "how much breeding colours say on a fish that is not breeding; a start value"
    )
    specimen_decided: float = _number(
        0.8, "0-1", "below this posterior the answer is: cannot tell", low=0.5, high=0.999
    )
    drop_below: float = _number(
        0.05, "0-1", "a species below this posterior as a parent has dropped out", low=0.001, high=0.5
    )
    # fetching from the service
    fetch_margin_km: float = _number(
        30,
        "km",
        "fetched beyond the reach: a generalised coordinate may stand a cell's diagonal (28 km) from its fish",
        low=0,
        high=500,
    )
    service_page: float = _number(
        300, "records", "records asked for at once; the service's own limit", low=1, high=300
    )
    service_ceiling: float = _number(
        100_000, "records", "the service refuses to page beyond this many", low=1, high=100_000
    )
    service_attempts: float = _number(
        6, "attempts", "times that one request is tried before the fetch gives up", low=1, high=50
    )
    service_wait_s: float = _number(
        2, "s", "wait before the second attempt; doubled for each further one", low=0, high=600
    )
    service_max_wait_s: float = _number(
        600,
        "s",
        "longest wait for one attempt; when the service asks for more, the fetch stops",
        low=0,
        high=86_400,
    )
    service_timeout_s: float = _number(
        60,
        "s",
        "longest pause on a connection, and a third of the longest time for one answer",
        low=0.05,
        high=3600,
    )
    max_answer_mib: float = _number(
        64, "MiB", "an answer that unpacks to more is refused; a full page takes under 2", low=0.01, high=4096
    )
    verbatim_lookups: float = _number(
        200,
        "records",
        "records matched above species whose name as written is asked for one by one; hybrid formulae hide there",
        low=0,
        high=10_000,
    )
    fetch_resume_hours: float = _number(
        24, "hours", "a broken fetch older than this starts anew: the pages have moved since", low=0, high=720
    )
    download_poll_s: float = _number(
        60, "s", "wait between two looks at a download that is being prepared", low=0, high=3600
    )
    download_max_hours: float = _number(
        12, "hours", "longest wait for a download to be prepared", low=0.001, high=240
    )
    # refresh and compare
    full_fetch_every: float = _number(
        4,
        "runs",
        "every so many runs fetch all records again; the other runs count them, and fetch all where the counts differ",
        low=1,
        high=1000,
    )
    fetch_overlap_days: float = _number(
        7,
        "days",
        "days before the last run that are asked for again; the service's index lags behind",
        low=0,
        high=365,
    )
    shared_fetch_km: float = _number(
        50,
        "km",
        "waters of a plan share a fetch that is widened by up to this; 0 fetches each by itself",
        low=0,
        high=500,
    )
    moved_presence: float = _share(0.1, "a change in presence above this counts as moved")
    # introduced
    front_window_years: float = _number(
        3,
        "years",
        "sampling events of so many years say how near a species could be without being met",
        low=1,
        high=100,
    )
    passable: float = _share(
        0.5, "a way along the stream network with at least this passability counts as passable"
    )

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            name = camel_case(item.name)
            if "choices" in item.metadata:
                if value not in item.metadata["choices"]:
                    raise SettingsError(
                        f"setting {name}: {value!r} is not one of {', '.join(item.metadata['choices'])}"
                    )
                continue
            if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < LARGEST:
                raise SettingsError(f"setting {name}: {repr(value)[:40]} is not a number of a usable size")
            low, high = item.metadata["low"], item.metadata["high"]
            if not low <= value <= high:
                raise SettingsError(
                    f"setting {name}: {value:g} is out of bounds (use {low:g} to {high:g} {item.metadata['unit']})"
                )
            object.__setattr__(self, item.name, float(value))

    @classmethod
    def from_dict(cls, values: Mapping[str, Any], *, where: str = "settings") -> Settings:
        """Make settings from camelCase names; missing ones keep their default."""
        known = {camel_case(item.name): item.name for item in fields(cls)}
        for key in values:
            if key not in known:
                near = difflib.get_close_matches(key, known, n=1)
                remedy = f"did you mean {near[0]}?" if near else "`poolbuilder settings` lists them"
                raise SettingsError(f"{where}: unknown setting {key!r} ({remedy})")
        try:
            return cls(**{known[key]: value for key, value in values.items()})
        except SettingsError as error:
            raise SettingsError(f"{where}: {error}") from None

    @classmethod
    def from_toml(cls, path: str | Path) -> Settings:
        """Read settings from a TOML file, flat or under ``[settings]``."""
        values = _read_toml(path)
        section = values.get("settings", values)
        if not isinstance(section, dict):
            raise SettingsError(f"{path}: settings is not a table (write [settings] on a line of its own)")
        return cls.from_dict(section, where=str(path))

    def as_dict(self) -> dict[str, float | str]:
        """Every setting under its camelCase name, in order."""
        return {camel_case(item.name): getattr(self, item.name) for item in fields(self)}

    def changed(self) -> dict[str, float | str]:
        """The settings that differ from their defaults."""
        default = Settings().as_dict()
        return {name: value for name, value in self.as_dict().items() if value != default[name]}

    def replace(self, **changes: Any) -> Settings:
        """The same settings with some of them changed, by snake_case name."""
        return dataclasses.replace(self, **changes)

    @classmethod
    def explain(cls) -> list[dict[str, Any]]:
        """Name, default, unit, bounds or choices, and reason of every setting."""
        rows = []
        for item in fields(cls):
            meta = item.metadata
            bounds = "|".join(meta["choices"]) if "choices" in meta else f"{meta['low']:g}..{meta['high']:g}"
            rows.append(
                {
                    "name": camel_case(item.name),
                    "default": item.default,
                    "unit": meta["unit"],
                    "bounds": bounds,
                    "reason": meta["reason"],
                }
            )
        return rows
