"""One fish as a page to read, to print and to send along with a question."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from functools import cache
from importlib import resources
from typing import Any
from urllib.parse import urlsplit

import jinja2
from markupsafe import Markup, escape

from poolbuilder import wording
from poolbuilder.fish.answer import CAUTIONS, Specimen
from poolbuilder.fish.characters import Cell
from poolbuilder.fish.evidence import expectation, short
from poolbuilder.report import document, sheet

REACH = 2.5
"""Log-odds at which a bar is as long as it gets."""


def _n(value: float) -> str:
    text = f"{value:.1f}"
    return text.removesuffix(".0") if text != "-0.0" else "0"


def _svg(body: str, *, width: float, height: float, kind: str, title: str) -> Markup:
    return Markup(
        f'<svg class="{kind}" viewBox="0 0 {_n(width)} {_n(height)}" role="img" '
        f'aria-label="{escape(title)}">{body}</svg>'
    )


def shift(prior: float, posterior: float) -> Markup:
    """A bar filled to the posterior, with a tick where the pool alone would stand."""
    end, tick = _n(max(0.8, 158 * posterior)), _n(1 + 158 * prior)
    body = (
        '<path class="g-ticks" d="M1 12.5H159M1 12.5V16M80 12.5V16M159 12.5V16"/>'
        f'<rect class="g-fill" x="1" y="2" width="{end}" height="8"/>'
        f'<path class="g-halo" d="M{tick} 0V12"/><path class="g-whisker" d="M{tick} 0V12"/>'
    )
    title = f"{wording.percent(posterior)} after looking, {wording.percent(prior)} by the pool alone"
    return _svg(body, width=160, height=17, kind="shift", title=title)


def speaks(value: float) -> Markup:
    """A bar to the right for what speaks for a parent, to the left for what speaks against it."""
    length = 36 * min(abs(value), REACH) / REACH
    start = 38.0 if value >= 0 else 38 - length
    kind = "s-for" if value >= 0 else "s-against"
    body = (
        f'<rect class="{kind}" x="{_n(start)}" y="3" width="{_n(length)}" height="8"/>'
        '<path class="s-zero" d="M38 0V14"/>'
    )
    title = f"log-odds {wording.signed(value)}"
    return _svg(body, width=76, height=14, kind="speaks", title=title)


def between(marks: Sequence[tuple[str, float]], mean: float) -> Markup:
    """A line from one parent to the other, with a mark for each character and for their mean.

    The line runs from -50 to 150 per cent of the way; marks beyond stand at its ends.
    """

    def x(index: float) -> str:
        return _n(8 + 384 * (min(max(index, -50), 150) + 50) / 200)

    body = [
        f'<path class="c-axis" d="M{x(-50)} 20H{x(150)}"/>',
        f'<rect class="h-middle" x="{x(40)}" y="9" width="{_n(384 * 20 / 200)}" height="22"/>',
        f'<path class="s-tip" d="M{x(0)} 10V30M{x(100)} 10V30"/>',
    ]
    for words, index in marks:
        body.append(
            f'<circle class="h-dot" cx="{x(index)}" cy="20" r="4.5">'
            f"<title>{escape(words)}: {index:.0f}</title></circle>"
        )
    body.append(f'<path class="h-mean" d="M{x(mean)} 2l-5 -0l5 8l5 -8z"/>')
    for index, anchor in ((0.0, "middle"), (50.0, "middle"), (100.0, "middle")):
        body.append(f'<text class="c-label" x="{x(index)}" y="43" text-anchor="{anchor}">{index:.0f}</text>')
    listed = ", ".join(f"{words} {index:.0f}" for words, index in marks)
    return _svg("".join(body), width=400, height=46, kind="between", title=f"mean {mean:.0f}; {listed}")


FIRST = 10
PARENTS = 4
POOL_ROWS = 8
_CONDITION = {True: "in breeding condition", False: "not breeding", None: "breeding condition not known"}


@cache
def _environment() -> jinja2.Environment:
    return document.environment(jinja2.PackageLoader("poolbuilder.fish", "assets"))


def render(specimen: Specimen) -> str:
    """The page of one fish: one HTML text that needs no other file and no network.

    The same fish and pool give the same text.
    """
    own = (resources.files("poolbuilder.fish") / "assets/specimen.css").read_text(encoding="utf-8")
    style = document.stylesheet() + own
    policy = document.policy(scripts=(), styles=(style,))
    return _environment().get_template("specimen.html").render(
        policy=policy, style=Markup(style), **_content(specimen)
    )  # fmt: skip


def _content(specimen: Specimen) -> dict[str, Any]:
    fish, pool, weighing = specimen.fish, specimen.pool, specimen.weighing
    parents = _parents(specimen)
    return {
        "name": fish.name or "One fish",
        "water": wording.place(pool.site),
        "facts": _facts(specimen),
        "conclusion": sheet.italic(specimen.conclusion.sentence, weighing.species),
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
            {**row, "share": wording.percent(row["share"]), "before": wording.percent(row["before"])}
            for row in specimen.sensitivity
        ],
        "indices": _indices(specimen),
        "photos": [_photo(text) for text in fish.about.get("photos", [])],  # type: ignore[attr-defined]
        "remarks": fish.about.get("remarks", ""),
        "pool_rows": _pool_rows(specimen),
        "as_of": wording.day(pool.as_of),
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


def _facts(specimen: Specimen) -> list[tuple[str, str]]:
    fish, site = specimen.fish, specimen.pool.site
    length = fish.about.get("standard_length_mm")
    given = [
        ("seen", str(fish.about.get("date", ""))),
        ("at", str(fish.about.get("place", "")) or wording.place(site)),
        ("by", str(fish.about.get("observer", ""))),
        ("sex", fish.sex),
        ("size", fish.stage if length is None else f"{length:g} mm standard length, {fish.stage}"),
        ("season", _CONDITION[fish.breeding]),
        ("characters", str(len(fish.seen))),
    ]
    return [(key, value) for key, value in given if value]


def _hypotheses(specimen: Specimen) -> list[dict[str, Any]]:
    weighing = specimen.weighing
    leading = set(specimen.conclusion.leading)
    rows = []
    for rank, index in enumerate(weighing.order.tolist(), 1):
        each = weighing.hypotheses[index]
        prior, posterior = float(weighing.prior[index]), float(weighing.posterior[index])
        rows.append(
            {
                "rank": rank,
                "formula": sheet.italic(each.formula, weighing.species),
                "kind": {"pure": "species", "F1": "first-generation cross"}.get(each.kind, "backcross"),
                "prior": wording.percent(prior),
                "posterior": wording.percent(posterior),
                "bar": shift(prior, posterior),
                "leading": index in leading and len(leading) <= FIRST,
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
            "share": wording.percent(after),
            "before": wording.percent(prior),
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
            words, mark = expectation(weighing, name, character)
            speech = value[name, seen.character]
            cells.append({"words": words, "loose": mark not in {"read"}, "mark": mark, "bar": speaks(speech)})
        sure = wording.percent(seen.sure)
        rows.append({"words": character.words, "seen": seen.words, "sure": sure, "cells": cells})
    return rows


def _argument(specimen: Specimen, parent: Mapping[str, Any]) -> dict[str, Any]:
    """The evidence on one species."""
    rows = [
        {
            "words": row["words"],
            "alone": wording.signed(row["logOdds"]),
            "added": wording.signed(row["added"]),
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
                "leading": sheet.italic(leading, species),
                "share": wording.percent(row["share"]),
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
                "sides": [(speaks(value), wording.signed(value)) for value in (row["first"], row["second"])],
            }
            for row in found.rows
        ],
        "prior": [wording.signed(value) for value in found.prior],
        "sums": [wording.signed(value) for value in sums],
        "posterior": [wording.signed(value) for value in found.posterior],
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
            "presence": wording.percent(row["presence"]),
            "tier": wording.tier(row["tier"], radius),
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
        f"{weighing.hypotheses[index].formula} {wording.percent(float(weighing.posterior[index]))}"
        for index in weighing.order[:3].tolist()
    )
    wanted = "; ".join(row["words"] for row in specimen.next_characters[:3])
    photos = fish.about.get("photos")
    pictured = f"Photographs: {', '.join(photos)}." if isinstance(photos, list) and photos else ""
    what = "sunfish" if all(name.startswith("Lepomis ") for name in weighing.species) else "fish"
    lines = [
        f"What is this {what}? {fish.name}".strip(),
        f"Where: {fish.about.get('place') or wording.place(site)} ({site.latitude:.4f}, {site.longitude:.4f})"
        + (f", {fish.about['date']}" if fish.about.get("date") else ""),
        f"Seen: {seen}. Sex {fish.sex}, {fish.stage}, {_CONDITION[fish.breeding]}.",
        f"My reading: {specimen.conclusion.sentence}",
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
    "f1Share", "rangeShare", "traitErrorFloor", "observerSure", "f1Intermediate", "f1Documented",
    "backcrossShare", "characterCorrelation", "youngMm", "youngReliability", "plainReliability",
    "specimenDecided", "dropBelow",
)  # fmt: skip


def _settings(specimen: Specimen) -> list[dict[str, Any]]:
    values = specimen.weighing.settings.as_dict()
    explained = {row["name"]: row for row in specimen.weighing.settings.explain()}
    return [{**explained[name], "value": f"{values[name]:g}"} for name in _SETTINGS]
