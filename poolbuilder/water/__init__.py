"""The water itself: its outline, its watershed, its streams, and what lies in between."""

from __future__ import annotations

from poolbuilder.water.place import Placement
from poolbuilder.water.water import Water

__all__ = ["Placement", "Water"]
