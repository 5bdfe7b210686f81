"""Notes that people write down on the page and that are kept: one fish; what is known of a water; a catch."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
import tempfile
from collections import defaultdict
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from starlette.datastructures import QueryParams
from starlette.requests import Request
from starlette.responses import FileResponse, PlainTextResponse, Response
from starlette.routing import Route

from poolbuilder import words
from poolbuilder.errors import InputError, PoolBuilderError, PoolFileError, said
from poolbuilder.files import private_folder, write_whole
from poolbuilder.fish.answer import Specimen, drawing, identify, render, write_specimen
from poolbuilder.fish.characters import TraitTable, read_traits
from poolbuilder.fish.notes import (
    BREEDING,
    SEXES,
    SIZES,
    STANDARD_LENGTH,
    fish_from,
    from_fields,
    measures,
    number,
)
from poolbuilder.job import Job
from poolbuilder.names.checklist import Checklist
from poolbuilder.names.reader import read_taxon
from poolbuilder.pool import Pool
from poolbuilder.records.statements import WHAT, read_catch, read_statements
from poolbuilder.web.asked import Asked, read_asked
from poolbuilder.web.views import moved, page, posted, shown
from poolbuilder.web.workspace import Workspace, slug

FISH_FILE = "notes.json"
DOWNLOADS = (
    ("specimen.html", "page"),
    ("posterior.csv", "posterior"),
    ("trait_evidence.csv", "evidence"),
    ("second_opinion.html", "second opinion"),
    ("field_sheet.html", "field sheet"),
)
_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,60}")
BESIDE = ("key", "f1Share")
"""Fields of the form for a fish that are not notes on it."""

ROWS = {"known": 6, "catch": 10}
"""Rows that the form for a water offers."""
COLUMNS = {
    "known": ("scientificName", "what", "date", "source"),
    "catch": ("scientificName", "individualCount"),
}
_HOURS = " for "


class Forms:
    """The forms, and what was written in them, kept in the folder of the page."""

    def __init__(self, workspace: Workspace) -> None:
        self.workspace = workspace

    def routes(self) -> list[Route]:
        """The addresses that are answered."""
        return [
            Route("/fish", self.fish, methods=["GET"]),
            Route("/fish", posted(self.weigh), methods=["POST"]),
            Route("/fish/{key}/{fish}/{name}", self.fish_file),
            Route("/notes", self.water, methods=["GET"]),
            Route("/notes", posted(self.keep_water), methods=["POST"]),
        ]

    # -------------------------------------------------------------- one fish

    def fish(self, request: Request) -> Response:
        """The empty form for one pool, a fish weighed before, or its notes to edit."""
        asked = request.query_params
        key = asked.get("key", "")
        folder = self._fish_folder(key, asked.get("fish") or asked.get("edit") or "")
        if folder is None:
            return self.fish_form({"key": key})
        given = dict(json.loads((folder / FISH_FILE).read_text(encoding="utf-8")))
        if "edit" in asked:
            return self.fish_form(given)
        try:
            found = _weighed(given, self.workspace.pool(key))
        except PoolBuilderError as error:
            return self.fish_form(given, trouble=str(error))
        return shown(render(found, "fish_answer.html", key=key, kept=folder.name, downloads=DOWNLOADS))

    def weigh(self, form: QueryParams) -> Response:
        """Keep the fish and go to its page, or give the form again with what is wrong."""
        given = {name: "; ".join(form.getlist(name)) for name in form}  # several states may stand on one fish
        pool = self.workspace.pool(given.get("key", ""))
        faults = _fish_faults(given, pool)
        if faults:
            return self.fish_form(given, faults)
        try:
            found = _weighed(given, pool)
            text = json.dumps(given, ensure_ascii=False, sort_keys=True, indent=1)
            name = slug(given.get("name", ""))[:40] or "fish"
            name = f"{name}-{hashlib.sha256(text.encode()).hexdigest()[:8]}"
            folder = self.workspace.folder / given["key"] / "fish" / name
            folder.parent.mkdir(exist_ok=True)
            write_specimen(found, folder)
            write_whole(folder / FISH_FILE, text)
        except PoolBuilderError as error:
            return self.fish_form(given, trouble=str(error))
        return moved(f"fish?{urlencode({'key': given['key'], 'fish': name})}")

    def fish_file(self, request: Request) -> Response:
        """A file of a fish that was weighed."""
        folder = self._fish_folder(request.path_params["key"], request.path_params["fish"])
        name = request.path_params["name"]
        if folder is None or name not in dict(DOWNLOADS) or not (folder / name).is_file():
            return PlainTextResponse("There is no such file.\n", status_code=404)
        return FileResponse(folder / name, filename=f"{folder.name}-{name}")

    def _fish_folder(self, key: str, fish: str) -> Path | None:
        """The folder of a fish that was weighed, or None when there is none of this name."""
        pool = self.workspace.path(key)
        if pool is None or not _NAME.fullmatch(fish):
            return None
        folder = pool / "fish" / fish
        return folder if (folder / FISH_FILE).is_file() else None

    def fish_form(
        self, given: Mapping[str, str], faults: Mapping[str, str] | None = None, trouble: str = ""
    ) -> Response:
        """The form for a fish with what was typed."""
        key = given.get("key", "")
        pool, table = self.workspace.pool(key), read_traits()
        try:
            first = [row["character"] for row in _weighed({}, pool).sheet_characters]
        except PoolBuilderError:
            first = []
        asked = {each.key: each for each in table.characters if each.kind != "ratio"}
        rest = [each for key, each in asked.items() if key not in first]
        folder = self.workspace.folder / key
        return page(
            "fish.html",
            status=422 if faults or trouble else 200,
            given=defaultdict(str, given),
            faults=faults or {},
            trouble=trouble,
            water=words.place(pool.site),
            share=f"{pool.settings.f1_share:g}",
            seen=sorted(path.parent.name for path in folder.glob(f"fish/*/{FISH_FILE}")),
            choices={
                key: [(each, each) for each in reversed(values)]
                for key, values in (("sex", SEXES), ("size", SIZES), ("breeding", tuple(BREEDING)))
            },
            measures=[(key, _plain(key)) for key in measures(table)],
            first=[asked[key] for key in first if key in asked],
            counts=[each for each in rest if each.kind == "count"],
            looks=[each for each in rest if each.states],
            drawing=drawing,
        )

    # -------------------------------------------------------------- what is known of a water, and a catch

    def water(self, request: Request) -> Response:
        """The form for what is known of a water and for a catch, with what was written before."""
        asked = read_asked(request.query_params, self.workspace)
        if asked.job is None:
            return moved(f"pool?{asked.address}")  # which says what is wrong
        given: dict[str, str] = {}
        for kind, paths in (("known", asked.job.known), ("catch", asked.job.catch)):
            for path in paths:
                for at, row in enumerate(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8")))):
                    given |= {f"{kind}-{name}-{at}": value for name, value in row.items()}
                    given |= {f"{kind}-{name}": value for name, value in row.items()}
        gear, _, hours = given.get("catch-samplingProtocol", "").partition(_HOURS)
        given |= {"catch-gear": gear, "catch-hours": hours.removesuffix(" h")}
        return self._water_form(asked, given, {})

    def keep_water(self, form: QueryParams) -> Response:
        """Keep the notes and go to the pool that uses them, or give the form again with what is wrong."""
        asked = read_asked(form, self.workspace)
        if asked.job is None:
            raise PoolFileError.of("place_these_notes")
        given = dict(form)
        faults: dict[str, str] = {}
        kept: dict[str, str] = {}
        hours = given.get("catch-hours", "").strip()
        if hours and isinstance(number(hours), str):
            faults["catch-hours"] = said("not_number_hours", hours=hours[:40])
        for kind in ROWS:
            rows = _rows(kind, given)
            for at, row in rows.items():
                faults |= _row_faults(kind, at, row, asked.job)
            kept[kind] = self._write(kind, list(rows.values())) if rows and not faults else ""
        if faults:
            return self._water_form(asked, given, faults)
        return moved(f"pool?{asked.with_values(**kept).address}")

    def _write(self, kind: str, rows: list[dict[str, str]]) -> str:
        """Keep a table under a name made of what it holds."""
        text = _table(rows)
        name = f"{kind}-{hashlib.sha256(text.encode()).hexdigest()[:12]}.csv"
        private_folder(self.workspace.notes)
        write_whole(self.workspace.notes / name, text)
        return name

    def _water_form(self, asked: Asked, given: Mapping[str, str], faults: Mapping[str, str]) -> Response:
        assert asked.job is not None
        checklist = Checklist.load(asked.job.checklist)
        return page(
            "notes.html",
            status=422 if faults else 200,
            query=asked,
            given=defaultdict(str, given),
            faults=faults,
            water=words.place(asked.job.site),
            rows=ROWS,
            what=[(kind, {"listed": said("agency_list")}.get(kind, kind)) for kind in WHAT],
            species=[checklist.vernacular(name) or name for name in checklist.species],
        )


def _plain(key: str) -> str:
    return key.removesuffix("_mm").replace("_", " ")


def _weighed(given: Mapping[str, str], pool: Pool) -> Specimen:
    table, settings = read_traits(), pool.settings
    if given.get("f1Share", "").strip():
        settings = settings.replace(f1_share=number(given["f1Share"]))
    fish = fish_from(_document(given, table), table, settings=settings, where="the form")
    return identify(pool, fish, table, settings=settings)


def _document(given: Mapping[str, str], table: TraitTable) -> dict[str, dict[str, Any]]:
    return from_fields({key: text for key, text in given.items() if key not in BESIDE}, table)


def _fish_faults(given: Mapping[str, str], pool: Pool) -> dict[str, str]:
    """Every field that cannot be read, with what is wrong, in the words of the field."""
    table, settings = read_traits(), pool.settings
    faults: dict[str, str] = {}
    if given.get("f1Share", "").strip():
        try:
            settings = settings.replace(f1_share=number(given["f1Share"]))
        except PoolBuilderError as error:
            faults["f1Share"] = str(error).replace("setting f1Share", "share of hybrids")
    document = _document(given, table)
    about = {key: document["fish"][key] for key in ("sex", "size", "breeding") if key in document["fish"]}
    length = {key: entry for key, entry in document["seen"].items() if key == STANDARD_LENGTH}
    for key, entry in document["seen"].items():
        try:
            alone = {"fish": about, "seen": {**length, key: entry}}
            fish_from(alone, table, settings=settings, where="the form")
        except InputError as error:
            remedy = f" ({error.remedy})" if error.remedy else ""
            faults[key] = error.fact.replace(key, _plain(key)) + remedy
    return faults


def _rows(kind: str, given: Mapping[str, str]) -> dict[int, dict[str, str]]:
    """The rows of one kind that hold something, by their number on the form."""
    shared = {}
    if kind == "catch":
        gear, hours = given.get("catch-gear", "").strip(), given.get("catch-hours", "").strip()
        shared = {
            "date": given.get("catch-date", "").strip(),
            "samplingProtocol": f"{gear}{_HOURS}{hours} h" if hours else gear,
        }
    rows = {}
    for at in range(ROWS[kind]):
        row = {name: given.get(f"{kind}-{name}-{at}", "").strip() for name in COLUMNS[kind]}
        if any(text for name, text in row.items() if name != "what"):
            rows[at] = row | shared
    return rows


def _row_faults(kind: str, at: int, row: Mapping[str, str], job: Job) -> dict[str, str]:
    """What is wrong with one row, by the field at fault: read just as the file will be."""
    faults = {}
    name = row["scientificName"]
    if name and kind == "known" and not read_taxon(name, Checklist.load(job.checklist)).accepted:
        faults[f"known-scientificName-{at}"] = said("no_species_checklist", name=name[:40])
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "row.csv"
        path.write_text(_table([dict(row)]), encoding="utf-8")
        try:
            if kind == "known":
                read_statements([path], as_of=job.as_of)
            else:
                read_catch([path], site=job.site, as_of=job.as_of)
        except InputError as error:
            columns = ("date", "what", "individualCount")
            column = next(filter(error.fact.startswith, columns), "scientificName")
            where = "catch-date" if (kind, column) == ("catch", "date") else f"{kind}-{column}-{at}"
            faults[where] = error.fact.replace("individualCount", "number") + f" ({error.remedy})"
    return faults


def _table(rows: list[dict[str, str]]) -> str:
    text = io.StringIO()
    writer = csv.DictWriter(text, fieldnames=list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()
