"""Raw answers, kept compressed and hashed, so that a fetch can be replayed offline years later.

A fetch is a folder ``fetches/<key>/`` in the store::

    plan.json         the query, its parts and their counts; written first
    000001.json.gz    one answer as it came, and so on
    pages.jsonl       one line for each answer kept: file, part, offset, records, SHA-256
    manifest.json     written last: the fetch is whole if and only if this file is there
"""

from __future__ import annotations

import gzip
import hashlib
import json
import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from poolbuilder.errors import StoreError

__all__ = ["Answers", "keep_file", "write_whole"]

PLAN, PAGES, MANIFEST = "plan.json", "pages.jsonl", "manifest.json"


def write_whole(path: Path, data: bytes) -> None:
    """Write a file all or not at all: beside, then renamed.

    Raises
    ------
    StoreError
        When it cannot be written; a full disk among the reasons.
    """
    beside = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        with beside.open("wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        beside.replace(path)
    except OSError as error:
        beside.unlink(missing_ok=True)
        raise StoreError(
            f"{path}: cannot be written: {error.strerror} (free some space or check the rights; what was "
            "kept "
            "before is whole, and the same command goes on)"
        ) from error


def keep_file(path: Path, data: bytes) -> None:
    """Write a file whole, making its folder where it is missing.

    Raises
    ------
    StoreError
        When it cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(
            f"{path.parent}: cannot be made: {error.strerror} (check the store's rights)"
        ) from error
    write_whole(path, data)


@dataclass
class Answers:
    """The folder of one fetch.

    Parameters
    ----------
    folder : path
        ``fetches/<key>`` in a store; made at the first write.
    """

    folder: Path
    pages: list[dict[str, Any]] = field(default_factory=list)

    @property
    def key(self) -> str:
        """Name of the fetch."""
        return self.folder.name

    @property
    def is_whole(self) -> bool:
        """Whether the fetch came to its end."""
        return (self.folder / MANIFEST).is_file()

    def manifest(self) -> dict[str, Any]:
        """What the fetch was and brought."""
        return _read_json(self.folder / MANIFEST)

    def plan(self) -> dict[str, Any] | None:
        """What a fetch set out to do; None when it never got so far."""
        path = self.folder / PLAN
        return _read_json(path) if path.is_file() else None

    def begin(self, plan: dict[str, Any]) -> None:
        """Write down what is to be fetched."""
        keep_file(self.folder / PLAN, json.dumps(plan, indent=1).encode())

    def keep(self, body: bytes, **about: Any) -> dict[str, Any]:
        """Keep one answer and note it; the note comes after the answer is safe."""
        name = f"{len(self.pages) + 1:06d}.json.gz"
        write_whole(self.folder / name, gzip.compress(body, 6, mtime=0))
        note = {"file": name, "sha256": hashlib.sha256(body).hexdigest(), "bytes": len(body), **about}
        try:
            with (self.folder / PAGES).open("ab") as stream:
                stream.write(json.dumps(note).encode() + b"\n")
                stream.flush()
        except OSError as error:
            raise StoreError(
                f"{self.folder / PAGES}: cannot be written: {error.strerror} (free some space; the same "
                "command "
                "goes on where it stopped)"
            ) from error
        self.pages.append(note)
        return note

    def end(self, manifest: dict[str, Any]) -> None:
        """Mark the fetch as whole."""
        write_whole(self.folder / MANIFEST, json.dumps(manifest, indent=1, ensure_ascii=False).encode())

    def resume(self) -> None:
        """Take up the answers that a broken fetch has kept; a torn last line is left out.

        Whatever cannot be trusted is dropped from the notes, and is then asked for again.
        """
        path = self.folder / PAGES
        lines = path.read_bytes().split(b"\n") if path.is_file() else []
        notes = []
        for line in lines:
            try:
                note = json.loads(line)
                self._body(note)
            except (ValueError, StoreError, TypeError, KeyError):
                break
            notes.append(note)
        self.pages = notes
        if self.folder.is_dir():
            write_whole(path, b"".join(json.dumps(note).encode() + b"\n" for note in notes))

    def load(self) -> Iterator[tuple[dict[str, Any], bytes]]:
        """Every answer of a whole fetch, in order, with its note.

        Raises
        ------
        StoreError
            When an answer is missing or is not the one that was kept.
        """
        notes = self.manifest()["pages"]
        for note in notes:
            yield note, self._body(note)

    def body(self, note: dict[str, Any]) -> bytes:
        """One answer, checked against its hash."""
        return self._body(note)

    def _body(self, note: dict[str, Any]) -> bytes:
        path = self.folder / note["file"]
        try:
            body = gzip.decompress(path.read_bytes())
        except (OSError, EOFError, ValueError) as error:
            raise StoreError(
                f"{path}: this kept answer cannot be read: {error} (delete the folder {self.folder} and "
                "fetch again)"
            ) from error
        if hashlib.sha256(body).hexdigest() != note["sha256"]:
            raise StoreError(
                f"{path}: this kept answer is not the one that came: its SHA-256 differs (delete the folder "
                f"{self.folder} and fetch again)"
            )
        return body

    def digest(self) -> str:
        """SHA-256 over the hashes of all answers: the identity of what was fetched."""
        return hashlib.sha256("".join(note["sha256"] for note in self.pages).encode()).hexdigest()


def _read_json(path: Path) -> dict[str, Any]:
    try:
        value = json.loads(path.read_bytes())
    except OSError as error:
        raise StoreError(f"{path}: cannot be read: {error.strerror} (fetch again)") from error
    except ValueError as error:
        raise StoreError(
            f"{path}: is broken: {error} (delete the folder {path.parent} and fetch again)"
        ) from error
    if not isinstance(value, dict):
        raise StoreError(
            f"{path}: is broken: not an object (delete the folder {path.parent} and fetch again)"
        )
    return value
