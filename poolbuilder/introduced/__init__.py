"""Introduced species near many waters: how near, since when, by which way, and what is new.

A species is listed where a source says that it does not belong there, and listed apart where nobody
says or where sources disagree.  A run is compared with the run before it, or with a day.
"""

from __future__ import annotations

import csv
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
from poolbuilder.errors import ChecklistError, said
from poolbuilder.introduced.assessment import Assessment, assess
from poolbuilder.introduced.season import NEWS, SCHEMA_VERSION, Season, news_items
from poolbuilder.job import Engine, Job, is_genus
from poolbuilder.many import Done, Part, made_of_parts, parts_of
from poolbuilder.names.checklist import Checklist
from poolbuilder.places.sites import Site
from poolbuilder.records.store import Store
from poolbuilder.surroundings import Screened
from poolbuilder.words import introduced_words as words

Progress = Callable[[str, int, "int | None"], None]


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
    kept = [part for part in (_of_group(batch, wanted) for batch in batches) if part.num_rows]
    table = pa.concat_tables(kept) if kept else None
    genera = sorted({_genus(name) for name in tables.strings(table["scientificName"])}) if table else []
    entries: dict[str, Any] = {}
    for genus in genera:
        try:
            found = Checklist.from_records(genus, table).entries
        except ChecklistError:  # the genus is only named without a species
            continue
        for entry in found:
            entries.setdefault(entry.name, entry)
    if not entries:
        raise ChecklistError.of("no_record_names", group=group.strip())
    return Checklist(name=group.strip(), entries=tuple(entries.values()))


def _genus(name: str | None) -> str:
    first = (name or "").partition(" ")[0]
    return first.capitalize() if first.isalpha() else ""


def _of_group(batch: pa.Table, wanted: str) -> pa.Table:
    code, names = tables.codes(batch["scientificName"])
    mine = np.array([*(_genus(name).casefold() == wanted for name in names), False])[code]
    for column in ("family", "taxonClass"):
        at, above = tables.codes(batch[column])
        mine |= np.array([*((name or "").casefold() == wanted for name in above), False])[at]
    return tables.where(batch.select(["scientificName", "vernacularName"]), mine & (code >= 0))


@contextmanager
def _listed(job: Job, group: str | None) -> Iterator[tuple[Job, Checklist]]:
    """The job with one list for all waters: a genus or another group becomes a list of its own."""
    if group is None and not is_genus(job.checklist):
        yield job, Checklist.load(job.checklist)
        return
    checklist = checklist_of_group(group or job.checklist, Store(job.store).batches())
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "group.csv"
        with path.open("w", encoding="utf-8", newline="") as stream:
            writer = csv.writer(stream, lineterminator="\n")
            writer.writerow(["scientificName", "vernacularName"])
            for entry in checklist.entries:
                writer.writerow([entry.name, " | ".join(entry.vernacular)])
        yield replace(job, checklist=str(path)), checklist


@dataclass(frozen=True, kw_only=True)
class Run:
    """Introduced species near many waters.

    Attributes
    ----------
    document : dict
        The content of introduced.json.
    assessments : tuple of Assessment
        In the order of the waters; their documents are those of ``document["waters"]``.
    """

    document: dict[str, Any]
    assessments: tuple[Assessment, ...] = field(default=())

    @property
    def waters(self) -> list[dict[str, Any]]:
        """The waters of the document."""
        return list(self.document["waters"])

    def found(self, kinds: Sequence[str]) -> list[str]:
        """What the run found of some kinds of news, one line for each kind, water and species."""
        return [
            f"{kind}: {words.water(water)}: {row['scientificName']}"
            for kind in kinds
            for water in self.waters
            for row in (*water["introduced"], *water["unsettled"])
            if kind in row["news"]
        ]

    def new(self, kind: str = "introduced") -> list[tuple[dict[str, Any], dict[str, Any]]]:
        """What is new, as pairs of water and species, those in a water first; *kind* may be ``unsettled``."""
        found = [(water, row) for water in self.waters for row in water[kind] if row["isNew"]]
        return sorted(found, key=lambda pair: pair[1]["newIn"] != "water")


def find_introduced(
    sites: Sequence[Site],
    job: Job,
    *,
    group: str | None = None,
    season: Season | None = None,
    workers: int = 1,
    progress: Progress | None = None,
    notes: Sequence[str] = (),
) -> Run:
    """Find the introduced species near many waters.

    Parameters
    ----------
    sites : sequence of Site
    job : Job
        What to build with; its own site is not used.
    group : str, optional
        A genus, family or class: its species in the records are looked for in place of the
        job's checklist.
    season : Season, optional
        What the present is compared with.
    workers : int
        Processes on this machine.
    progress : callable, optional
        Called as ``progress(doing, waters done, waters)``.
    notes : sequence of str
        What reading the waters had to say.

    Raises
    ------
    RecordFileError
        When the store holds no records.
    ChecklistError, LayerError
        When a list or layer cannot be used.
    """
    season = season or Season()
    if not job.records:
        Engine(replace(job, checklist="lepomis", ranges=()))  # an empty store is told before anything else
    with _listed(job, group) as (listed, checklist):
        found: dict[int, Assessment] = {}
        keys: dict[str, set[str]] = {}
        done = Done("looking", len(sites), progress)
        for waters, own in made_of_parts(_look, listed, parts_of(sites), workers=workers, each=done.one):
            found |= {item.document["number"]: item for item in waters}
            for name, more in own.items():
                keys.setdefault(name, set()).update(more)
            done.part(len(waters))
    assessments = tuple(found[number] for number in sorted(found))
    season.mark([item.document for item in assessments], job.as_of)
    document = _document(job, checklist, assessments, season, _datasets(assessments, keys))
    document["notes"] = [*notes, *document["notes"]]
    return Run(document=document, assessments=assessments)


def _look(engine: Engine, part: Part) -> tuple[list[Assessment], dict[str, set[str]]]:
    """Look at the waters of a part; the records near any of them by data set, each once, with what forbids
    commercial use apart, under an empty name.
    """
    found, read = [], dict[int, tuple[Screened, list[Any]]]()
    for number, built in zip(part.waters, engine.pools(part.sites), strict=True):
        found.append(assess(built, number=number))
        read.setdefault(id(built.screened), (built.screened, []))[1].append(built.located.rows)
    keys: dict[str, set[str]] = {}
    for screened, rows in read.values():
        once = np.unique(np.concatenate(rows))
        texts = (
            [[*names, None][code] for code in codes[once].tolist()]
            for codes, names in map(screened.coded, ("recordKey", "datasetKey", "datasetName", "license"))
        )
        for record, key, title, licence in zip(*texts, strict=True):
            keys.setdefault(str(key or title), set()).add(str(record))
            if words.is_restricted(licence):
                keys.setdefault("", set()).add(str(key or title))
    return found, keys


def _document(
    job: Job,
    checklist: Checklist,
    assessments: Sequence[Assessment],
    season: Season,
    datasets: list[dict[str, Any]],
) -> dict[str, Any]:
    waters = [item.document for item in assessments]
    counts = Counter(note for item in assessments for note in dict.fromkeys(item.notes))
    shared = [note for note, count in counts.items() if count == len(assessments) and count > 1]
    for item in assessments:
        item.document["layerNotes"] = [note for note in item.notes if note not in shared]
    version, settings = poolbuilder.__version__, job.settings.as_dict()
    rows = [row for water in waters for row in (*water["introduced"], *water["unsettled"])]
    unknown = bool(rows) and all(row["establishmentSource"] == "unknown" for row in rows)
    notes = [words.NO_STATUS] if unknown else []
    if without := sum(not water["outlined"] for water in waters):
        notes.append(said("waters_without_outline", without=without, waters=len(waters)))
    if empty := [water["water"] for water in waters if words.NOTHING_WITHIN_REACH in water["notes"]]:
        notes.append(words.without_records(empty, len(waters)))
    if restricted := [str(item["title"]) for item in datasets if item["restricted"]]:
        notes.append(words.not_commercial(restricted))
    notes += season.notes(settings=settings, version=version, checklist=checklist.name, waters=waters)
    return {
        "schemaVersion": SCHEMA_VERSION,
        "poolbuilderVersion": version,
        "asOf": job.as_of.isoformat(),
        "since": None if season.since is None else season.since.isoformat(),
        "previous": None if season.before is None else season.before["asOf"],
        "checklist": checklist.name,
        "news": {kind: sum(kind in row["news"] for row in rows) for kind in NEWS},
        "newsItems": news_items(waters, job.as_of.isoformat()),
        "earlierNews": season.earlier_news(),
        "new": sum(bool(row["isNew"]) for water in waters for row in water["introduced"]),
        "newUnsettled": sum(bool(row["isNew"]) for water in waters for row in water["unsettled"]),
        "notes": notes,
        "layerNotes": shared,
        "cautions": list(words.CAUTIONS),
        "waters": waters,
        "inputs": _inputs(assessments, checklist),
        "datasets": datasets,
        "settings": settings,
    }


def _inputs(assessments: Sequence[Assessment], checklist: Checklist) -> list[dict[str, Any]]:
    """Files and queries that the run rests on, each once."""
    found: dict[str, dict[str, Any]] = {}
    for source in (source for item in assessments for source in item.inputs):
        if source.get("kind") != "checklist" or checklist.source:
            found.setdefault(f"{source.get('path')}|{source.get('sha256')}", dict(source))
    return list(found.values())


def _datasets(assessments: Sequence[Assessment], keys: Mapping[str, set[str]]) -> list[dict[str, Any]]:
    """Data sets of the records near any water; a record near two waters counts once."""
    found: dict[str, dict[str, Any]] = {}
    for item in assessments:
        for source in item.datasets:
            found.setdefault(str(source.get("datasetKey") or source.get("title")), dict(source))
    restricted = keys.get("", set())
    for name, source in found.items():
        source["restricted"] = bool(
            words.is_restricted(source.get("license")) or {name, str(source.get("title"))} & restricted
        )
        counted = len(keys.get(name) or keys.get(str(source.get("title"))) or ())
        source["records"] = counted or source.get("records") or 0
    return sorted(found.values(), key=lambda item: (-item["records"], str(item["datasetKey"])))
