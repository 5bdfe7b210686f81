"""A run over many waters: what to look for, what was found."""

from __future__ import annotations

import csv
import io
import re
import tempfile
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

import poolbuilder
from poolbuilder import tables
from poolbuilder.errors import ChecklistError
from poolbuilder.introduced.assessment import NOTHING, Assessment, assess
from poolbuilder.introduced.season import NEWS, SCHEMA_VERSION, Season, news_items
from poolbuilder.job import Engine, Job, is_genus, open_lists
from poolbuilder.many import Part, made_of_parts, parts_of
from poolbuilder.names.checklist import Checklist
from poolbuilder.places.sites import Site
from poolbuilder.records.store import Store


def checklist_of_group(group: str, batches: Iterable[pa.Table]) -> Checklist:
    """The species of a genus, family or class, as the records themselves name it.

    Parameters
    ----------
    group : str
        Compared with the first word of the scientific name, with ``family`` and with ``class``.
    batches : iterable of Table
        Schema RECORDS.

    Raises
    ------
    ChecklistError
        When no record names a species of the group.
    """
    wanted = group.strip().casefold()
    parts = [_of_group(batch, wanted) for batch in batches]
    kept = [part for part in parts if part.num_rows]
    table = pa.concat_tables(kept) if kept else None
    genera = sorted({_genus(name) for name in tables.strings(table["scientificName"])}) if table else []
    entries, seen = [], set()
    for genus in genera:
        try:
            found = Checklist.from_records(genus, table).entries
        except ChecklistError:  # the genus is only named without a species
            continue
        entries += [entry for entry in found if entry.name not in seen]
        seen |= {entry.name for entry in found}
    if not entries:
        raise ChecklistError(
            f"no record names a species of {group.strip()!r}",
            remedy="give a genus, or a family or class that the records carry, or a list with --checklist",
        )
    return Checklist(name=group.strip(), entries=tuple(entries))


def _genus(name: str | None) -> str:
    words = (name or "").split()
    return words[0].capitalize() if words and words[0].isalpha() else ""


def _of_group(batch: pa.Table, wanted: str) -> pa.Table:
    code, names = tables.codes(batch["scientificName"])
    of_name = {number: _genus(name).casefold() == wanted for number, name in enumerate(names)}
    rows = []
    families, classes = tables.strings(batch["family"]), tables.strings(batch["taxonClass"])
    for row, (number, family, above) in enumerate(zip(code.tolist(), families, classes, strict=True)):
        if number < 0:
            continue
        if of_name[number] or wanted in {(family or "").casefold(), (above or "").casefold()}:
            rows.append(row)
    return tables.take(batch.select(["scientificName", "vernacularName"]), np.array(rows, dtype=np.int64))


def write_checklist(checklist: Checklist, path: Path) -> None:
    """Write a list as a file that ``Checklist.load`` reads."""
    sink = io.StringIO()
    writer = csv.writer(sink, lineterminator="\n")
    writer.writerow(["scientificName", "vernacularName", "source"])
    for entry in checklist.entries:
        writer.writerow([entry.name, " | ".join(entry.vernacular), entry.source])
    path.write_text(sink.getvalue(), encoding="utf-8")


Progress = Callable[[str, int, "int | None"], None]

CAUTIONS = (
    "Records may be wrong or old, and places may be wrong: verify before acting. Have the identification "
    "confirmed by somebody who knows the group, from a specimen or good photographs.",
    "Whether a species may be kept, moved, removed or must be reported is set by local law and the agency "
    "in charge, which this tool does not know: ask there first.",
    "Nothing here is advice on treatment or removal, and no list proves that a species is absent.",
    "Do not move live fish, and do not carry water, mud or gear from one water to another uncleaned.",
)

NO_STATUS = (
    "No source says what is native and what is introduced here: no range polygon, record or checklist "
    "speaks of it. Every species recorded is listed as unknown; nothing is guessed. Give range maps with "
    "--ranges, a table of region checklists with --region-list, or a checklist with establishmentMeans."
)


@dataclass(frozen=True, kw_only=True)
class _Found:
    """What a part gives."""

    number: int
    waters: tuple[Assessment, ...]


@dataclass(frozen=True, kw_only=True)
class Run:
    """Introduced species near many waters.

    Attributes
    ----------
    document : dict
        The content of introduced.json.
    assessments : tuple of Assessment
        In the order of the waters; their documents are those of ``document["waters"]``.
    season : Season
    """

    document: dict[str, Any]
    assessments: tuple[Assessment, ...]
    season: Season = field(default_factory=Season)

    @property
    def waters(self) -> list[dict[str, Any]]:
        """The waters of the document."""
        return list(self.document["waters"])

    def found(self, kinds: Sequence[str]) -> list[str]:
        """What the run found of some kinds of news, one line for each kind, water and species."""
        return [
            f"{kind}: {water['water']}: {row['scientificName']}"
            for kind in kinds
            for water in self.waters
            for row in _shown(water)
            if kind in row["news"]
        ]

    def new(self, kind: str = "introduced") -> list[tuple[dict[str, Any], dict[str, Any]]]:
        """What is new, as pairs of water and species, those in a water first; *kind* may be ``unsettled``."""
        found = [(water, row) for water in self.waters for row in water[kind] if row["isNew"]]
        return sorted(found, key=lambda pair: pair[1]["newIn"] != "water")


def _look(engine: Engine, part: Part) -> _Found:
    """Look at the waters of a part."""
    job, checklist = engine.job, engine.checklist
    assert checklist is not None, "a run has one list for all waters"
    lists = open_lists(job.region_lists, checklist)
    found = [
        assess(
            built.pool,
            built.screened,
            built.located,
            number=number,
            checklist=checklist,
            water=built.water,
            region_lists=lists,
            year=job.as_of.year,
        )
        for number, built in zip(part.waters, engine.pools(part.sites), strict=True)
    ]
    return _Found(number=part.number, waters=tuple(found))


@contextmanager
def _listed(job: Job, group: str | None) -> Iterator[tuple[Job, Checklist]]:
    """The job with one list for all waters: a genus or another group becomes a list of its own."""
    if group is None and not is_genus(job.checklist):
        yield job, Checklist.load(job.checklist)
        return
    checklist = checklist_of_group(group or job.checklist, Store(job.store).batches())
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "group.csv"
        write_checklist(checklist, path)
        yield replace(job, checklist=str(path)), checklist


def find_introduced(
    sites: Sequence[Site],
    job: Job,
    *,
    group: str | None = None,
    regions: tuple[str, str] | None = None,
    season: Season | None = None,
    workers: int = 1,
    progress: Progress | None = None,
) -> Run:
    """Find the species near many waters that do not belong there.

    Parameters
    ----------
    sites : sequence of Site
    job : Job
        What to build with; its own site is not used.
    group : str, optional
        A genus, family or class: its species in the records are looked for in place of the
        job's checklist.
    regions : (str, str), optional
        Table of region checklists and layer of their polygons.
    season : Season, optional
        What the present is compared with.
    workers : int
        Processes on this machine.
    progress : callable, optional
        Called as ``progress(doing, waters done, waters)``.

    Raises
    ------
    RecordFileError
        When the store holds no records.
    ChecklistError, LayerError
        When a list or layer cannot be used.
    """
    season = season or Season()
    if regions is not None:
        job = replace(job, region_lists=(*job.region_lists, regions))
    tell = progress or (lambda doing, done, total: None)
    Engine(replace(job, checklist="lepomis", ranges=()))  # an empty store is told before anything else
    with _listed(job, group) as (listed, checklist):
        found: dict[int, Assessment] = {}
        tell("looking", 0, len(sites))
        for part in made_of_parts(_look, listed, parts_of(sites), workers=workers):
            found.update({item.document["number"]: item for item in part.waters})
            tell("looking", len(found), len(sites))
    assessments = tuple(found[number] for number in sorted(found))
    season.mark([item.document for item in assessments], job.as_of)
    document = _document(job, checklist, assessments, season)
    return Run(document=document, assessments=assessments, season=season)


def _document(
    job: Job,
    checklist: Checklist,
    assessments: Sequence[Assessment],
    season: Season,
) -> dict[str, Any]:
    shared, each = _split_notes(assessments)
    for item, own in zip(assessments, each, strict=True):
        item.document["layerNotes"] = own
    waters = [item.document for item in assessments]
    version, settings = poolbuilder.__version__, job.settings.as_dict()
    rows = [row for water in waters for row in (*water["introduced"], *water["unsettled"])]
    silent = bool(rows) and all(row["establishmentSource"] == "unknown" for row in rows)
    notes = [NO_STATUS] if silent else []
    notes += _outline_note(waters)
    notes += _empty_note(waters)
    datasets = _datasets(assessments)
    notes += _licence_notes(datasets)
    notes += season.notes(settings=settings, version=version, checklist=checklist.name)
    return {
        "schemaVersion": SCHEMA_VERSION,
        "poolbuilderVersion": version,
        "asOf": job.as_of.isoformat(),
        "since": None if season.since is None else season.since.isoformat(),
        "previous": None if season.before is None else season.before["asOf"],
        "checklist": checklist.name,
        "news": {
            kind: sum(kind in row["news"] for water in waters for row in _shown(water)) for kind in NEWS
        },
        "newsItems": news_items(waters, job.as_of.isoformat()),
        "earlierNews": season.earlier_news(),
        "new": sum(bool(row["isNew"]) for water in waters for row in water["introduced"]),
        "newUnsettled": sum(bool(row["isNew"]) for water in waters for row in water["unsettled"]),
        "notes": notes,
        "layerNotes": shared,
        "cautions": list(CAUTIONS),
        "waters": waters,
        "inputs": _inputs(assessments, checklist),
        "datasets": datasets,
        "settings": settings,
    }


def _shown(water: Mapping[str, Any]) -> list[dict[str, Any]]:
    """All species of a water that are listed, settled or not."""
    return [*water["introduced"], *water["unsettled"]]


def _outline_note(waters: Sequence[Mapping[str, Any]]) -> list[str]:
    without = sum(not water["outlined"] for water in waters)
    if not without:
        return []
    return [
        f"{without:,} of {len(waters):,} waters have no outline: there, recorded in the water means within "
        "sameWaterKm of the point given"
    ]


def _empty_note(waters: Sequence[Mapping[str, Any]]) -> list[str]:
    empty = [water["water"] for water in waters if NOTHING in water["notes"]]
    if not empty:
        return []
    named = ", ".join(empty[:5]) + (", …" if len(empty) > 5 else "")
    return [f"{len(empty):,} of {len(waters):,} waters have {NOTHING} ({named})"]


def _split_notes(assessments: Sequence[Assessment]) -> tuple[list[str], list[list[str]]]:
    """Notes that every water has, and those of each."""
    counts = Counter(note for item in assessments for note in dict.fromkeys(item.notes))
    shared = [note for note, count in counts.items() if count == len(assessments) and count > 1]
    return shared, [[note for note in item.notes if note not in shared] for item in assessments]


def _inputs(assessments: Sequence[Assessment], checklist: Checklist) -> list[dict[str, Any]]:
    """Files and queries that the run rests on, each once."""
    found: dict[str, dict[str, Any]] = {}
    for item in assessments:
        for source in item.inputs:
            if source.get("kind") != "checklist" or checklist.source:
                found.setdefault(f"{source.get('path')}|{source.get('sha256')}", dict(source))
    return list(found.values())


def _datasets(assessments: Sequence[Assessment]) -> list[dict[str, Any]]:
    """Data sets of the records near any water; a record near two waters counts once."""
    found: dict[str, dict[str, Any]] = {}
    keys: dict[str, set[str]] = {}
    for item in assessments:
        for name, records in item.record_keys.items():
            keys.setdefault(name, set()).update(records)
        for source in item.datasets:
            found.setdefault(str(source.get("datasetKey") or source.get("title")), dict(source))
    for name, source in found.items():
        counted = len(keys.get(name) or keys.get(str(source.get("title"))) or ())
        source["records"] = counted or source.get("records") or 0
    return sorted(found.values(), key=lambda item: (-item["records"], str(item["datasetKey"])))


def _licence_notes(datasets: Sequence[Mapping[str, Any]]) -> list[str]:
    """Data sets that may not be used commercially."""
    titles = [
        str(item.get("title") or item.get("datasetKey"))
        for item in datasets
        if re.search(r"by-nc|by_nc|non-?commercial", str(item.get("license") or ""), re.IGNORECASE)
    ]
    if not titles:
        return []
    named = "; ".join(titles[:3]) + (f" and {len(titles) - 3:,} more" if len(titles) > 3 else "")
    return [f"not for commercial use: this rests on records under a non-commercial licence ({named})"]
