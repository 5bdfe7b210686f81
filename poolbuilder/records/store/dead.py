"""Rows of a file that newer versions have replaced."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from poolbuilder.errors import StoreError
from poolbuilder.records.store.folder import REPAIR, Folder
from poolbuilder.records.store.index import StoredFile

__all__ = ["dead_rows", "marked"]

Rows = NDArray[np.int64]


def dead_rows(folder: Folder, file: StoredFile) -> Rows:
    """Rows of a file that newer versions have replaced, ascending."""
    if file.dead_name is None:
        return np.zeros(0, dtype=np.int64)
    label = folder.label(file.dead_name)
    content = folder.read(file.dead_name)
    if content is None:
        raise StoreError(f"{label}: is missing ({REPAIR})")
    try:
        found = np.load(io.BytesIO(content)).astype(np.int64)
    except (ValueError, EOFError) as error:
        raise StoreError(f"{label}: is broken: {error} ({REPAIR})") from error
    if len(found) != int(file.groups.dead.sum()) or (len(found) and found[-1] >= file.rows):
        raise StoreError(f"{label}: does not fit {file.name} ({REPAIR})")
    return np.asarray(found)


def marked(file: StoredFile, dead: Rows, *, name: str) -> StoredFile:
    """A file whose *dead* rows, listed in the file *name*, no longer count."""
    ends = np.cumsum(file.groups.rows)
    per_group = np.bincount(np.searchsorted(ends, dead, side="right"), minlength=len(ends))
    return replace(file, dead_name=name, groups=replace(file.groups, dead=per_group.astype(np.int64)))
