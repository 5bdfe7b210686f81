"""``poolbuilder demo``: the whole job on the demo water, without a network."""

from __future__ import annotations

from pathlib import Path

import click

from poolbuilder.cli.options import out_option
from poolbuilder.cli.output import is_verbose, publish, show


@click.command()
@out_option
def demo(out: Path | None) -> None:
    """Run the whole job on an invented water that ships with poolbuilder."""
    from poolbuilder.demonstration import demo_pool

    pool = demo_pool()
    publish(pool, out or Path("demo_pool"))
    show(pool, "table", verbose=is_verbose())
