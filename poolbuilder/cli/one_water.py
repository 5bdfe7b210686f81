"""``build``, ``report``, ``crosses``, ``demo`` and ``specimen``: one water, and one fish in it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
import pyarrow as pa

from poolbuilder import words
from poolbuilder.cli.options import (
    FILE,
    LAYER,
    format_option,
    knowledge_options,
    layer_options,
    make_job,
    option,
    out_option,
    place_options,
    pool_options,
    radius_of,
    read_settings,
    record_options,
    settings_option,
)
from poolbuilder.cli.output import emit, fitted, is_verbose, publish, refuse_other_place, say, show, tell
from poolbuilder.errors import said
from poolbuilder.job import TOOK
from poolbuilder.places.sites import Site
from poolbuilder.pool import Pool
from poolbuilder.words import pool_words


@click.command()
@place_options
@pool_options
@layer_options
@option("--outlines", metavar=LAYER)
@record_options
@knowledge_options
@out_option
@option("--replace", is_flag=True)
@option("--explain-time", is_flag=True)
@format_option()
def build(
    lat: float,
    lon: float,
    name: str,
    radius_km: float | None,
    radius_mi: float | None,
    water_type: str | None,
    out: Path | None,
    replace: bool,
    explain_time: bool,
    shape: str,
    **given: Any,
) -> None:
    """Build the pool of one water: which species could be the parents here?

    Where no record lies within reach there is no answer: that is said, and the exit code is 3.
    """
    radius = radius_of(radius_km, radius_mi)
    site = Site(longitude=lon, latitude=lat, radius_km=radius, name=name, water_type=water_type)
    replaced = "" if out is None else refuse_other_place(site, out, replace=replace)
    pool = make_job(site, say=tell, **given).run()
    if out is not None:
        publish(pool, out, replaced=replaced)
    show(pool, shape, verbose=is_verbose())
    if explain_time:
        longest = sorted(TOOK.items(), key=lambda item: -item[1])
        tell("time: " + ", ".join(f"{said(f'stage_{name}')} {taken:.1f} s" for name, taken in longest))
    if not pool_words.has_data(pool):
        click.get_current_context().exit(3)


@click.command()
@click.argument("pool", type=FILE)
@option("--out", of="report", type=click.Path(path_type=Path, dir_okay=False))
@option("--picture", "picture_file", type=click.Path(path_type=Path, dir_okay=False))
def report(pool: Path, out: Path | None, picture_file: Path | None) -> None:
    """Make the page of the pool in folder POOL again, or a picture for a paper."""
    from poolbuilder.folder import read_pool

    built = read_pool(pool)
    if picture_file is not None:
        from poolbuilder.pages.picture import picture

        click.echo(picture(built, picture_file))
        return
    from poolbuilder.pages import write_page
    from poolbuilder.pages.pool_page import render

    click.echo(write_page(render(built), out or pool / "report.html"))


def _lines(found: Pool, crosses: pa.Table, top: int) -> list[str]:
    """Pairs with what is known of them."""
    common = {row["scientificName"]: row["vernacularName"] for row in found.candidates.to_pylist()}

    def named(row: dict[str, Any]) -> str:
        both = [common.get(row[side]) or row[side] for side in ("parent1", "parent2")]
        return both[0] if row["parent1"] == row["parent2"] else " × ".join(both)

    cells = [
        (words.percent(row["weight"]), named(row), row["formula"], pool_words.known_of_pair(row))
        for row in crosses.slice(0, top).to_pylist()
    ]
    lines = fitted(("weight", "pair", "scientific names", "what is known"), cells, right=(0,))
    rest = crosses.num_rows - top
    return [*lines, f"and {rest} more (--top {crosses.num_rows} shows all)"] if rest > 0 else lines


@click.command()
@click.argument("pool", type=FILE)
@option("--include-pure", is_flag=True)
@option("--f1-share", of="crosses", type=float)
@option("--top", type=click.IntRange(1, 100_000), default=20, show_default=True)
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
    if not pool_words.has_data(found):
        click.echo(pool_words.findings(found))
        click.get_current_context().exit(3)
    emit(shape, lines=lambda: _lines(found, pairs, top), table=lambda: pairs)
    if include_pure and shape == "table":
        click.echo(f"pairs share {settings.f1_share:g} of the weight (f1Share), the species the rest")


@click.command()
@out_option
def demo(out: Path | None) -> None:
    """Run the whole job on an invented water that ships with poolbuilder."""
    from poolbuilder.demonstration import demo_pool

    pool = demo_pool()
    publish(pool, out or Path("demo_pool"))
    show(pool, "table", verbose=is_verbose())


def _simulate(
    traits: Path | None, fish: int, seed: int, settings_file: Path | None, out: Path | None
) -> None:
    from poolbuilder.fish.characters import read_traits
    from poolbuilder.fish.simulation import even_hypotheses, simulate, simulation_lines, write_confusion

    table, settings = read_traits(traits), read_settings(settings_file)
    listed, prior = even_hypotheses(table)
    counts = [each.key for each in table.characters if each.kind == "count"]
    for title, keys in (("counts alone", counts), ("everything", None)):
        made = simulate(table, listed, prior, characters=keys, fish=fish, seed=seed, settings=settings)
        say(simulation_lines(made, title=title, pairs=keys is None))
    if out is not None:
        tell(f"wrote {write_confusion(made, out)} (confusion.csv, with everything seen)")
    click.echo(
        "every hypothesis alike before looking; drawn from the tables that weigh them: the best to hope for"
    )
    marks = table.marks(table.species, [each.key for each in table.characters])
    share = 100 * marks["from memory"] / sum(marks.values())
    known = ", ".join(f"{number} {how}" for how, number in marks.items())
    click.echo(f"entries of the table: {known} ({share:.0f} % from memory)")


def _settings(built: Any, settings_file: Path | None, f1_share: float | None) -> Any:
    """The pool's settings, with those of a file and --f1-share in place of its own."""
    from poolbuilder.settings import Settings

    chosen = {**built.settings.as_dict(), **read_settings(settings_file).changed()}
    if f1_share is not None:
        chosen["f1Share"] = f1_share
    return Settings.from_dict(chosen)


@click.command()
@click.argument("pool", required=False, type=FILE)
@click.argument("fish", metavar="FISH...", nargs=-1, type=FILE)
@option("--traits", type=FILE)
@out_option
@option("--field-sheet", is_flag=True)
@option(
    "--place", type=click.Choice(["exact", "tenth", "degree", "none"]), default="degree", show_default=True
)
@option("--f1-share", type=float)
@settings_option("specimen")
@format_option()
@option("--template", is_flag=True)
@option("--simulate", is_flag=True)
@option("--simulated", type=click.IntRange(2, 10_000), default=100, show_default=True)
@option("--seed", type=int, default=1, show_default=True)
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
        tell(f"wrote {folder} ({'open specimen.html in a browser' if single else 'answers.csv'})")
