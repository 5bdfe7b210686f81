"""One fish against a pool: weigh it, argue it, write it down, draw its page."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

import pyarrow as pa
from markupsafe import Markup

from poolbuilder import pages, tables, words
from poolbuilder.errors import TraitError
from poolbuilder.files import write_csv
from poolbuilder.fish.characters import Cell, Character, Fish, TraitTable, shipped_file
from poolbuilder.fish.reasons import TEXTS, HybridIndex, Row, Specimen
from poolbuilder.fish.weighing import Hypothesis, Weighing, hypotheses, together
from poolbuilder.folder import write_folder
from poolbuilder.model.pairs import with_pure
from poolbuilder.pages.pool_page import italic
from poolbuilder.settings import Settings

if TYPE_CHECKING:
    from poolbuilder.pool import Pool

FILES = ("posterior.csv", "trait_evidence.csv", "specimen.html", "second_opinion.html", "field_sheet.html")
"""What a specimen's folder holds."""

PARENTS, POOL_ROWS = 4, 8


def identify(pool: Pool, fish: Fish, table: TraitTable, *, settings: Settings | None = None) -> Specimen:
    """Weigh one fish against a pool; see :func:`identify_all`."""
    return identify_all(pool, [fish], table, settings=settings)[0]


def identify_all(
    pool: Pool, fish: Sequence[Fish], table: TraitTable, *, settings: Settings | None = None
) -> list[Specimen]:
    """Weigh fish of one water against its pool, together where there are several.

    Parameters
    ----------
    pool : Pool
        Its pairs and candidates give the prior: f1Share to the pairs, each by the presence
        of its parents and what is known of the cross; the rest to the species by presence.
    fish : sequence of Fish
    table : TraitTable
    settings : Settings, optional
        By default those of the pool.

    Raises
    ------
    TraitError
        When the table knows none of the pool's candidates.
    """
    settings = settings or pool.settings
    names = [name for name in tables.strings(pool.candidates["scientificName"]) if name]
    known = sorted(set(names) & set(table.species))
    if not known:
        raise TraitError.of(
            "trait_table_knows", file=table.source.get("path"), name=table.name, names=len(names)
        )
    crosses = with_pure(pool.crosses, pool.candidates, settings=settings).to_pylist()
    listed, prior = hypotheses(crosses, known)
    weighed = together(
        [Weighing(hypotheses=listed, prior=prior, fish=each, table=table, settings=settings) for each in fish]
    )
    left_out = tuple(sorted(set(names) - set(known)))
    return [Specimen(pool=pool, weighing=each, left_out=left_out) for each in weighed]


# -- for the terminal and for files ------------------------------------------------------


def summary_lines(specimen: Specimen) -> list[str]:
    """Everything that the terminal shows of one fish, a line each."""
    chance = dict(zip(specimen.weighing.species, specimen.weighing.parenthood.tolist(), strict=True))
    likeliest = sorted(chance.items(), key=lambda item: (-item[1], item[0]))[:3]
    return words.lines(TEXTS, "summary", specimen=specimen, parents=likeliest)


def answer_lines(specimens: Sequence[Specimen]) -> list[str]:
    """Several fish for the terminal, a line each."""
    return words.lines(TEXTS, "several", rows=answers_table(specimens).to_pylist())


def answers_table(specimens: Sequence[Specimen]) -> pa.Table:
    """One row per fish: its first two hypotheses for either question."""
    rows = []
    for number, each in enumerate(specimens, 1):
        row: dict[str, Any] = {"fish": each.fish.name or str(number), "characters": len(each.fish.seen)}
        for suffix, weighing in (("", each.weighing), ("IfMisfit", each.misfit)):
            for rank, index in zip(("first", "second"), weighing.order.tolist(), strict=False):
                row[f"{rank}{suffix}"] = weighing.hypotheses[index].formula
                row[f"{rank}Posterior{suffix}"] = float(weighing.posterior[index])
        rows.append(row)
    return pa.Table.from_pylist(rows)


def write_specimens(specimens: Sequence[Specimen], out: str | Path) -> Path:
    """Write answers.csv, one row per fish.

    Raises
    ------
    PoolFileError
        When the folder holds something else, or cannot be written.
    """
    return write_folder(
        out,
        lambda folder: write_csv(answers_table(specimens), folder / "answers.csv"),
        marker="answers.csv",
    )


def write_specimen(specimen: Specimen, out: str | Path, *, place: str = "degree") -> Path:
    """Write the tables and pages of one fish, all of them or none.

    Parameters
    ----------
    specimen : Specimen
    out : path
    place : str
        How finely the second-opinion page tells the place: ``exact``, ``tenth`` or ``degree``
        (of a degree), or ``none``.

    Raises
    ------
    PoolFileError
        When the folder holds something else, or cannot be written.
    """

    def fill(folder: Path) -> None:
        write_csv(specimen.posterior_table(), folder / "posterior.csv")
        write_csv(specimen.evidence_table(), folder / "trait_evidence.csv")
        for name, text in (
            ("specimen.html", render(specimen)),
            ("second_opinion.html", second_opinion(specimen, place=place)),
            ("field_sheet.html", field_sheet(specimen)),
        ):
            (folder / name).write_text(text, encoding="utf-8", newline="\n")

    return write_folder(out, fill, marker="posterior.csv")


# -- pages -------------------------------------------------------------------------------


def render(specimen: Specimen, template: str = "specimen.html", **served: Any) -> str:
    """The page of one fish: one HTML text that needs no other file and no network.

    The same fish and pool give the same text.

    Parameters
    ----------
    template : str
        ``fish_answer.html`` for the page with a bar above it that leads on, as it is served.
    served
        What that bar needs.
    """
    return pages.fill(
        template,
        styles=("specimen.css", "web.css") if served else ("specimen.css",),
        allowed=pages.OWN_FORMS if served else pages.NO_FORMS,
        **_content(specimen),
        **served,
    )


def field_sheet(specimen: Specimen) -> str:
    """One page to print: the characters that split this pool, with drawings and blanks."""
    rows = specimen.sheet_characters
    return pages.fill(
        "field_sheet.html",
        styles=("specimen.css",),
        water=words.place(specimen.pool.site),
        characters=[specimen.weighing.table.by_key[row["character"]] for row in rows],
        drawing=drawing,
        minutes=f"{sum(row['seconds'] for row in rows) / 60:.0f}",
        cautions=words.macro(TEXTS, "CAUTIONS")[2:],
        version=specimen.pool.version,
    )


def second_opinion(specimen: Specimen, *, place: str = "degree") -> str:
    """A page to send: fish, measurements, pool, leading hypotheses and what would decide.

    The place is told as finely as the sender chooses, never finer.
    """
    site = specimen.pool.site
    exact = f"{specimen.fish.about.get('place') or words.place(site)} ({words.degrees(site)})"
    where = {"exact": exact, "none": ""}.get(place)
    if where is None:
        digits = 1 if place == "tenth" else 0
        where = (
            f"{site.latitude:.{digits}f}, {site.longitude:.{digits}f} (± {0.5 / 10**digits:g}\N{DEGREE SIGN})"
        )
    return pages.fill("second_opinion.html", styles=("specimen.css",), where=where, **_content(specimen))


def _content(specimen: Specimen) -> dict[str, Any]:
    """What the pages of one fish show; sentences and numbers are worded in the templates."""
    fish, weighing, pool = specimen.fish, specimen.weighing, specimen.pool
    parents = _parents(weighing)
    return {
        "specimen": specimen,
        "fish": fish,
        "pool": pool,
        "weighing": weighing,
        "table": weighing.table,
        "italic": lambda text: italic(text, weighing.species),
        "name": fish.name or "One fish",
        "water": words.place(pool.site),
        "parents": parents,
        "shown": parents[:PARENTS],
        "indices": [_index(pair, index, weighing.table) for pair, index in specimen.indices],
        "photos": [_photo(text) for text in fish.about.get("photos", [])],  # type: ignore[attr-defined]
        "candidates": pool.candidates.slice(0, POOL_ROWS).to_pylist(),
        "letter": "\n".join(words.lines(TEXTS, "letter", specimen=specimen)),
        **_sources(weighing, [row["name"] for row in parents[:PARENTS]]),
        "settings": [row for row in weighing.settings.explain() if row["name"] in _SETTINGS],
    }


def _parents(weighing: Weighing) -> list[Row]:
    """Every species with the posterior that it is a parent, the likeliest first."""
    before = (weighing.membership @ weighing.prior).tolist()
    rows = [
        {"name": name, "after": after, "before": prior}
        for name, after, prior in zip(weighing.species, weighing.parenthood.tolist(), before, strict=True)
    ]
    return sorted(rows, key=lambda row: (-row["after"], row["name"]))


def _index(pair: Hypothesis, index: HybridIndex, table: TraitTable) -> Row:
    marks = [(table.by_key[key].words, row[3]) for key, row in index.by_character.items()]
    return {
        "pair": pair,
        "weighted": "" if math.isnan(index.weighted) else f"{index.weighted:.0f}",
        "marks": marks,
        "mean": index.weighted,
        "characters": [(table.by_key[key].words, *row) for key, row in index.by_character.items()],
        "left_out": [table.by_key[key].words for key in index.left_out],
    }


_FILE = re.compile(r"(?!/)[\w ./()+,%~-]+")


def _photo(text: str) -> dict[str, str]:
    """A photograph as a link, where its address is a file beside the page or on the web."""
    address = text.strip()
    try:
        on_web = urlsplit(address).scheme in {"http", "https"}
    except ValueError:
        on_web = False
    return {"words": text, "address": address if on_web or _FILE.fullmatch(address) else ""}


def _sources(weighing: Weighing, names: Sequence[str]) -> dict[str, list[Any]]:
    """Sources of these species' cells for what was seen, how many each speaks for, and their conflicts."""
    counts: dict[str, int] = {}
    conflicts: dict[tuple[str, str], Cell] = {}
    for name in names:
        for seen in weighing.fish.seen:
            for cell in weighing.table.cells_of(name, seen.character):
                for source in cell.source.split("; "):
                    counts[source] = counts.get(source, 0) + 1
                if cell.hybrid:
                    counts[cell.hybrid_source] = counts.get(cell.hybrid_source, 0) + 1
                if cell.conflict or cell.note:
                    conflicts.setdefault((name, seen.character), cell)
    ordered = sorted(counts.items(), key=lambda item: (-item[1], item[0]))
    return {"sources": ordered, "conflicts": list(conflicts.values())}


_SETTINGS = {
    "f1Share", "misfitFactor", "togetherWeight", "rangeShare", "rangeWidening", "traitErrorFloor",
    "observerSure", "f1Intermediate", "f1Documented", "backcrossShare", "characterCorrelation", "youngMm",
    "youngReliability", "plainReliability", "specimenDecided", "dropBelow",
}  # fmt: skip


# -- line drawings -----------------------------------------------------------------------


@cache
def _drawings() -> dict[tuple[str, str], str]:
    """Strokes by character and state; those of a view, which stand first, by no character and its name."""
    text = shipped_file("drawings")[0].decode("utf-8")
    made: dict[tuple[str, str], str] = {}
    for row in csv.DictReader(io.StringIO(text)):
        strokes = "".join(
            f'<path class="{kind}" d="{path}"/>'
            for kind, _, path in (each.partition(" ") for each in row["strokes"].split(" | ") if each)
        )
        views = "".join(made["", view] for view in row["views"].split(";") if view)
        made[row["character"], row["state"]] = views + strokes
    return made


def drawing(character: Character, state: str = "") -> Markup:
    """A line drawing of a character's state, or of where it is seen; empty for one that has none."""
    strokes = _drawings().get((character.key, state), "")
    title = f"{character.words}: {character.say(state)}" if state else character.words
    return pages.draw("character", strokes, title) if strokes else Markup("")
