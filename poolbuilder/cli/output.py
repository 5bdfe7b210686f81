"""What commands do with a pool: print it, or write its folder."""

from __future__ import annotations

import io
import json
import textwrap
from pathlib import Path

import click

from poolbuilder.pool import Pool

__all__ = ["publish", "show"]

WIDTH = 100


def show(pool: Pool, shape: str) -> None:
    """Print a pool as table, csv or json on stdout."""
    if shape == "csv":
        import pyarrow.csv

        buffer = io.BytesIO()
        pyarrow.csv.write_csv(pool.candidates, buffer)
        click.echo(buffer.getvalue().decode(), nl=False)
    elif shape == "json":
        from poolbuilder.folder import pool_document

        click.echo(json.dumps(pool_document(pool), ensure_ascii=False, indent=1))
    else:
        from poolbuilder.summary import summary_lines

        for line in summary_lines(pool):
            click.echo(
                "\n".join(textwrap.wrap(line, WIDTH, subsequent_indent="    ")) if len(line) > WIDTH else line
            )


def publish(pool: Pool, out: Path) -> None:
    """Write the pool folder with its report, and say where."""
    from poolbuilder.folder import write_pool
    from poolbuilder.pages import render

    folder = write_pool(pool, out, pages={"report.html": render(pool)})
    click.echo(f"wrote {folder} (open report.html in a browser)", err=True)
