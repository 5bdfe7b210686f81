"""The errors a caller can catch.

::

    PoolBuilderError
    ├── SiteError           a place, outline or radius that cannot be used   (ValueError)
    ├── SettingsError       an unknown or impossible setting                 (ValueError)
    ├── TableError          a table that does not match its schema           (ValueError)
    ├── InputError          a file that cannot be used: file, row, remedy    (ValueError)
    │   ├── RecordFileError     an occurrence table or archive
    │   ├── ChecklistError      a species list
    │   ├── LayerError          range polygons, outlines, basins, stream lines
    │   ├── PlanError           a refresh plan or a table of waters
    │   ├── TraitError          a trait table or the notes on one fish
    │   └── PoolFileError       a pool folder, or one of its files
    ├── StoreError          the record store: broken, locked, of another version
    ├── CalibrationError    surveys from which nothing can be fitted         (ValueError)
    ├── SourceError         a service that failed; carries source and url
    │   └── OfflineError        a request that `offline` forbids
    ├── UnknownSpeciesError a species that a pool does not have               (KeyError)
    └── MissingExtraError   an optional package that is not installed        (ImportError)

A bad *record* is never an exception: it is kept with the rule that rejects it.
Messages read ``what: fact, got value (remedy)``, lower-case, without a full stop.  Their texts stand in
``words/faults.txt``, a line each; ``of`` makes an error of one of them and of facts.
"""

from __future__ import annotations

import re
import string
from collections.abc import Iterable
from functools import cached_property
from pathlib import Path
from typing import Any, Self


class Sentences(string.Formatter):
    """The sentences of a file in ``words``: a line each, ``key: text`` with the facts in braces.

    A fact is written as ``str.format`` does.  Several are joined by commas, with ``{names:or}`` or
    ``{names:and}`` by that word; ``{rows:# row}`` counts, with ``{lists:# list|lists}`` where no s is added.

    Examples
    --------
    >>> Sentences("faults.txt").format("{rows:# row} on {days:or}", rows=1, days=["x", "y"])
    '1 row on x or y'
    """

    def __init__(self, name: str) -> None:
        self.name = name

    @cached_property
    def texts(self) -> dict[str, str]:
        """The sentences by key."""
        lines = (Path(__file__).parent / "words" / self.name).read_text(encoding="utf-8").splitlines()
        return dict(line.split(": ", 1) for line in lines if line and line[0] != "#")

    def said(self, key: str, **facts: Any) -> str:
        """A sentence with its facts."""
        return self.vformat(self.texts[key], (), facts)

    def format_field(self, value: Any, format_spec: str) -> str:
        """One fact."""
        if format_spec.startswith("# "):
            one, _, many = format_spec[2:].partition("|")
            return f"{value:,} {one if value == 1 else many or one + 's'}"
        if isinstance(value, str) or not isinstance(value, Iterable):
            return str(super().format_field(value, format_spec))
        return (f" {format_spec} " if format_spec else ", ").join(map(str, value))


_FAULTS = Sentences("faults.txt")
said = Sentences("notes.txt").said
"""A sentence of ``words/notes.txt`` by its key, with its facts."""
_UNSEEN = re.compile(r"[\x00-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]+")


LONGEST = 2400
"""Characters of a message that are shown."""


class PoolBuilderError(Exception):
    """Base of every error that poolbuilder raises on purpose; its message is one line, all to be read.

    Examples
    --------
    >>> from poolbuilder import PoolBuilderError, Site
    >>> try:
    ...     Site(longitude=0, latitude=0, radius_km=-1)
    ... except PoolBuilderError as error:
    ...     print(error)
    site: radius -1 km is out of range (use more than 0, up to 2000 km)
    """

    def __init__(self, *words: object) -> None:
        super().__init__(*(_shown(word) if isinstance(word, str) else word for word in words))

    @classmethod
    def of(cls, key: str, **facts: Any) -> Self:
        """The error whose text stands under a key of ``words/faults.txt``, with its facts."""
        return cls(_FAULTS.said(key, **facts))


def fault(key: str, **facts: Any) -> tuple[str, str]:
    """What is wrong, and its remedy, as they stand under a key of ``words/faults.txt``."""
    fact, _, remedy = _FAULTS.said(key, **facts).partition(" | ")
    return fact, remedy


def _shown(text: str) -> str:
    """A message on one line, its middle left out where a value that it repeats is very long."""
    line = _UNSEEN.sub(" ", text)
    return line if len(line) <= LONGEST else f"{line[: LONGEST // 2]} ... {line[-LONGEST // 3 :]}"


class SiteError(PoolBuilderError, ValueError):
    """A place, outline or radius that cannot be used."""


class UnknownSpeciesError(PoolBuilderError, KeyError):
    """A species that a pool does not have."""

    __str__ = Exception.__str__


class SettingsError(PoolBuilderError, ValueError):
    """An unknown setting, or a value outside its bounds."""


class TableError(PoolBuilderError, ValueError):
    """A table that does not match the schema of its stage."""


class InputError(PoolBuilderError, ValueError):
    """A file that cannot be used.

    Parameters
    ----------
    fact : str
        What is wrong, with the value that was found.
    file : path, optional
        The file at fault; named first in the message.
    row : int, optional
        The line or row in it, counted from 1 with the header.
    remedy : str, optional
        What the reader can do about it; put in parentheses at the end.
    """

    def __init__(
        self,
        fact: str,
        *,
        file: str | Path | None = None,
        row: int | None = None,
        remedy: str | None = None,
    ) -> None:
        self.fact = fact
        self.file = None if file is None else str(file)
        self.row = row
        self.remedy = remedy
        where = "" if self.file is None else self.file
        if row is not None:
            where = f"{where}, row {row}" if where else f"row {row}"
        text = f"{where}: {fact}" if where else fact
        super().__init__(f"{text} ({remedy})" if remedy else text)

    @classmethod
    def of(cls, key: str, *, file: str | Path | None = None, row: int | None = None, **facts: Any) -> Self:
        """The fault of a file, with the facts that its text names."""
        fact, remedy = fault(key, **facts)
        return cls(fact, file=file, row=row, remedy=remedy)


class RecordFileError(InputError):
    """An occurrence table or archive that cannot be read."""


class ChecklistError(InputError):
    """A species list with a row that cannot be used."""


class LayerError(InputError):
    """A layer of range polygons, outlines, basins or stream lines that cannot be used."""


class PlanError(InputError):
    """A refresh plan or a table of waters that cannot be used."""


class TraitError(InputError):
    """A trait table, or the notes on one fish, that cannot be used."""


class PoolFileError(InputError):
    """A pool folder, or one of its files, that cannot be used."""


class StoreError(PoolBuilderError):
    """The record store is broken, locked or of another version."""


class CalibrationError(PoolBuilderError, ValueError):
    """Surveys from which nothing can be fitted."""


class SourceError(PoolBuilderError):
    """A service that failed.

    Parameters
    ----------
    message : str
        What happened, with the remedy.
    source : str
        The service's name.
    url : str
        The address asked, without credentials.
    """

    def __init__(self, message: str, *, source: str = "", url: str = "") -> None:
        self.source = source
        self.url = url
        super().__init__(message)

    @classmethod
    def of(cls, key: str, *, source: str = "", url: str = "", **facts: Any) -> Self:
        """The failure of a service, with the facts that its text names."""
        return cls(_FAULTS.said(key, **facts), source=source, url=url)


class OfflineError(SourceError):
    """A request that ``offline`` forbids."""


class MissingExtraError(PoolBuilderError, ImportError):
    """An optional package that is not installed; the message names the install command."""
