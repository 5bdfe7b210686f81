"""Which species could be the parents in this water?

A place and a pile of open records go in; a weighted, explained list of the species that
could live there comes out, and other steps can compute with it.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from poolbuilder.errors import PoolBuilderError
    from poolbuilder.folder import read_pool, write_pool
    from poolbuilder.job import Job, pool_at
    from poolbuilder.names.checklist import Checklist
    from poolbuilder.pages.maps import plot
    from poolbuilder.pages.pool_page import explore, notebook_html
    from poolbuilder.places.sites import Site
    from poolbuilder.pool import Pool, build
    from poolbuilder.records.store import Store
    from poolbuilder.settings import Settings
    from poolbuilder.status.polygons import RangeMap
    from poolbuilder.water import Water

__version__ = "0.1.0"

__all__ = [
    "Checklist", "Job", "Pool", "PoolBuilderError", "RangeMap", "Settings", "Site", "Store",
    "Water", "build", "explore", "notebook_html", "plot", "pool_at", "read_pool", "write_pool",
]  # fmt: skip

_HOMES = {
    "Checklist": "names.checklist",
    "Job": "job",
    "Pool": "pool",
    "PoolBuilderError": "errors",
    "RangeMap": "status.polygons",
    "Settings": "settings",
    "Site": "places.sites",
    "Store": "records.store",
    "Water": "water",
    "build": "pool",
    "explore": "pages.pool_page",
    "notebook_html": "pages.pool_page",
    "plot": "pages.maps",
    "pool_at": "job",
    "read_pool": "folder",
    "write_pool": "folder",
}


def __getattr__(name: str) -> Any:
    """Import a public name when it is first used: importing the package stays cheap."""
    if name in _HOMES:
        return getattr(importlib.import_module(f"poolbuilder.{_HOMES[name]}"), name)
    raise AttributeError(f"poolbuilder has no {name!r}")
