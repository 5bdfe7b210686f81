"""The pools of many waters in one pass over the store."""

from __future__ import annotations

from poolbuilder.many.building import build_many

__all__ = ["build_many"]
