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
Messages read ``what: fact, got value (remedy)``, lower-case, without a full stop.
"""

from __future__ import annotations

import re
from pathlib import Path

__all__ = [
    "CalibrationError",
    "ChecklistError",
    "InputError",
    "LayerError",
    "MissingExtraError",
    "OfflineError",
    "PlanError",
    "PoolBuilderError",
    "PoolFileError",
    "RecordFileError",
    "SettingsError",
    "SiteError",
    "SourceError",
    "StoreError",
    "TableError",
    "TraitError",
    "UnknownSpeciesError",
]


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


class OfflineError(SourceError):
    """A request that ``offline`` forbids."""


class MissingExtraError(PoolBuilderError, ImportError):
    """An optional package that is not installed; the message names the install command."""
