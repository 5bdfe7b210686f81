"""Numbers that the plain and the compiled way of counting share."""

from __future__ import annotations

from typing import Final

__all__ = ["BLOCK", "UNDATED"]

BLOCK: Final = 64
"""Points, or balls, that one ball holds."""
UNDATED: Final = -32768
"""Year of a record without one."""
