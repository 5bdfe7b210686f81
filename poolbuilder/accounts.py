"""What was read, kept and rejected; which files went in; whom to cite."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from poolbuilder import tables
from poolbuilder.records.dates import read_date
from poolbuilder.records.judged import is_withheld
from poolbuilder.records.rules import tally
from poolbuilder.schemas import REJECTED, check
from poolbuilder.words import unread_notes

if TYPE_CHECKING:
    from poolbuilder.names.checklist import Checklist
    from poolbuilder.status.lists import RegionLists
    from poolbuilder.status.polygons import RangeMap
    from poolbuilder.water import Water


@dataclass(frozen=True, kw_only=True)
class Provenance:
    """Where records come from.

    Attributes
    ----------
    inputs : sequence of dict
        Files or service queries: ``path``, ``sha256``, ``rows``.
    datasets : sequence of dict
        ``datasetKey``, ``title``, ``citation``, ``license`` of the data sets that are known.
    notes : sequence of str
        What reading had to say.
    elsewhere : int
        Records of the store that were not read: far from the site, or without a place.
    calibration : mapping, optional
        How the settings were calibrated: ``title``, ``words`` and ``reliability``, as the
        ``[calibration]`` table of a fitted settings file has them.
    """

    inputs: Sequence[Mapping[str, Any]] = ()
    datasets: Sequence[Mapping[str, Any]] = ()
    notes: Sequence[str] = ()
    elsewhere: int = 0
    calibration: Mapping[str, Any] | None = None


def rejected_records(screened: pa.Table) -> pa.Table:
    """The rejected records, each with its rule; schema REJECTED."""
    rows = tables.where(screened, tables.valid(screened["rejectedBy"]))
    kept = [tables.cast(rows[field.name], field.type) for field in REJECTED]
    return check(pa.Table.from_arrays(kept, schema=REJECTED), REJECTED, "rejected")


COUNTED = ("distanceKm", "role", "dataGeneralizations", "informationWithheld")


def count_records(screened: pa.Table, located: pa.Table, radius_km: float) -> dict[str, Any]:
    """Numbers of records read, kept, rejected by rule, and near; of *located*, `COUNTED` are wanted.

    read = kept + Σ rejected, and kept = located + targetGroup + far.
    """
    rejected = tally(screened)
    kept = ~tables.valid(screened["rejectedBy"])
    code, roles = tables.codes(screened["role"])
    role = np.array(roles, dtype=object)[code] if len(code) else np.array([], dtype=object)
    of_target = int((kept & (role != "group")).sum())
    names = tables.strings(
        tables.where(screened.select(["scientificName"]), role == "unknown")["scientificName"]
    )
    near = tables.numbers(located["distanceKm"]) <= radius_km
    kind, kinds = tables.codes(located["role"])
    hybrid = np.array([*(item == "hybrid" for item in kinds), False])[kind]
    return {
        "read": screened.num_rows,
        "kept": int(kept.sum()),
        "rejected": {key: count for key, count in rejected.items() if count},
        "targetGroup": int((kept & (role == "group")).sum()),
        "hybrids": int((kept & (role == "hybrid")).sum()),
        "located": located.num_rows,
        "far": of_target - located.num_rows,
        "withinRadius": int((near & ~hybrid).sum()),
        "hybridsWithinReach": int(hybrid.sum()),
        "generalised": int(_generalised(located).sum()),
        "unknownNames": dict(sorted(Counter(name or "" for name in names).items())),
        "mendedNames": _read_as(screened, "misspelt"),
        **({"disagreeingNames": disagreeing} if (disagreeing := _read_as(screened, "disagreeing")) else {}),
        **_unread_dates(screened),
    }


def _unread_dates(screened: pa.Table) -> dict[str, Any]:
    """Records whose date cannot be read: how many, of how many with one, and the most frequent."""
    code, texts = tables.codes(screened["eventDate"])
    unreadable = [bool(text) and read_date(str(text))[1] == "unreadable" for text in texts]
    counts = np.bincount(code[code >= 0], minlength=len(texts))
    unread = np.where(unreadable, counts, 0)
    if not unread.any():
        return {}
    dated = int(sum(count for count, text in zip(counts.tolist(), texts, strict=True) if text))
    example = str(texts[int(unread.argmax())])[:40]
    return {"unreadDates": {"records": int(unread.sum()), "dated": dated, "example": example}}


def _read_as(screened: pa.Table, how: str) -> list[dict[str, Any]]:
    """Names that were matched in one way: as given, called, read as, and in how many records."""
    code, matches = tables.codes(screened["nameMatch"])
    read = screened.select(["scientificName", "vernacularName", "acceptedNames"])
    rows = tables.where(read, np.array([match == how for match in matches] + [False])[code])
    given, accepted = tables.strings(rows["scientificName"]), rows["acceptedNames"].to_pylist()
    called = tables.strings(rows["vernacularName"]) if how == "disagreeing" else [""] * len(given)
    counts = Counter(
        (name or "", other or "", tuple(read))
        for name, other, read in zip(given, called, accepted, strict=True)
    )
    return [
        {"given": f"{name} called {other}" if other else name, "readAs": list(read), "records": count}
        for (name, other, read), count in sorted(counts.items())
    ]


def _generalised(located: pa.Table) -> NDArray[np.bool_]:
    """Which records say that something was made coarser, or withheld, before publication."""
    found = np.zeros(located.num_rows, dtype=bool)
    for name in ("dataGeneralizations", "informationWithheld"):
        code, texts = tables.codes(located[name])
        found |= np.array([*(is_withheld(text) for text in texts), False])[code]
    return found


def list_inputs(
    given: Sequence[Mapping[str, Any]],
    checklist: Checklist,
    ranges: RangeMap | None,
    water: Water | None,
    lists: Sequence[RegionLists] = (),
) -> tuple[dict[str, Any], ...]:
    """Every file that went in, with its hash and what it was used for."""
    listed = [{"kind": "checklist", **checklist.source}, *({"kind": "records", **item} for item in given)]
    if ranges is not None:
        listed += [{"kind": "ranges", **item} for item in ranges.sources]
    listed += [{"kind": "status", **item} for each in lists for item in each.sources]
    if water is not None:
        listed += [{"kind": "water", **item} for item in water.sources]
    return tuple(dict(item) for item in listed)


def list_datasets(
    coded: Sequence[tuple[Any, Sequence[str | None]]], known: Sequence[Mapping[str, Any]]
) -> tuple[dict[str, Any], ...]:
    """The data sets behind records, with licence, citation and number of records.

    *coded* are the records' datasetKey, datasetName, sourceFile and license as codes, and the texts.
    """
    by_key = {item.get("datasetKey") or item.get("title"): item for item in known}
    counts: Counter[str] = Counter()
    licences: dict[str, Counter[str]] = {}
    titles: dict[str, Counter[str]] = {}
    keyed: set[str] = set()
    alike, first = tables.numbered(*(code for code, _ in coded))
    rows = np.stack([code[first] for code, _ in coded], axis=1)
    for codes, count in zip(rows.tolist(), np.bincount(alike).tolist(), strict=True):
        key, title, file, licence = (
            None if code < 0 else texts[code] for code, (_, texts) in zip(codes, coded, strict=True)
        )
        name = str(key or title or f"records in {file}")
        counts[name] += count
        if key:
            keyed.add(key)
        if title:
            titles.setdefault(name, Counter())[title] += count
        if licence:
            licences.setdefault(name, Counter())[licence] += count
    found = []
    for name, count in sorted(counts.items(), key=lambda item: (-item[1], item[0])):
        item = by_key.get(name, {})
        found.append(
            {
                "datasetKey": item.get("datasetKey") or (name if name in keyed else None),
                "title": item.get("title") or _most_given(titles.get(name)) or name,
                "citation": item.get("citation"),
                "license": item.get("license") or _most_given(licences.get(name)),
                "records": count,
            }
        )
    return tuple(found)


def _most_given(texts: Counter[str] | None) -> str | None:
    """The most frequent text, the alphabet deciding ties."""
    return min(texts, key=lambda text: (-texts[text], text)) if texts else None


def unread_of(inputs: Sequence[Mapping[str, Any]], files: Sequence[str | None]) -> list[str]:
    """What could not be read of the dates in the files that records come from."""
    return unread_notes(
        item for item in inputs if any(text and text.startswith(str(item["path"])) for text in files)
    )


def list_notes(
    given: Sequence[str], ranges: RangeMap | None, water: Water | None, lists: Sequence[RegionLists] = ()
) -> tuple[str, ...]:
    """What was noted of records, range polygons, lists and layers, each in one sentence."""
    of_layers = [note for part in (ranges, *lists, water) if part is not None for note in part.notes]
    return tuple(dict.fromkeys([*given, *of_layers]))
