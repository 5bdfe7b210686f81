"""The water itself: its outline, its watershed, its streams, and what lies in between."""

from __future__ import annotations

from poolbuilder.water.streams import Placement
from poolbuilder.water.waterbody import Water

__all__ = ["Placement", "Water"]
