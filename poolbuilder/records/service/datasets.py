"""Title, citation and licence of each data set, asked for once and kept in the store."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from urllib.parse import quote

from poolbuilder.errors import OfflineError, SourceError
from poolbuilder.records.service.answers import keep_file
from poolbuilder.records.service.client import Client

__all__ = ["citations", "read_dataset"]


def read_dataset(key: str, answer: Any) -> dict[str, Any]:
    """Title, citation and licence from the answer of ``/dataset/{key}``."""
    about = answer if isinstance(answer, dict) else {}
    citation = about.get("citation")
    text = citation.get("text") if isinstance(citation, dict) else citation
    doi = about.get("doi")
    return {
        "datasetKey": key,
        "title": str(about.get("title") or key),
        "citation": str(text or about.get("title") or key),
        "license": None if about.get("license") is None else str(about["license"]),
        "doi": None if doi is None else str(doi),
    }


def citations(
    client: Client, held: Mapping[str, int], folder: Path
) -> tuple[list[dict[str, Any]], list[str]]:
    """What to cite for the data sets that records came from.

    Parameters
    ----------
    held : mapping
        Data set key to its number of records.
    folder : path
        Where answers are kept between fetches.

    Returns
    -------
    datasets, notes
        One entry a data set, by key; and one note for each citation that could not be had. A
        missing citation never stops a fetch.
    """
    found, notes = [], []
    for key in sorted(held):
        path = folder / f"{re.sub(r'[^A-Za-z0-9._-]', '_', key)}.json"
        answer: Any = None
        if path.is_file():
            try:
                answer = json.loads(path.read_bytes())
            except ValueError:
                answer = None
        if answer is None:
            try:
                answer, got = client.get(f"/dataset/{quote(key, safe='')}")
                keep_file(path, got.body)
            except OfflineError:
                notes.append(f"no citation for data set {key}: offline")
            except SourceError as error:
                notes.append(f"no citation for data set {key}: {error}")
        found.append(read_dataset(key, answer) | {"records": held[key]})
    return found, notes
