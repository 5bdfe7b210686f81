"""One fish against a pool: weigh it, argue it, write it down."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.csv

from poolbuilder import columns, schemas
from poolbuilder.errors import TraitError
from poolbuilder.folder import write_folder
from poolbuilder.model.crosses import with_pure
from poolbuilder.model.ledger import AgainstParents, Row, against_parents, ledger
from poolbuilder.model.outlook import drop_outs, next_characters, sensitivity
from poolbuilder.model.specimen import Hypothesis, Weighing, hypotheses, weigh
from poolbuilder.model.traits import Fish, TraitTable
from poolbuilder.model.verdict import Verdict, fit, indices, verdict
from poolbuilder.pool import Pool
from poolbuilder.settings import Settings

__all__ = ["FILES", "Specimen", "identify", "write_specimen"]

FILES = ("posterior.csv", "ledger.csv", "specimen.html")
"""What a specimen's folder holds."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Specimen:
    """One fish, weighed against a pool.

    Attributes
    ----------
    pool : Pool
    weighing : Weighing
    left_out : tuple of str
        Candidates of the pool that the trait table does not know; they are no hypotheses.
    """

    pool: Pool
    weighing: Weighing
    left_out: tuple[str, ...] = ()

    @property
    def fish(self) -> Fish:
        """The notes on the fish."""
        return self.weighing.fish

    @cached_property
    def verdict(self) -> Verdict:
        """The answer in one sentence."""
        return verdict(self.weighing)

    @cached_property
    def ledger(self) -> list[Row]:
        """What speaks for and against each parent."""
        return ledger(self.weighing)

    @cached_property
    def against_parents(self) -> AgainstParents | None:
        """Why the leading pair, and not one of its parents alone."""
        return against_parents(self.weighing)

    @cached_property
    def drop_outs(self) -> list[Row]:
        """The order in which candidates drop out."""
        return drop_outs(self.weighing)

    @cached_property
    def next_characters(self) -> list[Row]:
        """What would decide next."""
        return next_characters(self.weighing)

    @cached_property
    def sensitivity(self) -> list[Row]:
        """The answer under other assumptions."""
        return sensitivity(self.weighing)

    @cached_property
    def indices(self) -> list[tuple[Hypothesis, Any]]:
        """Hubbs' index of the leading pairs."""
        return indices(self.weighing)

    @cached_property
    def fit(self) -> float:
        """How well the leading hypothesis fits, in standard deviations."""
        return fit(self.weighing)

    @cached_property
    def marks(self) -> dict[str, int]:
        """How the cells that this answer rests on are known."""
        seen = [each.character for each in self.fish.seen]
        return self.weighing.table.marks(self.weighing.species, seen)

    @cached_property
    def doubts(self) -> list[str]:
        """What could be wrong, in sentences."""
        from poolbuilder.specimens.doubts import doubts

        return doubts(self)

    def posterior_table(self) -> pa.Table:
        """Schema POSTERIOR."""
        weighing, order = self.weighing, self.weighing.order.tolist()
        listed = [weighing.hypotheses[index] for index in order]
        made = columns.table(
            schemas.POSTERIOR,
            {
                "hypothesis": [each.formula for each in listed],
                "parent1": [each.parents[0] for each in listed],
                "parent2": [each.parents[1] for each in listed],
                "prior": weighing.prior[order].tolist(),
                "posterior": weighing.posterior[order].tolist(),
                "rank": list(range(1, len(listed) + 1)),
            },
        )
        return schemas.check(made, schemas.POSTERIOR, "specimen")

    def ledger_table(self) -> pa.Table:
        """Schema LEDGER."""
        made = columns.table(
            schemas.LEDGER, {name: [row[name] for row in self.ledger] for name in schemas.LEDGER.names}
        )
        return schemas.check(made, schemas.LEDGER, "specimen")


def identify(
    pool: Pool,
    fish: Fish,
    table: TraitTable,
    *,
    settings: Settings | None = None,
    backcrosses: bool = False,
) -> Specimen:
    """Weigh one fish against a pool.

    Parameters
    ----------
    pool : Pool
        Its pairs and candidates give the prior: f1Share to the pairs, each by the presence
        of its parents and what is known of the cross; the rest to the species by presence.
    fish : Fish
    table : TraitTable
    settings : Settings, optional
        By default those of the pool.
    backcrosses : bool
        First backcrosses are hypotheses too.

    Raises
    ------
    TraitError
        When the table knows none of the pool's candidates.
    """
    settings = settings or pool.settings
    names = [name for name in columns.strings(pool.candidates["scientificName"]) if name]
    known = sorted(set(names) & set(table.species))
    if not known:
        raise TraitError(
            f"trait table {table.name} knows none of the pool's {len(names)} candidates",
            file=table.source.get("path"),
            remedy="give the trait table of this group with --traits, or build a pool of this group",
        )
    crosses = with_pure(pool.crosses, pool.candidates, settings=settings).to_pylist()
    listed, prior = hypotheses(crosses, known, settings=settings, backcrosses=backcrosses)
    return Specimen(
        pool=pool,
        weighing=weigh(fish, table, listed, prior, settings=settings),
        left_out=tuple(sorted(set(names) - set(known))),
    )


def write_specimen(specimen: Specimen, out: str | Path) -> Path:
    """Write posterior.csv, ledger.csv and specimen.html, all of them or none.

    Raises
    ------
    PoolFileError
        When the folder holds something else, or cannot be written.
    """
    from poolbuilder.specimens.sheet import render

    def fill(folder: Path) -> None:
        pyarrow.csv.write_csv(specimen.posterior_table(), folder / "posterior.csv")
        pyarrow.csv.write_csv(specimen.ledger_table(), folder / "ledger.csv")
        (folder / "specimen.html").write_text(render(specimen), encoding="utf-8", newline="\n")

    return write_folder(out, fill, marker="posterior.csv")
