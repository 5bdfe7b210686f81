"""One fish against a list that the page built: the form, and the answer."""

from __future__ import annotations

import hashlib
import json
import re
from collections import defaultdict
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, PlainTextResponse, RedirectResponse, Response

from poolbuilder import pages, words
from poolbuilder.errors import PoolBuilderError, PoolFileError
from poolbuilder.files import write_whole
from poolbuilder.fish.answer import Specimen, drawing, identify, render, write_specimen
from poolbuilder.fish.characters import read_traits
from poolbuilder.fish.notes import fish_from, from_fields, measures, number
from poolbuilder.folder import read_pool
from poolbuilder.pool import Pool
from poolbuilder.web.query import read_form
from poolbuilder.web.workspace import Workspace

NOTES = "notes.json"
LENGTH = "standard_length_mm"
DOWNLOADS = (
    ("specimen.html", "page"),
    ("posterior.csv", "posterior"),
    ("trait_evidence.csv", "evidence"),
    ("second_opinion.html", "second opinion"),
    ("field_sheet.html", "field sheet"),
)
OWN = {"key", "f1Share"}
"""Fields that are not of the fish."""
_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,60}")

ABOUT = ("name", "date", "place", "observer", "remarks")
CHOICES = {
    "sex": ("unknown", "male", "female"),
    "size": ("unknown", "adult", "young"),
    "breeding": ("unknown", "yes", "no"),
}
SURE = (("", "sure"), ("fairly sure", "fairly sure"), ("unsure", "unsure"))


class FishViews:
    """The form for one fish, and its answer, which is kept in the folder of its pool."""

    def __init__(self, workspace: Workspace) -> None:
        self.workspace = workspace

    async def ask(self, request: Request) -> Response:
        """The empty form for one pool, a fish weighed before, or its notes to edit."""
        return await run_in_threadpool(self._ask, dict(request.query_params))

    async def weigh(self, request: Request) -> Response:
        """Keep the fish and go to its page, or give the form again with what is wrong."""
        return await run_in_threadpool(self._weigh, await read_form(request))

    async def file(self, request: Request) -> Response:
        """A file of a fish that was weighed."""
        folder = self._kept(request.path_params["key"], request.path_params["fish"])
        name = request.path_params["name"]
        if folder is None or name not in dict(DOWNLOADS) or not (folder / name).is_file():
            return PlainTextResponse("There is no such file.\n", status_code=404)
        return FileResponse(folder / name, filename=f"{folder.name}-{name}")

    def _pool(self, key: str) -> Pool:
        folder = self.workspace.path(key)
        if folder is None:
            raise PoolFileError(f"there is no pool {key!r} here", remedy="build it first")
        return read_pool(folder)

    def _kept(self, key: str, fish: str) -> Path | None:
        """The folder of a fish that was weighed, or None when there is none of this name."""
        pool = self.workspace.path(key)
        if pool is None or not _NAME.fullmatch(fish):
            return None
        folder = pool / "fish" / fish
        return folder if (folder / NOTES).is_file() else None

    def _ask(self, asked: Mapping[str, str]) -> Response:
        key = asked.get("key", "")
        folder = self._kept(key, asked.get("fish") or asked.get("edit") or "")
        if folder is None:
            return self._form({"key": key})
        given = dict(json.loads((folder / NOTES).read_text(encoding="utf-8")))
        if "edit" in asked:
            return self._form(given)
        try:
            found = self._weighed(given, self._pool(key))
        except PoolBuilderError as error:
            return self._form(given, {}, str(error))
        return HTMLResponse(render(found, "fish_answer.html", key=key, kept=folder.name, downloads=DOWNLOADS))

    def _weighed(self, given: Mapping[str, str], pool: Pool) -> Specimen:
        table, settings = read_traits(), pool.settings
        if given.get("f1Share", "").strip():
            settings = settings.replace(f1_share=number(given["f1Share"]))
        fish = fish_from(_notes(given), table, settings=settings, where="the form")
        return identify(pool, fish, table, settings=settings)

    def _form(
        self, given: Mapping[str, str], faults: Mapping[str, str] | None = None, trouble: str = ""
    ) -> Response:
        table, pool, status = read_traits(), None, 422 if faults or trouble else 200
        try:
            pool = self._pool(given.get("key", ""))
        except PoolBuilderError as error:
            trouble, status = str(error), 404
        first = [] if pool is None else self._first(pool)
        asked = {each.key: each for each in table.characters if each.kind != "ratio"}
        rest = [each for key, each in asked.items() if key not in first]
        text = pages.fill(
            "fish.html",
            styles=("web.css",),
            allowed=pages.OWN_FORMS,
            given=defaultdict(str, given),
            faults=faults or {},
            trouble=trouble,
            water="" if pool is None else words.place(pool.site),
            share="" if pool is None else f"{pool.settings.f1_share:g}",
            seen=self._seen(given.get("key", "")),
            about=ABOUT,
            choices=CHOICES,
            sure=SURE,
            measures=[(key, key.removesuffix("_mm").replace("_", " ")) for key in measures(table)],
            first=[asked[key] for key in first if key in asked],
            counts=[each for each in rest if each.kind == "count"],
            looks=[each for each in rest if each.states],
            drawing=drawing,
        )
        return HTMLResponse(text, status_code=status)

    def _first(self, pool: Pool) -> list[str]:
        """The characters that would tell most of this pool, before anything is seen."""
        try:
            return [row["character"] for row in self._weighed({}, pool).sheet_characters]
        except PoolBuilderError:
            return []

    def _seen(self, key: str) -> list[str]:
        pool = self.workspace.path(key)
        return [] if pool is None else sorted(path.parent.name for path in pool.glob(f"fish/*/{NOTES}"))

    def _weigh(self, given: dict[str, str]) -> Response:
        try:
            pool = self._pool(given.get("key", ""))
        except PoolBuilderError as error:
            return self._form(given, {}, str(error))
        faults = self._faults(given, pool)
        if faults:
            return self._form(given, faults)
        try:
            found = self._weighed(given, pool)
            text = json.dumps(given, ensure_ascii=False, sort_keys=True, indent=1)
            name = f"{_slug(given.get('name', ''))}-{hashlib.sha256(text.encode()).hexdigest()[:8]}"
            folder = self.workspace.folder / given["key"] / "fish" / name
            folder.parent.mkdir(exist_ok=True)
            write_specimen(found, folder)
            write_whole(folder / NOTES, text)
        except PoolBuilderError as error:
            return self._form(given, {}, str(error))
        address = urlencode({"key": given["key"], "fish": name})
        return RedirectResponse(f"fish?{address}", status_code=303)

    def _faults(self, given: Mapping[str, str], pool: Pool) -> dict[str, str]:
        """Every field that cannot be read, with what is wrong, in the words of the field."""
        table, settings = read_traits(), pool.settings
        faults: dict[str, str] = {}
        if given.get("f1Share", "").strip():
            try:
                settings = settings.replace(f1_share=number(given["f1Share"]))
            except PoolBuilderError as error:
                faults["f1Share"] = str(error)
        document = _notes(given)
        for key, entry in document["seen"].items():
            about = {name: value for name, value in document["fish"].items() if name in CHOICES}
            lengths = {name: each for name, each in document["seen"].items() if name == LENGTH}
            try:
                alone = {"fish": about, "seen": {**lengths, key: entry}}
                fish_from(alone, table, settings=settings, where="the form")
            except PoolBuilderError as error:
                faults[key] = getattr(error, "fact", str(error))
        return faults


def _slug(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:40] or "fish"


def _notes(given: Mapping[str, str]) -> dict[str, dict[str, Any]]:
    """The fields of the form as notes."""
    return from_fields({name: text for name, text in given.items() if name not in OWN}, read_traits())
