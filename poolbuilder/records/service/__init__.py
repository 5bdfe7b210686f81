"""Records from the open occurrence service.

The service is GBIF's public occurrence API, or any mirror that behaves as its documentation
says: ``/species/match``, ``/occurrence/search``, ``/dataset/{key}`` and, for very many
records, ``/occurrence/download/request``.
"""

from __future__ import annotations

from poolbuilder.records.service.answers import keep_file
from poolbuilder.records.service.client import DEFAULT_URL, Client
from poolbuilder.records.service.downloads import Download, download
from poolbuilder.records.service.fetch import fetch
from poolbuilder.records.service.kept import Fetch, chain_of, fetches, replay
from poolbuilder.records.service.licences import LICENCES, most_restrictive, parse_licence, read_filter
from poolbuilder.records.service.query import Query
from poolbuilder.records.service.taxon import TaxonMatch, match_taxon
from poolbuilder.records.service.wire import SOURCE

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
    "fetches",
    "keep_file",
    "match_taxon",
    "most_restrictive",
    "parse_licence",
    "read_filter",
    "replay",
]
