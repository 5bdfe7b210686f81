"""``poolbuilder specimen``: one fish against a pool."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from poolbuilder.cli.options import format_option, out_option
from poolbuilder.cli.output import emit, say


def _simulate(
    traits: Path | None, fish: int, seed: int, settings_file: Path | None, out: Path | None
) -> None:
    from poolbuilder.cli.options import read_settings
    from poolbuilder.fish.characters import read_traits
    from poolbuilder.fish.simulation import even_hypotheses, simulate, simulation_lines, write_confusion

    table, settings = read_traits(traits), read_settings(settings_file)
    listed, prior = even_hypotheses(table, settings=settings)
    counts = [each.key for each in table.characters if each.kind == "count"]
    for title, keys in (("counts alone", counts), ("everything", None)):
        made = simulate(table, listed, prior, characters=keys, fish=fish, seed=seed, settings=settings)
        say(simulation_lines(made, title=title, pairs=keys is None))
    if out is not None:
        click.echo(f"wrote {write_confusion(made, out)} (confusion.csv, with everything seen)", err=True)
    click.echo(
        "every hypothesis alike before looking; drawn from the tables that weigh them: the best to hope for"
    )


def _settings(built: Any, settings_file: Path | None, f1_share: float | None) -> Any:
    """The pool's settings, with those of a file and --f1-share in place of its own."""
    from poolbuilder.cli.options import read_settings
    from poolbuilder.settings import Settings

    chosen = {**built.settings.as_dict(), **read_settings(settings_file).changed()}
    if f1_share is not None:
        chosen["f1Share"] = f1_share
    return Settings.from_dict(chosen)


@click.command()
@click.argument("pool", required=False, type=click.Path(path_type=Path))
@click.argument("fish", metavar="FISH.toml", required=False, type=click.Path(path_type=Path))
@click.option(
    "--traits",
    type=click.Path(path_type=Path),
    help="Trait table NAME_traits.csv, with NAME_characters.csv beside it. [default: the sunfishes]",
)
@out_option
@click.option("--backcrosses", is_flag=True, help="Weigh first backcrosses too.")
@click.option("--f1-share", type=float, help="Share of hybrids before looking. [default: the pool's f1Share]")
@click.option(
    "--settings",
    "settings_file",
    type=click.Path(path_type=Path),
    help="TOML file with numbers to use in place of the pool's.",
)
@format_option()
@click.option("--template", is_flag=True, help="Print an empty FISH.toml and stop.")
@click.option("--simulate", is_flag=True, help="Weigh fish drawn from the trait table and stop.")
@click.option(
    "--simulated", type=click.IntRange(2, 10_000), default=100, show_default=True, help="Fish per hypothesis."
)
@click.option("--seed", type=int, default=1, show_default=True, help="Of --simulate.")
def specimen(
    pool: Path | None,
    fish: Path | None,
    traits: Path | None,
    out: Path | None,
    backcrosses: bool,
    f1_share: float | None,
    settings_file: Path | None,
    shape: str,
    template: bool,
    simulate: bool,
    simulated: int,
    seed: int,
) -> None:
    """Weigh what was seen on one fish against the pool in folder POOL.

    FISH.toml holds what was seen and counted; --template prints an empty one.
    """
    if template or simulate:
        if pool is not None:
            raise click.UsageError("--template and --simulate take no POOL")
        if simulate:
            _simulate(traits, simulated, seed, settings_file, out)
            return
        from poolbuilder.cli.options import read_settings
        from poolbuilder.fish.characters import read_traits
        from poolbuilder.fish.notes import template as form

        click.echo(form(read_traits(traits), settings=read_settings(settings_file)), nl=False)
        return
    if pool is None or fish is None:
        raise click.UsageError("name a pool folder and the notes on one fish (--template prints empty ones)")
    from poolbuilder.fish.answer import identify, summary_lines, write_specimen
    from poolbuilder.fish.characters import read_traits
    from poolbuilder.fish.notes import read_fish
    from poolbuilder.folder import read_pool

    built, table = read_pool(pool), read_traits(traits)
    settings = _settings(built, settings_file, f1_share)
    notes = read_fish(fish, table, settings=settings)
    found = identify(built, notes, table, settings=settings, backcrosses=backcrosses)
    emit(shape, lines=lambda: summary_lines(found), table=found.posterior_table)
    if out is not None:
        folder = write_specimen(found, out)
        click.echo(f"wrote {folder} (open specimen.html in a browser)", err=True)
