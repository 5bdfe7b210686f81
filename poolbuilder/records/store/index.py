"""The index of a store: its files, their row groups' boxes, its sources and data sets.

One small JSON file, replaced all at once: whatever it does not name does not belong to the
store, so a change takes place when the index is replaced and at no other moment.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from poolbuilder.errors import StoreError
from poolbuilder.records.store.folder import Folder
from poolbuilder.records.store.layout import SCHEMA_VERSION

__all__ = ["COPY_NAME", "INDEX_NAME", "Groups", "Index", "StoredFile"]

INDEX_NAME = "index.json"
COPY_NAME = "index.copy.json"
"""The same again, for a repair when the index itself is damaged."""
REPAIR = "`poolbuilder add --check` rebuilds it from the files"


@dataclass(frozen=True, kw_only=True)
class Groups:
    """The row groups of one file: rows, dead rows, boxes, and whether whole numbers suffice.

    ``box`` is (n, 4): west, south, east, north, exact; NaN for unplaced files.
    """

    rows: NDArray[np.int64]
    dead: NDArray[np.int64]
    box: NDArray[np.float64]
    exact: NDArray[np.bool_]

    @property
    def extent(self) -> tuple[float, float, float, float] | None:
        """West, south, east and north end of all groups; None for unplaced files."""
        if len(self.box) == 0 or np.isnan(self.box).any():
            return None
        west, south = self.box[:, :2].min(axis=0).tolist()
        east, north = self.box[:, 2:].max(axis=0).tolist()
        return west, south, east, north

    def as_dict(self) -> dict[str, Any]:
        """JSON form; boxes of unplaced files are left out."""
        found: dict[str, Any] = {"rows": self.rows.tolist()}
        if self.dead.any():
            found["dead"] = self.dead.tolist()
        if not np.isnan(self.box).any():
            found["box"] = self.box.T.tolist()
        if not self.exact.all():
            found["exact"] = self.exact.tolist()
        return found

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> Groups:
        """Read the JSON form."""
        rows = np.array(values["rows"], dtype=np.int64)
        count = len(rows)
        box = values.get("box")
        return cls(
            rows=rows,
            dead=np.array(values.get("dead", np.zeros(count)), dtype=np.int64),
            box=np.full((count, 4), np.nan) if box is None else np.array(box, dtype=np.float64).T,
            exact=np.array(values.get("exact", np.ones(count)), dtype=bool),
        )


@dataclass(frozen=True, kw_only=True)
class StoredFile:
    """One Parquet file of the store; columns without any value are listed as ``empty``."""

    name: str
    kind: str
    size: int
    sources: tuple[str, ...]
    groups: Groups
    empty: tuple[str, ...] = ()
    dead_name: str | None = None

    @property
    def rows(self) -> int:
        """Rows in the file, dead ones included."""
        return int(self.groups.rows.sum())

    @property
    def living(self) -> int:
        """Rows that no newer version has replaced."""
        return self.rows - int(self.groups.dead.sum())

    @property
    def ledger_name(self) -> str:
        """Name of the file of record keys beside it."""
        return self.name.removesuffix(".parquet") + ".keys.npy"

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        found = {"name": self.name, "kind": self.kind, "size": self.size, "sources": list(self.sources)}
        if self.empty:
            found["empty"] = list(self.empty)
        if self.dead_name:
            found["dead"] = self.dead_name
        return {**found, "groups": self.groups.as_dict()}

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> StoredFile:
        """Read the JSON form."""
        return cls(
            name=values["name"],
            kind=values["kind"],
            size=values["size"],
            sources=tuple(values["sources"]),
            groups=Groups.from_dict(values["groups"]),
            empty=tuple(values.get("empty", ())),
            dead_name=values.get("dead"),
        )


@dataclass(frozen=True, kw_only=True)
class Index:
    """What a store holds; ``generation`` counts its changes."""

    generation: int = 0
    serial: int = 0
    files: tuple[StoredFile, ...] = ()
    sources: tuple[dict[str, Any], ...] = ()
    datasets: tuple[dict[str, Any], ...] = field(default=())

    @property
    def records(self) -> int:
        """Records of the store, older versions not counted."""
        return sum(item.living for item in self.files)

    def of_kind(self, kind: str) -> list[StoredFile]:
        """The placed or the unplaced files."""
        return [item for item in self.files if item.kind == kind]

    def knows(self, key: str) -> bool:
        """Whether a source with this key was added before."""
        return any(source["key"] == key for source in self.sources)

    def changed(self, **changes: Any) -> Index:
        """The next generation, with some fields changed."""
        return replace(self, generation=self.generation + 1, **changes)

    def with_datasets(self, datasets: Iterable[Mapping[str, Any]]) -> tuple[dict[str, Any], ...]:
        """The data sets with these added; a later description replaces the earlier."""
        known = {str(item.get("datasetKey")): dict(item) for item in self.datasets}
        known |= {str(item.get("datasetKey")): dict(item) for item in datasets}
        return tuple(known[key] for key in sorted(known))

    def as_bytes(self) -> bytes:
        """The index file."""
        content = {
            "schemaVersion": SCHEMA_VERSION,
            "generation": self.generation,
            "serial": self.serial,
            "sources": list(self.sources),
            "datasets": list(self.datasets),
            "files": [item.as_dict() for item in self.files],
        }
        return json.dumps(content, ensure_ascii=False, separators=(",", ":")).encode()

    @classmethod
    def from_bytes(cls, content: bytes, *, label: str) -> Index:
        """Read the index file.

        Raises
        ------
        StoreError
            When it is not JSON, lacks a part, or is of another version.
        """
        try:
            values = json.loads(content)
            version = values["schemaVersion"]
        except (ValueError, KeyError, TypeError) as error:
            raise StoreError(f"{label}: is no index of a record store ({REPAIR})") from error
        if version != SCHEMA_VERSION:
            raise StoreError(
                f"{label}: schemaVersion {version}, this program reads {SCHEMA_VERSION} "
                f"(update poolbuilder, or add the sources to a new store)"
            )
        try:
            return cls(
                generation=values["generation"],
                serial=values["serial"],
                files=tuple(StoredFile.from_dict(item) for item in values["files"]),
                sources=tuple(values["sources"]),
                datasets=tuple(values["datasets"]),
            )
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise StoreError(f"{label}: the index lacks or garbles {error} ({REPAIR})") from error

    @classmethod
    def read(cls, folder: Folder) -> Index:
        """The index of a folder; an empty one when there is none.

        Raises
        ------
        StoreError
            When there is none but there are files of a store.
        """
        content = folder.read(INDEX_NAME)
        if content is not None:
            return cls.from_bytes(content, label=folder.label(INDEX_NAME))
        if folder.path is not None and any(folder.path.glob("records-*.parquet")):
            raise StoreError(
                f"{folder.label(INDEX_NAME)}: is missing though there are record files ({REPAIR})"
            )
        return cls()
