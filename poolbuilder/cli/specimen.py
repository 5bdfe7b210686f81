"""``poolbuilder specimen``: one fish against a pool."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from poolbuilder.cli.options import format_option, out_option, settings_option
from poolbuilder.cli.output import emit, say


def _simulate(
    traits: Path | None, fish: int, seed: int, settings_file: Path | None, out: Path | None
) -> None:
    from poolbuilder.cli.options import read_settings
    from poolbuilder.fish.characters import read_traits
    from poolbuilder.fish.simulation import even_hypotheses, simulate, simulation_lines, write_confusion

    table, settings = read_traits(traits), read_settings(settings_file)
    listed, prior = even_hypotheses(table)
    counts = [each.key for each in table.characters if each.kind == "count"]
    for title, keys in (("counts alone", counts), ("everything", None)):
        made = simulate(table, listed, prior, characters=keys, fish=fish, seed=seed, settings=settings)
        say(simulation_lines(made, title=title, pairs=keys is None))
    if out is not None:
        click.echo(f"wrote {write_confusion(made, out)} (confusion.csv, with everything seen)", err=True)
    click.echo(
        "every hypothesis alike before looking; drawn from the tables that weigh them: the best to hope for"
    )
    marks = table.marks(table.species, [each.key for each in table.characters])
    share = 100 * marks["from memory"] / sum(marks.values())
    known = ", ".join(f"{number} {how}" for how, number in marks.items())
    click.echo(f"entries of the table: {known} ({share:.0f} % from memory)")


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
@click.argument("fish", metavar="FISH...", nargs=-1, type=click.Path(path_type=Path))
@click.option(
    "--traits",
    type=click.Path(path_type=Path),
    help="Trait table NAME_traits.csv, with NAME_characters.csv beside it. [default: the sunfishes]",
)
@out_option
@click.option(
    "--field-sheet",
    is_flag=True,
    help="Print a page (HTML) with the characters that split this pool, to take along, and stop.",
)
@click.option(
    "--place",
    type=click.Choice(["exact", "tenth", "degree", "none"]),
    default="degree",
    show_default=True,
    help="How finely second_opinion.html tells the place, in degrees.",
)
@click.option("--f1-share", type=float, help="Share of hybrids before looking. [default: the pool's f1Share]")
@settings_option("TOML file with numbers to use in place of the pool's.")
@format_option()
@click.option("--template", is_flag=True, help="Print an empty FISH.toml and stop.")
@click.option("--simulate", is_flag=True, help="Weigh fish drawn from the trait table and stop.")
@click.option(
    "--simulated", type=click.IntRange(2, 10_000), default=100, show_default=True, help="Fish per hypothesis."
)
@click.option("--seed", type=int, default=1, show_default=True, help="Of --simulate.")
def specimen(
    pool: Path | None,
    fish: tuple[Path, ...],
    traits: Path | None,
    out: Path | None,
    field_sheet: bool,
    place: str,
    f1_share: float | None,
    settings_file: Path | None,
    shape: str,
    template: bool,
    simulate: bool,
    simulated: int,
    seed: int,
) -> None:
    """Weigh what was seen on fish of one water against the pool in folder POOL.

    FISH is a TOML file with what was seen on one fish (--template prints an empty one) or a
    CSV file with one fish a row; several are weighed together.
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
    if pool is None or not (fish or field_sheet):
        raise click.UsageError("name a pool folder and the notes on a fish (--template prints empty ones)")
    from poolbuilder.fish.answer import (
        answer_lines,
        answers_table,
        identify_all,
        summary_lines,
        write_specimen,
        write_specimens,
    )
    from poolbuilder.fish.answer import field_sheet as sheet
    from poolbuilder.fish.characters import Fish, read_traits
    from poolbuilder.fish.notes import read_fish
    from poolbuilder.folder import read_pool

    built, table = read_pool(pool), read_traits(traits)
    settings = _settings(built, settings_file, f1_share)
    notes = [each for path in fish for each in read_fish(path, table, settings=settings)]
    weighed = identify_all(built, notes or [Fish()], table, settings=settings)
    if field_sheet:
        click.echo(sheet(weighed[0]))
        return
    first = weighed[0]
    if len(weighed) == 1:
        emit(shape, lines=lambda: summary_lines(first), table=first.posterior_table)
    else:
        emit(shape, lines=lambda: answer_lines(weighed), table=lambda: answers_table(weighed))
    if out is not None:
        single = len(weighed) == 1
        folder = write_specimen(first, out, place=place) if single else write_specimens(weighed, out)
        click.echo(
            f"wrote {folder} ({'open specimen.html in a browser' if single else 'answers.csv'})", err=True
        )
