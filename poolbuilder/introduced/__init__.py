"""Introduced species near many waters: how near, since when, by which way, and what is new.

Every water goes through the stages of :mod:`poolbuilder.many`; a species is listed where a
source says that it does not belong there, and listed apart where nobody says or where
sources disagree.  A run is compared with the run before it, or with a day.
"""

from __future__ import annotations

from poolbuilder.introduced.files import FILES, write_run
from poolbuilder.introduced.lines import run_lines
from poolbuilder.introduced.page import render
from poolbuilder.introduced.run import CAUTIONS, Run, find_introduced
from poolbuilder.introduced.season import Season, read_run
from poolbuilder.introduced.spread import Front, FrontYear, Visits, trace_front

__all__ = [
    "CAUTIONS",
    "FILES",
    "Front",
    "FrontYear",
    "Run",
    "Season",
    "Visits",
    "find_introduced",
    "read_run",
    "render",
    "run_lines",
    "trace_front",
    "write_run",
]
