"""``build``, ``report``, ``crosses``, ``page``, ``demo`` and ``specimen``: one water, and one fish in it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
import pyarrow as pa

from poolbuilder import words
from poolbuilder.cli.options import Given, make_job, paired_lists, radius_of, read_settings, store_path
from poolbuilder.cli.output import emit, fitted, is_verbose, publish, refuse_other_place, say, show, tell
from poolbuilder.errors import MissingExtraError, said
from poolbuilder.job import TOOK
from poolbuilder.places.sites import Site
from poolbuilder.pool import Pool
from poolbuilder.settings import Settings
from poolbuilder.words import pool_words


def build(given: Given) -> None:
    """Build the pool of one water: which species could be the parents here?

    Where no record lies within reach there is no answer: that is said, and the exit code is 3.
    """
    site = Site(
        longitude=given.lon,
        latitude=given.lat,
        radius_km=radius_of(given),
        name=given.name or "",
        water_type=given.water_type,
    )
    replaced = "" if given.out is None else refuse_other_place(site, given.out, replace=given.replace)
    pool = make_job(site, given, say=tell).run()
    if given.out is not None:
        publish(pool, given.out, replaced=replaced)
    show(pool, given.format, verbose=is_verbose())
    if given.explain_time:
        longest = sorted(TOOK.items(), key=lambda item: -item[1])
        tell("time: " + ", ".join(f"{said(f'stage_{name}')} {taken:.1f} s" for name, taken in longest))
    if not pool_words.has_data(pool):
        click.get_current_context().exit(3)


def report(given: Given) -> None:
    """Make the page of the pool in folder POOL again, or a picture for a paper."""
    from poolbuilder.folder import read_pool

    built = read_pool(given.pool)
    if given.picture is not None:
        from poolbuilder.pages.maps import picture

        click.echo(picture(built, given.picture))
        return
    from poolbuilder.pages import write_page
    from poolbuilder.pages.pool_page import render

    click.echo(write_page(render(built), given.out or given.pool / "report.html"))


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


def crosses(given: Given) -> None:
    """List the parent pairs of the pool in folder POOL, with their weights."""
    if given.f1_share is not None and not given.include_pure:
        raise click.UsageError("--f1-share says nothing without --include-pure")
    from poolbuilder.folder import read_pool
    from poolbuilder.model.pairs import with_pure

    found = read_pool(given.pool)
    settings = found.settings if given.f1_share is None else found.settings.replace(f1_share=given.f1_share)
    pairs = found.crosses
    if given.include_pure:
        pairs = with_pure(pairs, found.candidates, settings=settings)
    if not pool_words.has_data(found):
        click.echo(pool_words.findings(found))
        click.get_current_context().exit(3)
    emit(given.format, lines=lambda: _lines(found, pairs, given.top), table=lambda: pairs)
    if given.include_pure and given.format == "table":
        click.echo(f"pairs share {settings.f1_share:g} of the weight (f1Share), the species the rest")


def page(given: Given) -> None:
    """Choose a water on a map and see its list build, in this machine's browser."""
    from poolbuilder.names.checklist import SHIPPED

    try:
        from poolbuilder.web.views import serve
        from poolbuilder.web.workspace import Workspace
    except ImportError as error:
        raise MissingExtraError.of("page_needs_starlette") from error
    workspace = Workspace(
        store=store_path(given.store[0] if given.store else None),
        more_stores=given.store[1:],
        folder=given.folder,
        checklists=(*SHIPPED, *given.checklist),
        ranges=given.ranges,
        region_lists=paired_lists(given),
        layers={
            kind: layer
            for kind in ("water", "basins", "streams", "barriers")
            if (layer := getattr(given, kind))
        },
        settings=read_settings(given.settings),
        service_url=given.service_url,
        water_url=given.water_url,
    )

    def ready(address: str) -> None:
        tell(f"open {address} (stop with Ctrl-C)")
        if given.open:
            click.launch(address)

    serve(workspace, port=given.port, ready=ready)


def demo(given: Given) -> None:
    """Run the whole job on an invented water that ships with poolbuilder."""
    from poolbuilder.demonstration import demo_pool

    pool = demo_pool()
    publish(pool, given.out or Path("demo_pool"))
    show(pool, "table", verbose=is_verbose())


def _simulate(given: Given) -> None:
    from poolbuilder.fish.characters import read_traits
    from poolbuilder.fish.simulation import even_hypotheses, simulate, simulation_lines, write_confusion

    table, settings = read_traits(given.traits), read_settings(given.settings)
    listed, prior = even_hypotheses(table)
    counts = [each.key for each in table.characters if each.kind == "count"]
    for title, keys in (("counts alone", counts), ("everything", None)):
        made = simulate(
            table, listed, prior, characters=keys, fish=given.simulated, seed=given.seed, settings=settings
        )
        say(simulation_lines(made, title=title, pairs=keys is None))
    if given.out is not None:
        tell(f"wrote {write_confusion(made, given.out)} (confusion.csv, with everything seen)")
    click.echo(
        "every hypothesis alike before looking; drawn from the tables that weigh them: the best to hope for"
    )
    marks = table.marks(table.species, [each.key for each in table.characters])
    share = 100 * marks["from memory"] / sum(marks.values())
    known = ", ".join(f"{number} {how}" for how, number in marks.items())
    click.echo(f"entries of the table: {known} ({share:.0f} % from memory)")


def specimen(given: Given) -> None:
    """Weigh what was seen on fish of one water against the pool in folder POOL.

    FISH is a TOML file with what was seen on one fish (--template prints an empty one) or a
    CSV file with one fish a row; several are weighed together.
    """
    if (given.template or given.simulate) and given.pool is not None:
        raise click.UsageError("--template and --simulate take no POOL")
    if given.simulate:
        _simulate(given)
        return
    from poolbuilder.fish import answer, notes
    from poolbuilder.fish.characters import Fish, read_traits

    if given.template:
        form = notes.template(read_traits(given.traits), settings=read_settings(given.settings))
        click.echo(form, nl=False)
        return
    if given.pool is None or not (given.fish or given.field_sheet):
        raise click.UsageError("name a pool folder and the notes on a fish (--template prints empty ones)")
    from poolbuilder.folder import read_pool

    built, table = read_pool(given.pool), read_traits(given.traits)
    chosen = {**built.settings.as_dict(), **read_settings(given.settings).changed()}
    if given.f1_share is not None:
        chosen["f1Share"] = given.f1_share
    settings = Settings.from_dict(chosen)
    fish = [each for path in given.fish for each in notes.read_fish(path, table, settings=settings)]
    weighed = answer.identify_all(built, fish or [Fish()], table, settings=settings)
    first, single = weighed[0], len(weighed) == 1
    if given.field_sheet:
        click.echo(answer.field_sheet(first))
        return
    if single:
        emit(given.format, lines=lambda: answer.summary_lines(first), table=first.posterior_table)
    else:
        emit(
            given.format,
            lines=lambda: answer.answer_lines(weighed),
            table=lambda: answer.answers_table(weighed),
        )
    if given.out is not None:
        folder = (
            answer.write_specimen(first, given.out, place=given.place)
            if single
            else answer.write_specimens(weighed, given.out)
        )
        tell(f"wrote {folder} ({'open specimen.html in a browser' if single else 'answers.csv'})")
