"""Records from the open occurrence service.

The service is GBIF's public occurrence API, or any mirror that behaves as its documentation
says: ``/species/match``, ``/occurrence/search``, ``/dataset/{key}`` and, for very many
records, ``/occurrence/download/request``.
"""

from __future__ import annotations

from poolbuilder.records.service.client import DEFAULT_URL, SOURCE, Client
from poolbuilder.records.service.downloads import Download, download
from poolbuilder.records.service.kept import Fetch, chain_of, record_key, records_table, replay
from poolbuilder.records.service.paging import fetch
from poolbuilder.records.service.search import (
    LICENCES,
    Query,
    TaxonMatch,
    match_taxon,
    most_restrictive,
    parse_licence,
    read_filter,
)

__all__ = [
    "DEFAULT_URL",
    "LICENCES",
    "SOURCE",
    "Client",
    "Download",
    "Fetch",
    "Query",
    "TaxonMatch",
    "chain_of",
    "download",
    "fetch",
    "match_taxon",
    "most_restrictive",
    "parse_licence",
    "read_filter",
    "record_key",
    "records_table",
    "replay",
]
