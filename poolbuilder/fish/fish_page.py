"""One fish as a page to read, to print and to send along with a question."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from poolbuilder import pages, words
from poolbuilder.files import write_csv
from poolbuilder.fish.answer import CAUTIONS, Specimen
from poolbuilder.fish.characters import Cell
from poolbuilder.fish.drawings import character
from poolbuilder.fish.evidence import conclusion, expectation, short
from poolbuilder.folder import write_folder
from poolbuilder.pages import pool_page
from poolbuilder.pages.drawings import between, shift, speaks

FIRST = 10
PARENTS = 4
POOL_ROWS = 8
_CONDITION = {True: "in breeding condition", False: "not breeding", None: "breeding condition not known"}


def render(specimen: Specimen) -> str:
    """The page of one fish: one HTML text that needs no other file and no network.

    The same fish and pool give the same text.
    """
    return pages.fill("specimen.html", styles=("specimen.css",), **_content(specimen))


def served(specimen: Specimen, **values: Any) -> str:
    """The same page with a bar above it that leads on, as the local page shows it."""
    styles = ("specimen.css", "web.css")
    return pages.fill(
        "fish_answer.html", styles=styles, allowed=pages.OWN_FORMS, **_content(specimen), **values
    )


def _content(specimen: Specimen) -> dict[str, Any]:
    fish, pool, weighing = specimen.fish, specimen.pool, specimen.weighing
    parents = _parents(specimen)
    return {
        "name": fish.name or "One fish",
        "water": words.place(pool.site),
        "facts": _facts(specimen),
        "conclusions": _conclusions(specimen),
        "forms": specimen.forms[:3],
        "doubts": specimen.doubts,
        "cautions": CAUTIONS,
        "rows": _hypotheses(specimen)[:FIRST],
        "others": _hypotheses(specimen)[FIRST:],
        "parents": parents[:PARENTS],
        "matrix": _matrix(specimen, [row["name"] for row in parents[:PARENTS]]),
        "arguments": [_argument(specimen, row) for row in parents],
        "first_arguments": PARENTS - 1,
        "against": _against(specimen),
        "drops": _drops(specimen),
        "next": specimen.next_characters,
        "sensitivity": [
            {**row, "share": words.percent(row["share"]), "before": words.percent(row["before"])}
            for row in specimen.sensitivity
        ],
        "indices": _indices(specimen),
        "photos": [_photo(text) for text in fish.about.get("photos", [])],  # type: ignore[attr-defined]
        "remarks": fish.about.get("remarks", ""),
        "pool_rows": _pool_rows(specimen),
        "as_of": words.day(pool.as_of),
        "radius": f"{pool.site.radius_km:g}",
        "letter": _letter(specimen),
        "sources": _sources(specimen),
        "conflicts": _conflicts(specimen),
        "marks": specimen.marks,
        "total": sum(specimen.marks.values()),
        "settings": _settings(specimen),
        "table": weighing.table,
        "version": pool.version,
        "nothing": not fish.seen,
    }


def _conclusions(specimen: Specimen) -> list[dict[str, Any]]:
    """Both questions, each with the share of hybrids before and after looking, and its answer."""
    found = (specimen.conclusion, conclusion(specimen.misfit))
    return [
        {
            "misfit": index == 1,
            "before": words.percent(each.hybrids_before),
            "after": words.percent(each.hybrids),
            "sentence": pool_page.italic(sentence, specimen.weighing.species),
        }
        for index, (each, sentence) in enumerate(zip(found, specimen.sentences, strict=True))
    ]


def field_sheet(specimen: Specimen) -> str:
    """One page to print: the characters that split this pool, with drawings and blanks."""
    table, rows = specimen.weighing.table, specimen.sheet_characters
    each = [{**row, "character": table.by_key[row["character"]]} for row in rows]
    return pages.fill(
        "field_sheet.html",
        styles=("specimen.css",),
        name=specimen.fish.name,
        water=words.place(specimen.pool.site),
        rows=[{**row, "drawing": character(row["character"].key)} for row in each],
        minutes=f"{sum(row['seconds'] for row in rows) / 60:.0f}",
        cautions=CAUTIONS[2:],
        version=specimen.pool.version,
    )


def _told_place(specimen: Specimen, place: str) -> str:
    """The place as finely as the sender chooses; never finer."""
    site = specimen.pool.site
    if place == "exact":
        name = specimen.fish.about.get("place") or words.place(site)
        return f"{name} ({site.latitude:.4f}, {site.longitude:.4f})"
    if place == "none":
        return ""
    digits, step = (1, "0.1") if place == "tenth" else (0, "1")
    return f"within {step}\N{DEGREE SIGN} of {site.latitude:.{digits}f}, {site.longitude:.{digits}f}"


def second_opinion(specimen: Specimen, *, place: str = "degree") -> str:
    """A page to send: fish, measurements, pool, leading hypotheses and what would decide."""
    content = _content(specimen)
    names = ("name", "conclusions", "rows", "next", "photos", "remarks", "pool_rows", "as_of", "version")
    kept = {name: content[name] for name in names}
    return pages.fill(
        "second_opinion.html",
        styles=("specimen.css",),
        where=_told_place(specimen, place),
        facts=[(key, value) for key, value in content["facts"] if key not in {"at", "by"}],
        seen=[
            (
                specimen.weighing.table.by_key[each.character].words,
                each.words,
                words.percent(each.sure),
                each.why,
            )
            for each in specimen.fish.seen
        ],
        **kept,
    )


def _facts(specimen: Specimen) -> list[tuple[str, str]]:
    fish, site = specimen.fish, specimen.pool.site
    length = fish.about.get("standard_length_mm")
    given = [
        ("seen", str(fish.about.get("date", ""))),
        ("at", str(fish.about.get("place", "")) or words.place(site)),
        ("by", str(fish.about.get("observer", ""))),
        ("sex", fish.sex),
        ("size", fish.stage if length is None else f"{length:g} mm standard length, {fish.stage}"),
        ("season", _CONDITION[fish.breeding]),
        ("characters", str(len(fish.seen))),
    ]
    return [(key, value) for key, value in given if value]


def _hypotheses(specimen: Specimen) -> list[dict[str, Any]]:
    weighing = specimen.weighing
    leading = specimen.conclusion.leading
    rows = []
    for rank, index in enumerate(weighing.order.tolist(), 1):
        each = weighing.hypotheses[index]
        prior, posterior = float(weighing.prior[index]), float(weighing.posterior[index])
        rows.append(
            {
                "rank": rank,
                "formula": pool_page.italic(each.formula, weighing.species),
                "kind": "species" if each.kind == "pure" else "first-generation cross",
                "prior": words.percent(prior),
                "posterior": words.percent(posterior),
                "bar": shift(prior, posterior),
                "leading": each in leading and len(leading) <= FIRST,
            }
        )
    return rows


def _parents(specimen: Specimen) -> list[dict[str, Any]]:
    """Every species with the posterior that it is a parent, the likeliest first."""
    weighing = specimen.weighing
    before = (weighing.membership @ weighing.prior).tolist()
    rows = [
        {
            "name": name,
            "short": short(name),
            "after": after,
            "share": words.percent(after),
            "before": words.percent(prior),
        }
        for name, after, prior in zip(weighing.species, weighing.parenthood.tolist(), before, strict=True)
    ]
    return sorted(rows, key=lambda row: (-row["after"], row["name"]))


def _matrix(specimen: Specimen, names: Sequence[str]) -> list[dict[str, Any]]:
    """Each character as seen, beside what the likeliest parents have."""
    weighing = specimen.weighing
    value = {(row["scientificName"], row["character"]): row["logOdds"] for row in specimen.trait_evidence}
    rows = []
    for seen in weighing.fish.seen:
        character = weighing.table.by_key[seen.character]
        cells = []
        for name in names:
            expected, mark = expectation(weighing, name, character)
            speech = value[name, seen.character]
            cells.append(
                {
                    "words": expected,
                    "loose": mark not in {"measured", "read"},
                    "mark": mark,
                    "bar": speaks(speech),
                }
            )
        sure = words.percent(seen.sure)
        rows.append({"words": character.words, "seen": seen.words, "sure": sure, "cells": cells})
    return rows


def _argument(specimen: Specimen, parent: Mapping[str, Any]) -> dict[str, Any]:
    """The evidence on one species."""
    rows = [
        {
            "words": row["words"],
            "alone": words.signed(row["logOdds"]),
            "added": words.signed(row["added"]),
            "bar": speaks(row["logOdds"]),
        }
        for row in specimen.trait_evidence
        if row["scientificName"] == parent["name"]
    ]
    return {**parent, "rows": rows}


def _drops(specimen: Specimen) -> list[dict[str, Any]]:
    """The steps at which something changes: a species goes or comes back, or another leads."""
    species, rows, leading = specimen.weighing.species, [], ""
    last = specimen.drop_outs[-1]
    for row in specimen.drop_outs:
        changes = row["dropped"] or row["returned"] or row["leading"] != leading or row is last
        leading = row["leading"]
        if not changes:
            continue
        rows.append(
            {
                "words": f"{row['words']}: {row['seen']}" if row["seen"] else row["words"],
                "dropped": [short(name) for name in row["dropped"]],
                "returned": [short(name) for name in row["returned"]],
                "left": row["left"],
                "leading": pool_page.italic(leading, species),
                "share": words.percent(row["share"]),
            }
        )
    return rows


def _against(specimen: Specimen) -> dict[str, Any] | None:
    """The leading pair against each of its parents alone."""
    found, table = specimen.against_parents, specimen.weighing.table
    if found is None:
        return None
    sums = [after - before for before, after in zip(found.prior, found.posterior, strict=True)]
    return {
        "first": found.pair.parents[0],
        "second": found.pair.parents[1],
        "rows": [
            {
                "words": table.by_key[row["character"]].words,
                "seen": row["seen"],
                "sides": [(speaks(value), words.signed(value)) for value in (row["first"], row["second"])],
            }
            for row in found.rows
        ],
        "prior": [words.signed(value) for value in found.prior],
        "sums": [words.signed(value) for value in sums],
        "posterior": [words.signed(value) for value in found.posterior],
    }


def _indices(specimen: Specimen) -> list[dict[str, Any]]:
    table, rows = specimen.weighing.table, []
    for pair, index in specimen.indices:
        marks = [(table.by_key[key].words, row[3]) for key, row in index.by_character.items()]
        rows.append(
            {
                "first": pair.parents[0],
                "second": pair.parents[1],
                "weighted": "" if math.isnan(index.weighted) else f"{index.weighted:.0f}",
                "drawing": between(marks, index.weighted) if marks else "",
                "characters": [
                    {
                        "words": table.by_key[key].words,
                        "value": f"{row[0]:.3g}",
                        "first": f"{row[1]:.1f}",
                        "second": f"{row[2]:.1f}",
                        "index": f"{row[3]:.0f}",
                    }
                    for key, row in index.by_character.items()
                ],
                "left_out": [table.by_key[key].words for key in index.left_out],
            }
        )
    return rows


_FILE = re.compile(r"(?!/)[\w ./()+,%~-]+")


def _photo(text: str) -> dict[str, str]:
    """A photograph as a link, where its address is a file beside the page or on the web."""
    address = text.strip()
    try:
        on_web = urlsplit(address).scheme in {"http", "https"}
    except ValueError:
        on_web = False
    return {"words": text, "address": address if on_web or _FILE.fullmatch(address) else ""}


def _pool_rows(specimen: Specimen) -> list[dict[str, str]]:
    radius = specimen.pool.site.radius_km
    return [
        {
            "name": row["scientificName"],
            "vernacular": row["vernacularName"] or "",
            "presence": words.percent(row["presence"]),
            "tier": words.tier(row["tier"], radius),
        }
        for row in specimen.pool.candidates.slice(0, POOL_ROWS).to_pylist()
    ]


def _letter(specimen: Specimen) -> str:
    """What to ask a second person with, as plain text."""
    fish, weighing = specimen.fish, specimen.weighing
    site = specimen.pool.site
    table = weighing.table
    seen = "; ".join(f"{table.by_key[each.character].words} {each.words}" for each in fish.seen) or "nothing"
    leading = "; ".join(
        f"{weighing.hypotheses[index].formula} {words.percent(float(weighing.posterior[index]))}"
        for index in weighing.order[:3].tolist()
    )
    wanted = "; ".join(row["words"] for row in specimen.next_characters[:3])
    photos = fish.about.get("photos")
    pictured = f"Photographs: {', '.join(photos)}." if isinstance(photos, list) and photos else ""
    what = "sunfish" if all(name.startswith("Lepomis ") for name in weighing.species) else "fish"
    lines = [
        f"What is this {what}? {fish.name}".strip(),
        f"Where: {fish.about.get('place') or words.place(site)}"
        + (f", {fish.about['date']}" if fish.about.get("date") else ""),
        f"Seen: {seen}. Sex {fish.sex}, {fish.stage}, {_CONDITION[fish.breeding]}.",
        f"My reading: {specimen.sentences[0]}",
        f"First three: {leading}.",
        f"Not looked at yet, and most telling: {wanted}." if wanted else "",
        pictured or "Photographs: none yet.",
        "Which characters would you weigh otherwise, and what have I missed?",
    ]
    return "\n".join(line for line in lines if line)


def _used(specimen: Specimen) -> list[Cell]:
    """The cells of the likeliest parents for what was seen."""
    weighing = specimen.weighing
    names = [row["name"] for row in _parents(specimen)[:PARENTS]]
    seen = [each.character for each in weighing.fish.seen]
    return [cell for name in names for key in seen for cell in weighing.table.cells_of(name, key)]


def _sources(specimen: Specimen) -> list[dict[str, Any]]:
    """Sources of the likeliest parents' cells, with how many cells each speaks for."""
    counts: dict[str, int] = {}
    for cell in _used(specimen):
        for source in cell.source.split("; "):
            counts[source] = counts.get(source, 0) + 1
        if cell.hybrid:
            said = f"on hybrids: {cell.hybrid_source}"
            counts[said] = counts.get(said, 0) + 1
    ordered = sorted(counts.items(), key=lambda item: (-item[1], item[0]))
    return [{"words": name, "count": count} for name, count in ordered]


def _conflicts(specimen: Specimen) -> list[dict[str, str]]:
    table, seen = specimen.weighing.table, set()
    rows = []
    for cell in _used(specimen):
        key = (cell.species, cell.character)
        if key not in seen and (cell.conflict or cell.note):
            seen.add(key)
            words = table.by_key[cell.character].words
            rows.append({"name": cell.species, "words": words, "conflict": cell.conflict, "note": cell.note})
    return rows


_SETTINGS = (
    "f1Share", "misfitFactor", "togetherWeight", "rangeShare", "rangeWidening", "traitErrorFloor",
    "observerSure", "f1Intermediate", "f1Documented",
    "backcrossShare", "characterCorrelation", "youngMm", "youngReliability", "plainReliability",
    "specimenDecided", "dropBelow",
)  # fmt: skip


def _settings(specimen: Specimen) -> list[dict[str, Any]]:
    values = specimen.weighing.settings.as_dict()
    explained = {row["name"]: row for row in specimen.weighing.settings.explain()}
    return [{**explained[name], "value": f"{values[name]:g}"} for name in _SETTINGS]


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
