"""``poolbuilder crosses``: the parent pairs of a pool."""

from __future__ import annotations

import io
import json
import textwrap
from pathlib import Path

import click
import pyarrow as pa

WIDTH = 100


def _table(crosses: pa.Table, top: int) -> list[str]:
    """Pairs as lines of at most 100 characters."""
    lines = [f"{'weight':>7}  {'prior':>7}  {'hybrids':>7}  pair, and what is known of it", "-" * WIDTH]
    for row in crosses.slice(0, top).to_pylist():
        lines.append(
            f"{row['weight']:>7.4f}  {row['prior']:>7.4f}  {row['hybridRecords']:>7,}  {row['formula']}"
        )
        known = textwrap.wrap(row["viability"], WIDTH - 27)
        lines += [f"{'':27}{line}" for line in known]
    rest = crosses.num_rows - top
    if rest > 0:
        lines.append(f"and {rest} more (--top {crosses.num_rows} shows all)")
    return lines


@click.command()
@click.argument("pool", type=click.Path(path_type=Path))
@click.option("--include-pure", is_flag=True, help="Add each species itself to the hypotheses.")
@click.option(
    "--f1-share",
    type=float,
    help="Share of the weight that the pairs get beside the pure species. [default: the pool's f1Share]",
)
@click.option("--top", type=click.IntRange(min=1), default=20, show_default=True, help="Rows of the table.")
@click.option(
    "--format",
    "shape",
    type=click.Choice(["table", "csv", "json"]),
    default="table",
    show_default=True,
    help="csv and json hold every row and column.",
)
def crosses(pool: Path, include_pure: bool, f1_share: float | None, top: int, shape: str) -> None:
    """List the parent pairs of the pool in folder POOL, with their weights."""
    if f1_share is not None and not include_pure:
        raise click.UsageError("--f1-share says nothing without --include-pure")
    from poolbuilder.folder import read_pool
    from poolbuilder.model.crosses import with_pure

    found = read_pool(pool)
    settings = found.settings if f1_share is None else found.settings.replace(f1_share=f1_share)
    pairs = with_pure(found.crosses, found.candidates, settings=settings) if include_pure else found.crosses
    if shape == "csv":
        import pyarrow.csv

        buffer = io.BytesIO()
        pyarrow.csv.write_csv(pairs, buffer)
        click.echo(buffer.getvalue().decode(), nl=False)
        return
    if shape == "json":
        click.echo(json.dumps(pairs.to_pylist(), ensure_ascii=False, indent=1))
        return
    for line in _table(pairs, top):
        click.echo(line)
    if include_pure:
        click.echo(f"pairs share {settings.f1_share:g} of the weight (f1Share), the species the rest")
