"""The seasonal run over many waters: a plan in, a dated folder of pools and what changed out."""

from __future__ import annotations

from poolbuilder.refresh.plan import Plan, read_plan
from poolbuilder.refresh.seasonal import SeasonalRun, refresh

__all__ = ["Plan", "SeasonalRun", "read_plan", "refresh"]
