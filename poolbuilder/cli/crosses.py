"""``poolbuilder crosses``: the parent pairs of a pool."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
import pyarrow as pa

from poolbuilder import words
from poolbuilder.cli.options import format_option
from poolbuilder.cli.output import emit, fitted
from poolbuilder.pool import Pool


def _lines(found: Pool, crosses: pa.Table, top: int) -> list[str]:
    """Pairs with what is known of them."""
    common = {row["scientificName"]: row["vernacularName"] for row in found.candidates.to_pylist()}

    def named(row: dict[str, Any]) -> str:
        both = [common.get(row[side]) or row[side] for side in ("parent1", "parent2")]
        return both[0] if row["parent1"] == row["parent2"] else " × ".join(both)

    cells = [
        (words.percent(row["weight"]), named(row), row["formula"], row["viability"])
        for row in crosses.slice(0, top).to_pylist()
    ]
    lines = fitted(("weight", "pair", "scientific names", "what is known"), cells, right=(0,))
    rest = crosses.num_rows - top
    return [*lines, f"and {rest} more (--top {crosses.num_rows} shows all)"] if rest > 0 else lines


@click.command()
@click.argument("pool", type=click.Path(path_type=Path))
@click.option("--include-pure", is_flag=True, help="Add each species itself to the hypotheses.")
@click.option(
    "--f1-share",
    type=float,
    help="Share of the weight that the pairs get beside the pure species. [default: the pool's f1Share]",
)
@click.option("--top", type=click.IntRange(min=1), default=20, show_default=True, help="Rows of the table.")
@format_option()
def crosses(pool: Path, include_pure: bool, f1_share: float | None, top: int, shape: str) -> None:
    """List the parent pairs of the pool in folder POOL, with their weights."""
    if f1_share is not None and not include_pure:
        raise click.UsageError("--f1-share says nothing without --include-pure")
    from poolbuilder.folder import read_pool
    from poolbuilder.model.pairs import with_pure

    found = read_pool(pool)
    settings = found.settings if f1_share is None else found.settings.replace(f1_share=f1_share)
    pairs = with_pure(found.crosses, found.candidates, settings=settings) if include_pure else found.crosses
    if not words.has_data(found):
        click.echo(words.findings(found))
        click.get_current_context().exit(3)
    emit(shape, lines=lambda: _lines(found, pairs, top), table=lambda: pairs)
    if include_pure and shape == "table":
        click.echo(f"pairs share {settings.f1_share:g} of the weight (f1Share), the species the rest")
