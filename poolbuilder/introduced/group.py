"""A checklist from the name of a group: every species of it that the records of a store name."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import pyarrow as pa

from poolbuilder import tables
from poolbuilder.errors import ChecklistError
from poolbuilder.names.checklist import Checklist

__all__ = ["checklist_of_group", "write_checklist"]


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
