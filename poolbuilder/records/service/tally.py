"""What arrived, counted record by record while it comes; nothing of a record is held but its key."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from poolbuilder.records.service.licences import parse_licence
from poolbuilder.records.service.occurrences import doubtful_keys

__all__ = ["Tally"]


@dataclass
class Tally:
    """Counts over the pages of a fetch.

    Attributes
    ----------
    rows : int
        Rows that arrived, repeats included.
    seen : set
        Keys of the distinct records, as the service gives them.
    datasets : Counter
        Distinct records by data set.
    licences : set of str
        Keys of the licences that they carry.
    doubtful : dict
        Keys of the records whose name as written is to be asked for; in order.
    """

    rows: int = 0
    seen: set[Any] = field(default_factory=set)
    datasets: Counter[str] = field(default_factory=Counter)
    licences: set[str] = field(default_factory=set)
    doubtful: dict[str, None] = field(default_factory=dict)

    def take(self, results: Sequence[Mapping[str, Any]]) -> None:
        """Count the results of one page."""
        self.rows += len(results)
        for item in results:
            if item["key"] in self.seen:
                continue
            self.seen.add(item["key"])
            if item.get("datasetKey") is not None:
                self.datasets[str(item["datasetKey"])] += 1
            licence = item.get("license")
            self.licences.add(parse_licence(licence if isinstance(licence, str) else None))
            self.doubtful |= dict.fromkeys(doubtful_keys([item]))

    @property
    def repeated(self) -> int:
        """Rows that had come before."""
        return self.rows - len(self.seen)
